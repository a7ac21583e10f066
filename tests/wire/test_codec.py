"""Messages to bytes and back."""

from __future__ import annotations

import re
from importlib import resources
from typing import Any

import msgpack
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livefit.frames import MarkerBlock, StreamInfo
from livefit.wire.blocks import FrameReader, describe, pack_block
from livefit.wire.codec import MAX_BYTES, NAMES, PackedRows, WireError, decode, encode
from livefit.wire.messages import Description, Frames, Message, Reply, Request, Snapshot
from tests.wire.msgpack_by_hand import read
from tests.wire.wire_examples import EXAMPLES, INFO, description, frames, row, snapshot

KINDS = list(NAMES)


@pytest.mark.parametrize("message", EXAMPLES, ids=lambda m: type(m).__name__)
def test_a_message_comes_back_as_it_went(message: Message) -> None:
    assert decode(type(message), encode(message)) == message


@pytest.mark.parametrize("message", EXAMPLES, ids=lambda m: type(m).__name__)
def test_a_decoder_written_from_the_msgpack_specification_reads_the_same(message: Message) -> None:
    assert read(encode(message)) == message.model_dump()


def test_description_in_golden_bytes() -> None:
    # Written out by hand from the msgpack specification: fixmap 13, fixstr, fixint, float64, nil.
    def text(value: str) -> bytes:
        return bytes([0xA0 + len(value)]) + value.encode()

    golden = b"".join(
        [
            b"\x8d", text("version"), b"\x01", text("stream"), text("a"),
            text("source"), text("test"), text("labels"), b"\x93", text("R_GT"), text("R_LE"),
            text("R_LM"), text("unit"), text("mm"), text("up"), text("+z"),
            text("rate_hz"), bytes.fromhex("cb 4069000000000000"), text("side"), text("both"),
            text("sampling"), text("periodic"), text("precision"), text("f4"),
            text("channels"), b"\x90", text("marker_set"), b"\xc0", text("control"), b"\xc0",
        ]
    )  # fmt: skip
    assert encode(description()) == golden


def test_worked_message_in_the_protocol_document() -> None:
    text = resources.files("livefit.wire").joinpath("PROTOCOL.md").read_text("utf-8")
    (digits,) = re.findall(r"```hex\n(.*?)```", text, re.DOTALL)
    raw = bytes.fromhex(digits)
    message = decode(Frames, raw)
    assert encode(message) == raw
    info = StreamInfo(labels=("R_GT", "R_LE"), rate_hz=200.0, up="+z")
    block = FrameReader(describe(info, stream="k3f9", source="")).read(message)
    assert block.numbers.tolist() == [2500, 2501]
    assert block.t.tolist() == [12.5, 12.505]
    np.testing.assert_array_equal(
        block.positions,
        [[[100, 200, 900.5], [np.nan] * 3], [[101, 200.25, 901], [350, -160, 480]]],
    )


def test_every_field_is_in_the_protocol_document() -> None:
    folder = resources.files("livefit.wire")
    names = ("PROTOCOL.md", "PROTOCOL_CHANGES.md")
    text = "".join(folder.joinpath(name).read_text("utf-8") for name in names)
    for kind in KINDS:
        for field in kind.model_fields:
            assert f"`{field}`" in text or f'"{field}"' in text, f"{kind.__name__}.{field}"


def test_floats_that_are_not_finite_travel_as_nil() -> None:
    wild = snapshot().model_copy(update={"cadence_rpm": float("nan"), "t": float("inf")})
    fields = read(encode(wild))
    assert fields["cadence_rpm"] is None
    assert fields["t"] is None
    raw = msgpack.packb(read(encode(snapshot())) | {"cadence_rpm": float("nan")})
    assert decode(Snapshot, raw).cadence_rpm is None


def test_rows_packed_before_travel_as_if_each_were_packed_anew() -> None:
    first, second, third = (
        row().model_copy(update={"event": event}) for event in ("top", "front", "bottom")
    )
    other = second.model_copy(update={"mean": 36.0, "n": 4})
    wild = third.model_copy(update={"mean": float("nan")})
    packed = PackedRows()
    for rows in (
        [], [first, second, third], [first, other, third], [first, other, third], [third, first],
        [first, first, wild], [first, wild, first], [second],
    ):  # fmt: skip
        message = snapshot().model_copy(update={"rows": rows})
        assert read(encode(message, packed)) == read(encode(message))


def test_unknown_fields_are_ignored_and_whole_numbers_stand_for_floats() -> None:
    fields = read(encode(description())) | {"colour": "red", "rate_hz": 200}
    assert decode(Description, msgpack.packb(fields)) == description()


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"rate_hz": "fast"}, "'description', field 'rate_hz': expected a valid number, found 'fa"),
        ({"rate_hz": 0}, "field 'rate_hz': expected greater than 0, found 0"),
        ({"up": "z"}, r"field 'up': expected '\+x', .* or '-z', found 'z'"),
        ({"labels": "R_GT"}, "field 'labels': expected a valid list, found 'R_GT'"),
        ({"labels": [1]}, "field 'labels.0': expected a valid string, found 1"),
        ({"version": 2}, "expected protocol 1, found 2; run the same version of the program"),
        ({"stream": None}, "field 'stream': expected a valid string, found None"),
    ],
)
def test_a_wrong_field_is_named(change: dict[str, Any], text: str) -> None:
    with pytest.raises(WireError, match=text):
        decode(Description, msgpack.packb(read(encode(description())) | change))


