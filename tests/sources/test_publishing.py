"""The publisher for programs of one's own, and streams that begin anew while the process runs."""

from __future__ import annotations

import time
from dataclasses import replace
from threading import Event, Thread
from typing import Any

import numpy as np
import pytest

from livefit.frames import MarkerBlock, StreamInfo
from livefit.sources.capture import run_capture
from livefit.sources.publish import FramePublisher
from livefit.wire.blocks import FrameReader
from livefit.wire.messages import Description, DeviceState, Frames
from livefit.wire.sockets import Subscriber
from tests.end_to_end.running import free_address

ANY = "tcp://127.0.0.1:0"
PATIENCE_S = 10.0


def received(subscriber: Subscriber, frames: int) -> tuple[list[Description], list[Frames]]:
    """Everything up to so many frames messages."""
    descriptions: list[Description] = []
    messages: list[Frames] = []
    deadline = time.monotonic() + PATIENCE_S
    while len(messages) < frames:
        assert time.monotonic() < deadline, f"{len(messages)} of {frames} messages came"
        for _, message in subscriber.poll(0.1):
            if isinstance(message, Description):
                descriptions.append(message)
            elif isinstance(message, Frames):
                messages.append(message)
    return descriptions, messages


def test_what_is_sent_arrives_with_numbers_and_times_filled_in() -> None:
    with (
        FramePublisher(
            ["R_CA", "R_VM"],
            rate_hz=100.0,
            up="+z",
            unit="m",
            side="right",
            channels=[("workload", "W")],
            endpoint=ANY,
        ) as publisher,
        Subscriber(publisher.endpoint, ["description", "frames"]) as subscriber,
    ):
        assert publisher.wait_for_listener(PATIENCE_S)
        before = time.monotonic()
        publisher.send([[0.25, 0.5, 0.75], None], channels=[180.0])
        publisher.skip(3)
        publisher.send(np.array([[0.25, 0.5, 0.75], [1, 2, 3]]), channels=[np.nan], t=7.5)
        publisher.send([None, None], channels=[1.0], t=7.6, number=40)
        after = time.monotonic()
        assert publisher.next_number == 41
        [description], messages = received(subscriber, 3)
    assert (description.side, description.unit) == ("right", "mm")
    reader = FrameReader(description)
    block = MarkerBlock.joined([reader.read(message) for message in messages])
    assert block.numbers.tolist() == [0, 4, 40]
    assert before <= block.t[0] <= after
    assert block.t[1:].tolist() == [7.5, 7.6]
    # 250, 500 and 750 are whole, so float32 holds them exactly.
    assert block.positions[0, 0].tolist() == [250.0, 500.0, 750.0]
    assert np.isnan(block.positions[0, 1]).all()
    assert block.positions[1, 1].tolist() == [1000.0, 2000.0, 3000.0]
    assert np.isnan(block.positions[2]).all()
    assert block.channels[:, 0].tolist() == pytest.approx([180.0, np.nan, 1.0], nan_ok=True)


