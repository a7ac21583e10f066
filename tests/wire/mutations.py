"""Valid messages of every kind, and seeded damage to them."""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence
from typing import Any

import msgpack

from livefit.wire.codec import NAMES, encode
from livefit.wire.messages import (
    Cycles,
    DeviceState,
    MeanPose,
    Message,
    Request,
    SideCycles,
    StandingBicycle,
    Stroke,
)
from tests.wire.msgpack_by_hand import read
from tests.wire.wire_examples import EXAMPLES

_SIDE = SideCycles(
    side="L", measures=["knee"], stroke=3, n=2, last=bytes(148), mean=bytes(148), sd=bytes(148)
)
PUBLISHED: list[Message] = [
    *(message for message in EXAMPLES if not isinstance(message, Request)),
    Stroke(
        node="n", side="R", event="bottom", measures=["knee"], stroke=4, t=0.5, marks=0,
        values=[35.5],
    ),
    Cycles(node="n", sides=[_SIDE]),
    MeanPose(node="n", labels=["R_GT"], xyz=bytes(36 * 12)),
    StandingBicycle(node="n", points={"head_top_left": [385.0, 560.0, -20.0]}),
    DeviceState(stream="a", battery=0.5, link=1.0, temperature_c=31.5, lost=2, note="warm"),
]  # fmt: skip
PAIRS = [["knee_flexion", "bdc"], ["hip_angle", "tdc"]]
REQUESTS: list[Message] = [
    Request(op="status"),
    Request(op="set_window", args={"strokes": 20}),
    Request(op="set_window", args={"seconds": 12.5}),
    Request(op="restart_window"),
    Request(op="set_baseline"),
    Request(op="clear_baseline"),
    Request(op="mark", args={"part": "saddle_height", "amount": 5.0, "note": "up"}),
    Request(op="unmark"),
    Request(op="set_discipline", args={"name": "road_race"}),
    Request(
        op="set_band", args={"measure": "knee_flexion", "event": "bdc", "low": 30.0, "high": 40.0}
    ),
    Request(op="reset_bands"),
    Request(op="choose", args={"screen": "rider", "rows": PAIRS}),
    Request(op="history", args={"rows": PAIRS, "strokes": 20}),
    Request(op="bicycle", args={"points": {"head_top_left": [385.0, 560.0, -20.0]}}),
    Request(op="source", args={"op": "source.saddle", "args": {"height_mm": 20.0}}),
]


def _nested(depth: int) -> Any:
    return [_nested(depth - 1)] if depth else 0


HOSTILE: list[Any] = [
    None, True, False, 0, 1, -1, 2**31, 2**63 - 1, 2**64 - 1, -(2**63), 0.0, -0.0, 1e-320, 1e308,
    float("nan"), float("inf"), float("-inf"), "", "x", "R_GT", "\x00", "\u202e", "é" * 300,
    b"", b"\x00", bytes(12), bytes(1000), [], {}, [None], {"": None}, ["R_GT", "R_GT"],
    _nested(6), _nested(9), _nested(200), [0] * 10_001, {str(k): k for k in range(50)},
]  # fmt: skip
_WILD_FLOATS = [struct.pack("<d", x) for x in (float("nan"), float("inf"), 1e308, -1e308, 0.0)]
_SIZES = b"\xc4\xc5\xc6\xd9\xda\xdb\xdc\xdd\xde\xdf\xc1\xcb\xca\xd4\xc7\x80\x90"


class Mutator:
    """Damages messages: fields of a wrong kind, other buffers, other bytes.

    Parameters
    ----------
    messages
        What to damage.
    seed
        Of all that is left to chance.
    """

    def __init__(self, messages: Sequence[Message], seed: int) -> None:
        self._chance = random.Random(seed)
        self._plain = [(NAMES[type(m)], encode(m), read(encode(m))) for m in messages]

    def next(self) -> tuple[str, bytes]:
        """Return the name of a kind, and bytes that were once a message of that kind."""
        chance = self._chance
        name, raw, fields = chance.choice(self._plain)
        if chance.random() < 0.5:
            raw = msgpack.packb(self._other_fields(fields))
        if chance.random() < 0.6:
            raw = self._other_bytes(raw)
        return name, raw

    def _other_fields(self, fields: dict[str, Any]) -> dict[str, Any]:
        chance, out = self._chance, dict(fields)
        key = chance.choice(list(out))
        value = out[key]
        match chance.randrange(4):
            case 0:
                del out[key]
            case 1 if isinstance(value, bytes) and value:
                out[key] = self._other_bytes(value)
            case 1 | 2 if isinstance(value, dict) and value:
                out[key] = self._other_fields(value)
            case 1 | 2 if isinstance(value, list) and value:
                items = list(value)
                at = chance.randrange(len(items))
                inner = items[at]
                items[at] = (
                    self._other_fields(inner)
                    if isinstance(inner, dict) and inner
                    else chance.choice(HOSTILE)
                )
                out[key] = items
            case _:
                out[key] = chance.choice(HOSTILE)
        return out

    def _other_bytes(self, raw: bytes) -> bytes:
        chance, out = self._chance, bytearray(raw)
        for _ in range(chance.randint(1, 3)):
            at = chance.randrange(len(out)) if out else 0
            match chance.randrange(6):
                case 0 if out:
                    out[at] ^= 1 << chance.randrange(8)
                case 1 if out:
                    out[at] = chance.choice(_SIZES)
                case 2:
                    del out[at:]
                case 3:
                    del out[at : at + chance.randint(1, 8)]
                case 4:
                    out[at:at] = out[at : at + chance.randint(1, 64)]
                case _:
                    out[at : at + 8] = chance.choice(_WILD_FLOATS)
        return bytes(out)
