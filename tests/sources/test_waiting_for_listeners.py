"""A source that can wait begins when those who were about to listen do."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread

import numpy as np
import pytest

from livefit.frames import MarkerBlock, StreamInfo
from livefit.sources import capture
from livefit.sources.reading import Recording
from livefit.sources.recording import ReplaySource
from livefit.wire.messages import Description, Frames
from livefit.wire.sockets import Subscriber
from simulators import RiderSimulation, Sensor
from simulators.source import SimulatedSource
from tests.end_to_end.running import free_address

TOPICS = ["description", "frames"]
ANY = "tcp://127.0.0.1:*"
PATIENCE_S = 20.0
COUNT = 40


def replay(speed: float) -> ReplaySource:
    numbers = np.arange(5, 5 + COUNT)
    block = MarkerBlock(numbers, numbers / 100.0, np.ones((COUNT, 1, 3)))
    info = StreamInfo(labels=("R_LM",), rate_hz=100.0, up="+z")
    return ReplaySource(Recording(Path("ride.trc"), info, block), speed=speed)


def simulated() -> SimulatedSource:
    return SimulatedSource(RiderSimulation(seed=1), Sensor(rate_hz=100.0))


@contextmanager
def published(
    source: ReplaySource | SimulatedSource, at: str, *, lossless: bool = False
) -> Iterator[Thread]:
    done = Event()
    thread = Thread(
        target=capture.run_capture,
        args=(source, at, ANY, done.is_set),
        kwargs={"lossless": lossless},
    )
    thread.start()
    try:
        yield thread
    finally:
        done.set()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def first_frame(listener: Subscriber) -> int:
    while messages := listener.poll(PATIENCE_S):
        for _, message in messages:
            if isinstance(message, Frames):
                return message.first
    raise AssertionError("no frame came")


@pytest.mark.parametrize(
    ("source", "lossless", "first"),
    [(replay(1.0), False, 5), (replay(0.0), True, 5), (simulated(), False, 0)],
    ids=["replay", "flat out", "simulated"],
)
def test_who_listens_a_moment_later_has_the_first_frame_too(
    source: ReplaySource | SimulatedSource,
    lossless: bool,
    first: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(capture, "SETTLED_S", 1.5)
    monkeypatch.setattr(capture, "MOST_SETTLING_S", PATIENCE_S)
    at = free_address()
    with Subscriber(at, TOPICS) as recorder, published(source, at, lossless=lossless):
        assert isinstance(recorder.poll(PATIENCE_S)[0][1], Description)
        with Subscriber(at, TOPICS) as node:
            assert first_frame(recorder) == first
            assert first_frame(node) == first


def test_it_does_not_wait_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture, "SETTLED_S", 1e9)
    at = free_address()
    with Subscriber(at, TOPICS) as alone, published(replay(1.0), at):
        assert first_frame(alone) == 5


def test_a_replay_to_nobody_ends_all_the_same() -> None:
    with published(replay(1.0), free_address()) as thread:
        thread.join(PATIENCE_S)
        assert not thread.is_alive()
