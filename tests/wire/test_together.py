"""Frames decoded in a row are those that come out one by one."""

from __future__ import annotations

from contextlib import suppress
from itertools import groupby

import msgpack
import numpy as np
import pytest

from livefit.frames import MarkerBlock, StreamInfo
from livefit.wire.blocks import describe, pack_block, unpack_frames
from livefit.wire.codec import WireError, decode, encode
from livefit.wire.messages import Frames
from livefit.wire.together import Rows, decode_together

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


def rows(messages: list[bytes]) -> list[Rows]:
    """Messages of one length together, a row each."""
    return [
        np.array([np.frombuffer(raw, np.uint8) for raw in alike])
        for alike in (list(group) for _, group in groupby(messages, len))
    ]


def test_frames_that_follow_each_other_come_as_one() -> None:
    found = decode_together(rows(raws([5, 6, 7, 9, 10, 10])))
    assert [count for count, _ in found] == [3, 2, 1]
    first = found[0][1]
    assert first is not None
    block = unpack_frames(first, DESCRIBED)
    assert block.numbers.tolist() == [5, 6, 7]
    assert block.positions[:, 0, 0].tolist() == [5.0, 6.0, 7.0]


def test_two_streams_are_not_mixed() -> None:
    mixed = [raws([1])[0], raws([2], "b")[0], raws([3], "b")[0]]
    assert [count for count, _ in decode_together(rows(mixed))] == [1, 2]


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
    between = rows([*raws([5]), raw, *raws([7])])
    assert [count for count, _ in decode_together(between)] == [1, 1, 1]
    assert decode_together(rows([raw])) == [(1, None)]


def test_an_unusual_form_is_decoded_as_alone() -> None:
    fields = msgpack.unpackb(raws([6])[0])
    for change in ({"version": 1}, {"sent": 3}, {"sent": float("inf")}, {"more": [1]}):
        raw = msgpack.packb({**fields, **change})
        ((count, frames),) = decode_together(rows([raw]))
        assert count == 1
        assert frames is not None
        assert frames.model_dump(exclude={"sent"}) == decode(Frames, raw).model_dump(
            exclude={"sent"}
        )


def frames_in(message: Frames) -> list[tuple[int, bytes, bytes]]:
    """Number, stamp and positions of each frame."""
    size = len(message.xyz) // message.count
    return [
        (message.first + k, message.t[8 * k : 8 * k + 8], message.xyz[size * k : size * k + size])
        for k in range(message.count)
    ]


def alone(messages: list[bytes]) -> list[tuple[int, bytes, bytes]]:
    """What the messages say that :func:`decode` takes, one by one."""
    found = []
    for raw in messages:
        with suppress(WireError):
            found += frames_in(decode(Frames, raw))
    return found


def together(messages: list[bytes]) -> list[tuple[int, bytes, bytes]]:
    said = decode_together(rows(messages))
    return [frame for _, message in said if message is not None for frame in frames_in(message)]


def changed(raw: bytes, **change: object) -> bytes:
    packed: bytes = msgpack.packb({**msgpack.unpackb(raw), **change})
    return packed


def in_a_row() -> dict[str, list[bytes]]:
    """Messages of one length that are not what they seem where only a few are looked at."""
    ten = raws(list(range(300, 310)))
    nan = changed(ten[4], sent=float("nan"))
    turned = msgpack.packb(dict(reversed(msgpack.unpackb(ten[5]).items())))
    return {
        "number grows by a byte": raws([*range(120, 135), *range(250, 262), *range(65530, 65540)]),
        "gaps, twice, back": raws([300, 301, 302, 304, 305, 305, 306, 290, 291, 292, 293]),
        "two streams": [raw for k in range(300, 308) for raw in (*raws([k]), *raws([k], "b"))],
        "sent is not a number": [*ten[:4], nan, *ten[5:]],
        "fields in another order": [*ten[:5], turned, *ten[6:]],
        "text instead of bytes": [*ten[:6], ten[6].replace(b"\xc4\x08", b"\xd9\x08"), *ten[7:]],
        "two frames a message": [
            changed(ten[k], count=2, t=bytes(8 * [k]) * 2, xyz=bytes(24 * [k]) + bytes(24))
            for k in range(0, 10, 2)
        ],
        "numbers beyond reason": [changed(ten[k], first=2**64 - 4 + k) for k in range(4)],
        "one more field": [changed(raw, more=[k]) for k, raw in enumerate(ten)],
        "sent is left out": [changed(raw, sent=None) for raw in ten],
    }  # fmt: skip


@pytest.mark.parametrize("name", list(in_a_row()))
def test_many_say_what_each_says(name: str) -> None:
    messages = in_a_row()[name]
    assert together(messages) == alone(messages)
    assert sum(count for count, _ in decode_together(rows(messages))) == len(messages)


def test_bytes_changed_at_random_are_taken_or_refused_as_alone() -> None:
    """Witness: each of the messages decoded by itself."""
    random = np.random.default_rng(12)
    whole = raws(list(range(300, 308)))
    for _ in range(1500):
        place, row = int(random.integers(len(whole[0]))), int(random.integers(8))
        other = bytearray(whole[row])
        other[place] = int(random.integers(256))
        messages = [*whole[:row], bytes(other), *whole[row + 1 :]]
        assert together(messages) == alone(messages), (row, place, other[place])
