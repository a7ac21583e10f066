"""Input that no sound device sends: whatever comes, the reading goes on and what is wrong is told.

Damaged lines and bytes are drawn with a seed, so that a failure comes again. Whether a line was a
description is judged by the json module alone, whether frames are sound by the protocol's reader.
"""

from __future__ import annotations

import json
import random
import struct
from contextlib import closing
from typing import Any

import numpy as np
import pytest

from livefit.frames import MarkerBlock
from livefit.sources import lsl
from livefit.sources.bluetooth_bytes import CrankCadence, cycling_power, indoor_bike_data
from livefit.sources.json_lines import FrameLines, Refusals
from livefit.sources.lsl import Inlet, LslSource
from livefit.sources.values import JsonLineValues, LslValues
from livefit.wire.blocks import describe, pack_block, unpack_frames
from livefit.wire.codec import decode, encode
from livefit.wire.messages import Description, Frames
from tests.sources.test_json_lines import Script
from tests.sources.test_lsl import OtherMachine

HOSTILE: list[Any] = [
    None, True, False, 0, -1, 1.5, 2**63, 10**20, -(10**400), 1e12, 1.1e12, 1e300, float("nan"),
    float("-inf"), "", "12", "\ud800", "\x00", "é" * 300, "mm", "+z", "stamped", [], {}, [None],
    [[1]], [True, "3", 1], [1e300, 0, 0], [0, 0, 10**400], [1, None, 2], [{}], {"name": "workload"},
    [{"name": "\udfff", "unit": "W"}], ["a", "a"], ["\ud800", "\ud800"],
    [str(i) for i in range(1001)],
]  # fmt: skip
CHANNELS = [{"name": "workload", "unit": "W"}, {"name": "cadence", "unit": "rpm"}]
DESCRIBED = {
    "labels": ["R_CA", "R_VM"], "unit": "m", "up": "+z", "rate_hz": 100, "sampling": "periodic",
    "channels": CHANNELS,
}  # fmt: skip


class DamagedLines:
    """Lines of JSON with other values, other bytes, or neither."""

    def __init__(self, seed: int) -> None:
        self._chance = random.Random(seed)
        self._number = 0

    def next(self) -> bytes:
        chance = self._chance
        self._number += 1
        frame = {
            "n": self._number, "t": self._number / 100, "xyz": [[0.1, 0.2, 0.3], None],
            "channels": [180, None],
        }  # fmt: skip
        values = {"t": self._number / 100, "channels": [212.5, 88]}
        fields = chance.choice([DESCRIBED, frame, frame, values, {"channels": CHANNELS}])
        fields = json.loads(json.dumps(fields))
        if chance.random() < 0.6:
            self._put_hostile(fields)
        raw = json.dumps(fields, ensure_ascii=chance.random() < 0.9).encode(
            "utf-8", "surrogatepass"
        )
        return self._other_bytes(raw) if chance.random() < 0.3 else raw

    def _put_hostile(self, into: Any) -> None:
        """Replace something, at any depth."""
        chance = self._chance
        key = chance.choice(list(into) if isinstance(into, dict) else range(len(into)))
        if isinstance(into[key], dict | list) and into[key] and chance.random() < 0.6:
            self._put_hostile(into[key])
        else:
            into[key] = chance.choice(HOSTILE)

    def _other_bytes(self, raw: bytes) -> bytes:
        chance, out = self._chance, bytearray(raw)
        for _ in range(chance.randint(1, 3)):
            at = chance.randrange(len(out) + 1)
            match chance.randrange(4):
                case 0:
                    out[at : at + 1] = bytes([chance.randrange(256)])
                case 1:
                    del out[at:]
                case 2:
                    del out[at : at + chance.randint(1, 8)]
                case _:
                    out[at:at] = chance.choice(
                        [b"9" * 400, b"1e999", b"[" * 2000, b"null", b"\xff"]
                    )
        return bytes(out)


def is_description(line: bytes, field: str) -> bool:
    fields = json.loads(line)
    if field == "labels":
        return "labels" in fields
    return isinstance(fields["channels"][0], dict)


@pytest.mark.parametrize("seed", range(4))
def test_every_damaged_line_is_used_or_counted_with_a_reason(seed: int) -> None:
    lines, refusals = DamagedLines(seed), Refusals("damaged", clock=lambda: 0.0)
    reader = FrameLines(refusals)
    taken = 0
    for _ in range(1500):
        line, before = lines.next(), refusals.count
        frame = reader.take(line, 50.0)
        if frame is None and refusals.count == before:
            assert is_description(line, "labels"), line
        elif frame is None:
            assert refusals.count == before + 1
            assert refusals.last is not None
            assert refusals.last.encode().endswith(f"in the line {line[:80]!r}".encode())
            assert not refusals.last.startswith(",")
        else:
            assert refusals.count == before
            taken += 1
            number, t, positions, channels = frame
            assert reader.info is not None
            description = decode(
                Description, encode(describe(reader.info, stream="s", source="damaged"))
            )
            block = MarkerBlock(np.array([number]), np.array([t]), positions[None], channels[None])
            (message,) = pack_block(block, description)
            arrived = unpack_frames(decode(Frames, encode(message)), description)
            assert np.isfinite(arrived.t).all()
            assert not np.isinf(arrived.channels).any()
    assert taken > 100
    assert refusals.count > 400