def test_an_error_says_where_in_its_attributes_too() -> None:
    with pytest.raises(WireError) as caught:
        decode(Frames, msgpack.packb({"stream": "a", "first": -1}))
    error = caught.value
    assert (error.topic, error.field, error.found) == ("frames", "first", "-1")


def nested(depth: int) -> Any:
    return [nested(depth - 1)] if depth else 0


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"", "one msgpack map"),
        (b"\xc1", "one msgpack map"),
        (b"\x80\x80", "one msgpack map, found ExtraData"),
        (b"\x93\x01\x02\x03", r"one msgpack map, found \[1, 2, 3\]"),
        (b"\xdf\xff\xff\xff\xff", "one msgpack map"),
        (b"\x81\x01\x02", "one msgpack map"),
        (b"\x81\xc4\x01a\x02", "text as the name of a field"),
        (msgpack.packb({"op": "x", "args": {"a": nested(7)}}), "at most 8 levels"),
        (msgpack.packb({"op": "x", "args": {"a": nested(600)}}), "levels|StackError"),
        (msgpack.packb({"op": msgpack.ExtType(5, b"x")}), "nil, a number, text"),
        (bytes(MAX_BYTES + 1), f"at most {MAX_BYTES} bytes, found {MAX_BYTES + 1}"),
        (msgpack.packb({"args": {}}), "field 'op': expected this field, found nothing"),
    ],
)
def test_what_is_not_a_message_is_refused(raw: bytes, text: str) -> None:
    with pytest.raises(WireError, match=text):
        decode(Request, raw)


def test_what_cannot_travel_is_refused_before_it_does() -> None:
    with pytest.raises(WireError, match=r"field 'a': expected nil, a number, text"):
        encode(Request(op="x", args={"a": {1, 2}}))
    with pytest.raises(WireError, match="msgpack can hold"):
        encode(Reply(ok=True, result={"a": 2**70}))
    with pytest.raises(WireError, match="at most 8388608 bytes, found 9000"):
        encode(Reply(ok=True, result={"a": bytes(9_000_000)}))


plain = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**64 - 1)
    | st.floats()
    | st.text(max_size=4)
    | st.binary(max_size=24),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(raw=st.binary(max_size=200), kind=st.sampled_from(KINDS))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_any_bytes_decode_or_are_refused(raw: bytes, kind: type[Message]) -> None:
    refused_or_right(kind, raw)


@given(data=st.data(), message=st.sampled_from(EXAMPLES))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_any_damage_to_a_message_decodes_or_is_refused(
    data: st.DataObject, message: Message
) -> None:
    raw = bytearray(encode(message))
    for _ in range(data.draw(st.integers(1, 4))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    refused_or_right(type(message), bytes(raw[: data.draw(st.integers(1, len(raw)))]))


@given(data=st.data(), message=st.sampled_from(EXAMPLES))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_any_values_in_the_fields_decode_or_are_refused(
    data: st.DataObject, message: Message
) -> None:
    fields = message.model_dump()
    name = data.draw(st.sampled_from(sorted(fields)))
    refused_or_right(type(message), msgpack.packb(fields | {name: data.draw(plain)}))


def refused_or_right(kind: type[Message], raw: bytes) -> None:
    try:
        message = decode(kind, raw)
    except WireError:
        return
    assert decode(kind, encode(message)) == message


@given(
    first=st.integers(0, 2**64 - 1),
    count=st.integers(1, 3) | st.integers(1, 2**64 - 1),
    t=st.binary(max_size=24),
    xyz=st.lists(st.floats(width=32), min_size=9, max_size=9).map(
        lambda values: np.array(values, "<f4").tobytes()
    )
    | st.binary(max_size=120),
)
@settings(max_examples=300, deadline=None, derandomize=True)
def test_any_buffers_are_read_or_refused(first: int, count: int, t: bytes, xyz: bytes) -> None:
    reader = FrameReader(description())
    try:
        block = reader.read(Frames(stream="a", first=first, count=count, t=t, xyz=xyz))
    except WireError:
        return
    seen = np.isfinite(block.positions)
    assert (seen.all(axis=2) == seen.any(axis=2)).all()
    assert block.positions[seen.all(axis=2)].any(axis=1).all()


def test_a_frame_of_thirty_markers_takes_few_bytes() -> None:
    info = StreamInfo(labels=tuple(f"M{i}" for i in range(30)), rate_hz=200.0, up="+z")
    described = describe(info, stream="a", source="test")
    positions = np.random.default_rng(1).normal(0, 500, (1, 30, 3))
    one = MarkerBlock(numbers=np.array([5]), t=np.array([0.025]), positions=positions)
    assert len(encode(pack_block(one, described)[0])) < 500


def test_a_stream_is_described_by_what_the_block_says() -> None:
    assert describe(INFO, stream="a", source="test") == description()
    with pytest.raises(WireError, match="field 'side': expected 'both', 'left' or 'right'"):
        describe(INFO, stream="a", source="test", side="top")
    assert frames(5).first == 5
