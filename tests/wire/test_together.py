"""Frames decoded in a row are those that come out one by one."""

from __future__ import annotations

import msgpack
import numpy as np
import pytest

from livefit.frames import MarkerBlock, StreamInfo
from livefit.wire.blocks import describe, pack_block, unpack_frames
from livefit.wire.codec import WireError, decode, encode
from livefit.wire.messages import Frames
from livefit.wire.together import decode_together

INFO = StreamInfo(("R_CA", "R_VM"), 100.0, "+z")
DESCRIBED = describe(INFO, stream="a", source="by hand")


def raws(numbers: list[int], stream: str = "a") -> list[bytes]:
    """One message a frame."""
    described = describe(INFO, stream=stream, source="by hand")
    made = []
    for number in numbers:
        positions = np.full((1, 2, 3), float(number))
        block = MarkerBlock(np.array([number]), np.array([number / 100.0]), positions)
        made += [encode(message) for message in pack_block(block, described, sent=1.0)]
    return made


def test_frames_that_follow_each_other_come_as_one() -> None:
    found = decode_together(raws([5, 6, 7, 9, 10, 10]))
    assert [count for count, _ in found] == [3, 2, 1]
    first = found[0][1]
    assert first is not None
    block = unpack_frames(first, DESCRIBED)
    assert block.numbers.tolist() == [5, 6, 7]
    assert block.positions[:, 0, 0].tolist() == [5.0, 6.0, 7.0]


def test_two_streams_are_not_mixed() -> None:
    mixed = [raws([1])[0], raws([2], "b")[0], raws([3], "b")[0]]
    assert [count for count, _ in decode_together(mixed)] == [1, 2]


def broken() -> list[bytes]:
    fields = msgpack.unpackb(raws([6])[0])
    wrong: list[dict[str, object]] = [
        {"first": -1}, {"first": 6.0}, {"first": True}, {"count": 0}, {"t": "text"}, {"xyz": None},
        {"stream": 3}, {"version": 2}, {"sent": "now"},
    ]  # fmt: skip
    made = [msgpack.packb({**fields, **change}) for change in wrong]
    return [*made, b"", b"\xc1", msgpack.packb([1, 2]), raws([6])[0] + b"\x00", raws([6])[0][:-3]]


@pytest.mark.parametrize("raw", broken())
def test_whatever_one_alone_refuses_is_refused(raw: bytes) -> None:
    with pytest.raises(WireError):
        decode(Frames, raw)
    assert [count for count, frames in decode_together([raws([5])[0], raw, raws([7])[0]])] == [
        1
    ] * 3
    assert decode_together([raw]) == [(1, None)]


def test_an_unusual_form_is_decoded_as_alone() -> None:
    fields = msgpack.unpackb(raws([6])[0])
    for change in ({"version": 1}, {"sent": 3}, {"sent": float("inf")}, {"more": [1]}):
        raw = msgpack.packb({**fields, **change})
        ((count, frames),) = decode_together([raw])
        assert count == 1
        assert frames is not None
        assert frames.model_dump(exclude={"sent"}) == decode(Frames, raw).model_dump(
            exclude={"sent"}
        )