@pytest.mark.parametrize(
    ("described", "expected"),
    [
        ({"labels": []}, "at least one marker label"),
        ({"labels": ["a", "a"]}, "unique"),
        ({"rate_hz": 0.0}, "frame rate"),
        ({"rate_hz": 1e5}, "rate_hz"),
        ({"up": "z"}, "up axis"),
        ({"unit": "inch"}, "unit: expected one of"),
        ({"side": "front"}, "side"),
        ({"sampling": "often"}, "sampling"),
    ],
)
def test_a_wrong_description_is_told_at_once(described: dict[str, Any], expected: str) -> None:
    right = {"labels": ["a"], "rate_hz": 100.0, "up": "+z", "endpoint": ANY}
    arguments: dict[str, Any] = right | described
    with pytest.raises(ValueError, match=expected):
        FramePublisher(**arguments)


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        ({"positions": [[1, 2, 3]]}, "expected 2 positions"),
        ({"positions": [[1, 2, 3], [1, 2]]}, "marker R_VM: expected x, y, z"),
        ({"positions": [[1, 2, 3], [10**400, 1, 2]]}, "marker R_VM: expected x, y, z as numbers"),
        ({"positions": [[1, 2, 3], [1, "a", [2]]]}, "marker R_VM: expected x, y, z as numbers"),
        ({"t": 1.1e12}, "t: expected seconds"),
        ({"t": float("nan")}, "t: expected seconds"),
        ({"channels": [1.0]}, "expected 0 channel values"),
        ({"number": 0}, "expected 1 or more, got 0"),
        ({"t": 0.5}, "must rise"),
    ],
)
def test_a_wrong_frame_is_told_and_not_sent(sent: dict[str, Any], expected: str) -> None:
    with FramePublisher(
        ["R_CA", "R_VM"], rate_hz=100.0, up="+z", sampling="stamped", endpoint=ANY
    ) as publisher:
        publisher.send([None, None], t=0.5)
        arguments: dict[str, Any] = {"positions": [None, None], "t": 0.6} | sent
        with pytest.raises(ValueError, match=expected):
            publisher.send(**arguments)
        publisher.send([None, None], t=0.6)
        assert publisher.next_number == 2


def test_the_device_says_how_it_is() -> None:
    with (
        FramePublisher(["R_CA"], rate_hz=100.0, up="+z", endpoint=ANY) as publisher,
        Subscriber(publisher.endpoint, ["frames", "device"]) as subscriber,
    ):
        assert publisher.wait_for_listener(PATIENCE_S)
        publisher.report(battery=0.5, lost=3)
        with pytest.raises(ValueError, match="battery"):
            publisher.report(battery=50.0)
        [(topic, state)] = subscriber.poll(PATIENCE_S)
    assert topic == "device"
    assert isinstance(state, DeviceState)
    assert (state.battery, state.link, state.lost) == (0.5, None, 3)


def test_nobody_listens() -> None:
    with FramePublisher(["R_CA"], rate_hz=100.0, up="+z", endpoint=ANY) as publisher:
        assert not publisher.wait_for_listener(0.01)
        publisher.send([None])


class Restarting:
    """A source that is silent, then speaks, then begins anew at frame 0."""

    name = "restarting"

    def __init__(self) -> None:
        self.info: StreamInfo | None = None
        self.go = Event()
        self._reads = 0

    def describe(self) -> StreamInfo | None:
        return self.info

    def read(self, timeout_s: float) -> MarkerBlock | None:
        if not self.go.wait(timeout_s):
            return None
        self._reads += 1
        if self._reads == 1:
            self.info = StreamInfo(("R_CA",), 100.0, "+z")
        elif self._reads == 5:
            assert self.info is not None
            self.info = replace(self.info)
        elif self._reads > 8:
            self.go.clear()
            return None
        number = (self._reads - 1) % 4
        return MarkerBlock(np.array([number]), np.array([0.01 * number]), np.ones((1, 1, 3)))

    def control(self, op: str, args: dict[str, Any]) -> dict[str, Any]:
        raise ValueError(op)

    def close(self) -> None:
        self.go.clear()


def test_a_device_that_begins_anew_becomes_a_new_stream() -> None:
    source, done = Restarting(), Event()
    frames_at = free_address()
    with Subscriber(frames_at, ["description", "frames"]) as subscriber:
        thread = Thread(
            target=run_capture,
            args=(source, frames_at, ANY, done.is_set),
            kwargs={"lossless": True},
        )
        thread.start()
        source.go.set()
        descriptions, messages = received(subscriber, 8)
        done.set()
        thread.join(PATIENCE_S)
    assert not thread.is_alive()
    first, second = (description.stream for description in descriptions)
    assert first != second
    assert [message.stream for message in messages] == [first] * 4 + [second] * 4
    assert [message.first for message in messages] == [0, 1, 2, 3] * 2
