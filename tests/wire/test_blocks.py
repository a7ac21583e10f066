"""Marker blocks to messages and back."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from livefit.frames import Channel, MarkerBlock, StreamInfo
from livefit.wire.blocks import (
    FrameReader,
    describe,
    joined,
    pack_block,
    runs,
    stream_info,
    unpack_frames,
)
from livefit.wire.codec import MAX_BYTES, WireError, decode, encode
from livefit.wire.messages import Description, Frames
from tests.wire.wire_examples import INFO, block, description, frames


def test_a_block_comes_back_in_its_precision() -> None:
    positions = np.random.default_rng(3).normal(0, 800, (40, 3, 3))
    sent = MarkerBlock(numbers=np.arange(40), t=np.arange(40) / 200.0, positions=positions)
    for precision, error_mm in (("f8", 0.0), ("f4", 4096 * 2.0**-24)):
        described = description(precision=precision)
        (message,) = pack_block(sent, described)
        got = unpack_frames(decode(Frames, encode(message)), described)
        np.testing.assert_array_equal(got.numbers, sent.numbers)
        np.testing.assert_array_equal(got.t, sent.t)
        # IEEE 754: float32 rounds a number below 4096 by at most 4096 * 2**-24.
        assert np.abs(got.positions - positions).max() <= error_mm


def test_the_buffer_is_little_endian_frame_by_frame() -> None:
    message = frames(2, 2)
    # numpy's own reading of the layout that the protocol document states.
    assert np.frombuffer(message.t, "<f8").tolist() == [0.01, 0.015]
    assert np.frombuffer(message.xyz, "<f4")[:4].tolist() == [102, 103, 104, 105]
    assert np.frombuffer(message.xyz, "<f4")[9] == 103


def test_metres_become_millimetres() -> None:
    described = description().model_copy(update={"unit": "m", "precision": "f8"})
    xyz = np.array([[0.1, -0.2, 0.3]] * 3).tobytes()
    got = unpack_frames(Frames(stream="a", first=0, count=1, t=bytes(8), xyz=xyz), described)
    np.testing.assert_allclose(got.positions[0, 0], [100, -200, 300], rtol=1e-15)
    (back,) = pack_block(got, described)
    np.testing.assert_allclose(np.frombuffer(back.xyz), np.frombuffer(xyz), rtol=1e-15)


def test_missing_is_nan_and_zero_is_never_a_position() -> None:
    xyz = np.array([[0, 0, 0], [np.nan, 5, 5], [0, 0, 7]], "<f4").tobytes()
    reader = FrameReader(description())
    got = reader.read(Frames(stream="a", first=0, count=1, t=bytes(8), xyz=xyz))
    np.testing.assert_array_equal(got.positions[0], [[np.nan] * 3, [np.nan] * 3, [0, 0, 7]])
    assert reader.zero_positions == 1


def test_a_place_beyond_four_bytes_is_missing_and_takes_nothing_with_it() -> None:
    """IEEE 754: the largest float32 is about 3.4e38."""
    sent = block(0, 1)
    sent.positions[0, 1, 0] = 1e300
    (message,) = pack_block(sent, description(precision="f4"))
    got = unpack_frames(message, description(precision="f4"))
    assert np.isnan(got.positions[0, 1]).all()
    np.testing.assert_array_equal(got.positions[0, [0, 2]], sent.positions[0, [0, 2]])


@pytest.mark.parametrize("precision", ["f4", "f8"])
@pytest.mark.parametrize("value", ["signalling", "infinite", "largest"])
def test_whatever_bits_come_are_read_without_a_warning(precision: str, value: str) -> None:
    """IEEE 754: a signalling NaN has the highest bit of its fraction clear."""
    bits = {
        "f4": {"signalling": 0x7F800001, "infinite": 0x7F800000, "largest": 0x7F7FFFFF},
        "f8": {
            "signalling": 0x7FF0 << 48 | 1,
            "infinite": 0x7FF0 << 48,
            "largest": 2**63 - 2**52 - 1,
        },
    }
    one = np.array([bits[precision][value]], "<u4" if precision == "f4" else "<u8").tobytes()
    size = len(one)
    xyz = np.ones(9, f"<{precision}").tobytes()
    reader = FrameReader(description(precision=precision))
    got = reader.read(Frames(stream="a", first=0, count=1, t=bytes(8), xyz=one + xyz[size:]))
    assert np.isnan(got.positions[0, 0]).all() == (value != "largest")
    np.testing.assert_array_equal(got.positions[0, 1:], np.ones((2, 3)))
    stamp = np.array([bits["f8"][value]], "<u8").tobytes()
    with pytest.raises(WireError, match="time stamps within"):
        reader.read(Frames(stream="a", first=1, count=1, t=stamp, xyz=xyz))


def test_channels_travel_with_the_frames() -> None:
    info = StreamInfo(("R_GT",), 100.0, "+y", channels=(Channel("workload", "W"),))
    described = describe(info, stream="a", source="test")
    sent = MarkerBlock(
        numbers=np.array([1, 2]),
        t=np.array([0.01, 0.02]),
        positions=np.ones((2, 1, 3)),
        channels=np.array([[250.0], [np.nan]]),
    )
    (message,) = pack_block(sent, described)
    np.testing.assert_array_equal(unpack_frames(message, described).channels, sent.channels)
    assert stream_info(described) == info


def test_a_gap_in_the_numbers_starts_a_new_message() -> None:
    numbers = np.array([3, 4, 8, 9, 10, 20])
    sent = MarkerBlock(numbers=numbers, t=numbers / 200.0, positions=np.ones((6, 3, 3)))
    messages = pack_block(sent, description(), sent=1.5)
    assert [(m.first, m.count, m.sent) for m in messages] == [
        (3, 2, 1.5), (8, 3, 1.5), (20, 1, 1.5),
    ]  # fmt: skip
    nothing = MarkerBlock(numbers[:0], numbers[:0] / 200.0, np.ones((0, 3, 3)))
    assert pack_block(nothing, description()) == []


def test_a_long_block_is_cut_so_that_every_message_fits() -> None:
    many = StreamInfo(tuple(f"M{i}" for i in range(500)), 200.0, "+z")
    described = describe(many, stream="a", source="test", precision="f8")
    messages = pack_block(block(0, 1000, labels=500), described)
    assert sum(m.count for m in messages) == 1000
    assert max(len(encode(m)) for m in messages) < MAX_BYTES
    reader = FrameReader(described)
    numbers = np.concatenate([reader.read(m).numbers for m in messages])
    np.testing.assert_array_equal(numbers, np.arange(1000))


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"xyz": bytes(35)}, r"'xyz': expected 36 bytes \(1 x 3 x 3 <f4\), found 35 bytes; count,"),
        ({"count": 2}, r"'t': expected 16 bytes \(2 <f8\), found 8 bytes"),
        ({"channels": bytes(8)}, r"'channels': expected 0 bytes \(1 x 0 <f8\), found 8 bytes"),
        ({"stream": "b"}, "'stream': expected 'a', found 'b'; wait for that stream's description"),
        ({"first": 2**63}, "'first': expected numbers up to"),
        ({"t": np.array([np.nan]).tobytes()}, "'t': expected time stamps within 1e.12 s, found 1"),
        ({"t": np.array([1.78e18]).tobytes()}, "found 1 that are not, 1.78e.18 the first of them"),
    ],
)
def test_a_buffer_that_does_not_fit_is_refused(change: dict[str, Any], text: str) -> None:
    message = frames(5).model_copy(update=change)
    with pytest.raises(WireError, match=text):
        unpack_frames(message, description())


def test_time_may_jitter_only_where_the_stream_is_periodic() -> None:
    t = np.array([0.010, 0.009]).tobytes()
    message = frames(5, 2).model_copy(update={"t": t})
    assert unpack_frames(message, description()).t.tolist() == [0.010, 0.009]
    stamped = description().model_copy(update={"sampling": "stamped"})
    with pytest.raises(WireError, match="expected rising time stamps, found a step of zero"):
        unpack_frames(message, stamped)


def test_a_block_of_another_size_than_described_is_refused() -> None:
    with pytest.raises(WireError, match="expected 3 markers and 0 channels, found 2 and 0"):
        pack_block(block(0, 1, labels=2), description())


@pytest.mark.parametrize(
    ("labels", "text"),
    [
        ([], "unique labels, at least one, found a stream needs at least one"),
        (["A", "A"], "unique labels, at least one, found marker labels must be unique, got A"),
        ([str(i) for i in range(1001)], "at most 1000 labels, found 1001"),
    ],
)
def test_labels_that_cannot_be_are_refused(labels: list[str], text: str) -> None:
    described = Description(
        stream="a", source="test", labels=labels, unit="mm", up="+z", rate_hz=200.0, side="both"
    )
    with pytest.raises(WireError, match=text):
        FrameReader(described)


def test_the_example_description_says_what_the_stream_is() -> None:
    assert stream_info(description()) == INFO


def test_messages_that_follow_each_other_are_read_as_one() -> None:
    sent = [frames(first, count) for first, count in ((2, 2), (4, 1), (5, 3), (9, 1))]
    together, alone = runs(sent)
    assert alone == sent[-1:]
    one = joined(together)
    assert (one.first, one.count) == (2, 6)
    read = unpack_frames(one, description())
    apart = MarkerBlock.joined([unpack_frames(each, description()) for each in sent[:-1]])
    np.testing.assert_array_equal(read.numbers, apart.numbers)
    np.testing.assert_array_equal(read.t, apart.t)
    np.testing.assert_array_equal(read.positions, apart.positions)


@pytest.mark.parametrize(
    "change",
    [{"stream": "another"}, {"first": 5}, {"first": 3}, {"t": b"short"}, {"xyz": b""}],
)
def test_messages_that_do_not_fit_together_stay_apart(change: dict[str, Any]) -> None:
    sent = [frames(2, 2), frames(4, 1).model_copy(update=change)]
    assert runs(sent) == [sent[:1], sent[1:]]
    assert joined(sent[:1]) == sent[0]
    assert runs([]) == []
