"""Messages as they come, mangled ones among them."""

from __future__ import annotations

import msgpack
import numpy as np
import pytest

from livefit.checking.listening import Listener
from livefit.frames import MarkerBlock
from livefit.wire.blocks import describe, pack_block
from livefit.wire.codec import encode
from livefit.wire.messages import Description, Frames
from tests.checking.checked_examples import INFO, judged, names, ride, rows, the


def description(stream: str = "one") -> Description:
    return describe(INFO, stream=stream, source="by hand")


def frames(block: MarkerBlock, stream: str = "one") -> Frames:
    [message] = pack_block(block, description(stream))
    return message


def test_frames_come_with_the_time_of_their_arrival() -> None:
    listener = Listener("here", 100.0)
    listener.take(description(), 100.5)
    listener.take(frames(rows(ride(), slice(0, 3))), 101.0)
    heard = listener.heard(103.0)
    [stream] = heard.streams
    assert (stream.side, stream.frames, heard.seconds) == ("both", 3, 3.0)
    assert stream.arrivals[0].at_s == 101.0
    assert heard.ended_s == 2.0
    assert heard.described_after_s == pytest.approx(-0.5)


def test_zeros_are_counted_by_label() -> None:
    block = rows(ride(), slice(0, 4))
    positions = block.positions.copy()
    positions[1:3, INFO.labels.index("R_LE")] = 0.0
    listener = Listener("here", 0.0)
    listener.take(description(), 0.0)
    listener.take(frames(MarkerBlock(block.numbers, block.t, positions)), 0.1)
    [stream] = listener.heard(1.0).streams
    assert stream.zeros == {"R_LE": 2}
    assert np.isnan(stream.arrivals[0].block.positions[1, INFO.labels.index("R_LE")]).all()


def test_frames_that_nobody_described_are_counted() -> None:
    listener = Listener("here", 0.0)
    listener.take(frames(rows(ride(), slice(0, 1))), 0.1)
    listener.take(description("another"), 0.2)
    listener.take(frames(rows(ride(), slice(1, 2))), 0.3)
    heard = listener.heard(1.0)
    assert heard.undescribed == 2
    assert heard.described_after_s == pytest.approx(0.1)


def test_bytes_that_are_no_message_are_refused_with_the_reason() -> None:
    listener = Listener("here", 0.0)
    listener.take_raw("description", encode(description()), 0.0)
    listener.take_raw("frames", b"\xc1\xc1", 0.1)
    listener.take_raw("frames", encode(frames(rows(ride(), slice(0, 1))))[:-5], 0.2)
    heard = listener.heard(1.0)
    assert heard.refused == 2
    assert "msgpack" in heard.reasons[-1]


def test_a_description_that_lacks_a_field() -> None:
    fields = msgpack.unpackb(encode(description()))
    del fields["up"]
    listener = Listener("here", 0.0)
    listener.take_raw("description", msgpack.packb(fields), 0.0)
    listener.take(frames(rows(ride(), slice(0, 1))), 0.1)
    report = judged(listener.heard(5.0))
    assert {"description_incomplete", "mangled", "silent"} == names(report)
    assert "'up'" in the(report, "description_incomplete").text
    assert report.judged


def test_a_description_that_changes_under_its_stream_id() -> None:
    listener = Listener("here", 0.0)
    listener.take(description(), 0.0)
    listener.take(description(), 0.5)
    listener.take(description().model_copy(update={"rate_hz": 50.0}), 1.0)
    heard = listener.heard(2.0)
    assert heard.refused == 1
    assert "new stream id" in heard.reasons[0]