@pytest.mark.parametrize("seed", range(4))
def test_every_damaged_line_of_values_is_used_or_counted_with_a_reason(seed: int) -> None:
    lines = DamagedLines(100 + seed)
    sent = [lines.next() for _ in range(1500)]
    values = JsonLineValues(Script([[line] for line in sent]), "damaged", clock=lambda: 80.0)
    taken = 0
    for line in sent:
        before = values.refusals.count
        samples = values.read()
        taken += len(samples)
        assert all(np.isfinite(sample.t) for sample in samples)
        assert not any(np.isinf(value) for sample in samples for value in sample.values.values())
        if not samples and values.refusals.count == before:
            assert is_description(line, "channels"), line
        else:
            assert len(samples) + values.refusals.count - before == 1
            assert samples or str(values.refusals.last).endswith(f"in the line {line[:80]!r}")
    assert taken > 100
    assert values.refusals.count > 400


class AbsurdMachine(OtherMachine):
    """An LSL inlet whose stamps and samples are given."""

    def __init__(self, sent: list[tuple[list[float], float]]) -> None:
        super().__init__()
        self.correction, self._chunk = 0.0, sent[1:]
        self.sent = sent[:1]

    def pull_chunk(self, timeout: float, max_samples: int) -> tuple[list[Any], list[float]]:
        chunk, self._chunk = self._chunk, []
        return [sample for sample, _ in chunk], [stamp for _, stamp in chunk]


def absurd_inlet(monkeypatch: pytest.MonkeyPatch, sent: list[tuple[list[float], float]]) -> Inlet:
    machine = AbsurdMachine(sent)
    fake = type(
        "FakeLsl",
        (),
        {
            "ContinuousResolver": lambda **_: type("R", (), {"results": lambda _: [machine]})(),
            "StreamInlet": lambda info, recover: machine,
        },
    )
    monkeypatch.setattr(lsl, "optional_package", lambda *_: fake)
    return Inlet("type='MoCap'")


SOUND = [3.0, 1.0, 2.0, 1.0, 250.0, 10.0, 20.0, 30.0, 0.0]


def test_lsl_stamps_that_are_no_time_are_left_out_and_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    absurd = [float("nan"), float("inf"), -1e300, 1.1e12]
    sent = [(SOUND, 1.0), *((SOUND, stamp) for stamp in absurd), (SOUND, 1.01)]
    with closing(LslSource(absurd_inlet(monkeypatch, sent), up="+y")) as source:
        block = source.read(0.0)
        assert block is not None
        assert block.t.tolist() == [1.0, 1.01]
        assert block.numbers.tolist() == [0, 1]
        state = source.control("source.state", {})
        assert (state["frames"], state["refused"]) == (2, len(absurd))


def test_lsl_stamps_that_leap_for_ever_do_not_run_out_of_numbers(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sent = [(SOUND, 1e12 if index % 2 else -1e12) for index in range(200_000)]
    with closing(LslSource(absurd_inlet(monkeypatch, sent), up="+y")) as source:
        block = source.read(0.0)
        assert block is not None
        assert len(block) == len(sent)
        assert (block.numbers >= 0).all()


def test_an_lsl_marker_at_no_place_is_missing_and_its_neighbour_is_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    far = [1e308, *SOUND[1:]]
    beyond = [*SOUND[:5], 1.01e6, *SOUND[6:]]
    sent = [(far, 1.0), (beyond, 1.01), (SOUND, 1.02)]
    with closing(LslSource(absurd_inlet(monkeypatch, sent), up="+y")) as source:
        block = source.read(0.0)
        assert block is not None
    assert np.isnan(block.positions[:, :, 0]).tolist() == [
        [True, False], [False, True], [False, False],
    ]  # fmt: skip


def test_a_value_with_an_absurd_lsl_stamp_does_not_shift_those_after_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sent = [(SOUND, float("nan")), (SOUND, -1e300), (SOUND, 2.0), (SOUND, 2.5)]
    inlet = absurd_inlet(monkeypatch, sent)
    with closing(LslValues(inlet, clock=lambda: 70.0)) as values:
        samples = values.read()
    assert [sample.values["workload"] for sample in samples] == [250.0, 250.0]
    assert samples[1].t - samples[0].t == 0.5
    assert inlet.refused == 2


def test_bluetooth_bytes_of_any_kind_give_values_of_a_rider_or_an_error() -> None:
    chance, cadence = random.Random(5), CrankCadence()
    read = refused = 0
    for arrived_s in range(20_000):
        data = chance.randbytes(chance.randrange(33))
        try:
            values = indoor_bike_data(data)
            assert set(values) <= {"cadence", "workload"}
            assert 0 <= values.get("cadence", 0.0) <= 250
            assert abs(values.get("workload", 0.0)) <= 2**15
            rpm = cadence.take(cycling_power(data), arrived_s / 10)
            assert rpm is None or 0 < rpm <= 250
            read += 1
        except ValueError:
            refused += 1
    assert read > 1000
    assert refused > 1000


def test_a_cadence_that_no_rider_has_is_left_out_alone() -> None:
    """All ones stand for no value in many a device's counters (common practice, no source)."""
    data = struct.pack("<HHHh", 0b100_0100, 3012, 0xFFFF, 251)
    assert indoor_bike_data(data) == {"workload": 251.0}
