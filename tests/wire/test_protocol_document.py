"""The bytes that the protocol's text shows, read by a decoder from the msgpack specification."""

from __future__ import annotations

import re
from importlib import resources

import pytest

from livefit.wire.change_messages import Changes
from livefit.wire.codec import decode
from livefit.wire.messages import Description, Message, Reply, Request
from tests.wire.msgpack_by_hand import read

SHOWN: dict[str, tuple[type[Message], dict[str, object]]] = {
    "description": (
        Description,
        {
            "stream": "k3f9", "source": "sensor", "labels": ["R_GT", "R_LE"], "unit": "mm",
            "up": "+z", "rate_hz": 200, "side": "right",
        },
    ),
    "recording": (
        Request,
        {
            "op": "recording",
            "args": {
                "name": "a.mcap", "seconds": 12.5, "size": 300_000, "frames": 2500, "lost": 0,
                "left_s": None,
            },
        },
    ),
    "changes": (
        Changes,
        {
            "node": "n1", "marks": 1,
            "rows": [{
                "measure": "knee_flexion", "side": "R", "event": "bdc", "unit": "deg", "n": 2,
                "aside": 0, "mean": 35.5, "ci95": None, "state": "too few", "more": None,
                "drift": None, "drift_ci95": None, "words": "a few",
            }],
        },
    ),
    "request": (Request, {"op": "status"}),
    "reply": (Reply, {"ok": True, "error": None, "result": {}}),
}  # fmt: skip


DOCUMENTS = ("PROTOCOL.md", "PROTOCOL_CHANGES.md")


@pytest.mark.parametrize("name", SHOWN)
def test_bytes_shown_in_the_protocol(name: str) -> None:
    folder = resources.files("livefit.wire")
    text = "\n".join(folder.joinpath(each).read_text("utf-8") for each in DOCUMENTS)
    (digits,) = re.findall(rf"```msgpack {name}\n(.*?)```", text, re.DOTALL)
    raw = bytes.fromhex(digits)
    kind, fields = SHOWN[name]
    assert read(raw) == fields
    assert decode(kind, raw) == kind.model_validate(fields)
