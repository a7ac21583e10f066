"""What the recorder keeps, counts and says, with a clock of the test's own."""

from __future__ import annotations

from pathlib import Path

import pytest
from mcap.reader import make_reader

from livefit.recording.counting import FrameCount
from livefit.recording.reading import entries, survey
from livefit.recording.recorder import RATE_S, RecordingRun
from livefit.recording.writing import RecordingWriter
from livefit.wire.codec import NAMES, encode
from livefit.wire.messages import Frames, MeanPose, Message, Stroke
from tests.recording.recorded_examples import EPOCH_NS, description, frames_of, messages_of


class Clock:
    def __init__(self) -> None:
        self.now = 50.0

    def __call__(self) -> float:
        return self.now


class Desk:
    """A recording under way on a disk with so much room."""

    def __init__(self, directory: Path, free: int = 10**9) -> None:
        self.clock = Clock()
        self.free = free
        self.writer = RecordingWriter(directory, "ride")
        self.run = RecordingRun(
            self.writer, {"protocol": "1"}, keep_free=1000, free=lambda: self.free,
            clock=self.clock, epoch_ns=lambda: EPOCH_NS,
        )  # fmt: skip

    def hear(self, *messages: Message) -> None:
        for message in messages:
            self.run.take(NAMES[type(message)], message, encode(message), self.clock.now)

    def metadata(self) -> dict[str, list[dict[str, str]]]:
        found: dict[str, list[dict[str, str]]] = {}
        with self.writer.path.open("rb") as file:
            for record in make_reader(file).iter_metadata():
                found.setdefault(record.name, []).append(record.metadata)
        return found


STROKE = Stroke(
    node="n", side="L", event="bdc", measures=["knee_flexion"], stroke=3, t=2.0, marks=0,
    values=[33.3],
)  # fmt: skip


def test_each_message_is_on_the_disk_after_half_a_second(tmp_path: Path) -> None:
    """Read back while the recording goes on, as after a power cut at that moment."""
    desk = Desk(tmp_path)
    desk.hear(description(), *messages_of(frames_of(3), description()), STROKE)
    desk.hear(MeanPose(node="n", labels=[], xyz=b""))
    desk.clock.now += 0.5
    assert desk.run.tick()
    found = survey(desk.writer.path)
    topics = [entry.topic for entry in entries(found)]
    assert topics == ["description", "frames", "frames", "frames", "strokes", "baseline"]
    assert "cut off" in str(found.damage)
    desk.run.close()
    assert survey(desk.writer.path).damage is None


def test_a_burst_does_not_wait_for_its_time(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    big = MeanPose(node="n", labels=[], xyz=bytes(2**19))
    desk.hear(big, big, big)
    assert len(list(entries(survey(desk.writer.path)))) >= 2
    desk.run.close()


def test_times_are_of_arrival_and_of_sending(tmp_path: Path) -> None:
    """A sender on another machine has a clock of its own, whose times mean nothing here."""
    desk = Desk(tmp_path)
    sent = [49.75, None, 7.0, 1e6]
    frames = [
        Frames(stream="abc", first=k, count=1, t=bytes(8), xyz=bytes(36), sent=s)
        for k, s in enumerate(sent)
    ]
    desk.clock.now += 0.25
    desk.hear(*frames)
    desk.run.close()
    now = EPOCH_NS + 250_000_000
    found = list(entries(survey(desk.writer.path)))
    assert [entry.arrived_ns for entry in found] == 4 * [now]
    assert [entry.sent_ns for entry in found] == [now - 500_000_000, now, now - 43_250_000_000, now]


def test_lost_frames_are_recorded_as_lost(tmp_path: Path) -> None:
    """Frames 3, 10 and 11 never come; 5 comes late, but comes; 20 comes twice."""
    desk = Desk(tmp_path)
    all_of_them = messages_of(frames_of(30), description())
    order = [k for k in range(30) if k not in (3, 5, 10, 11)]
    order.insert(order.index(6) + 1, 5)
    order.insert(order.index(20), 20)
    desk.hear(description(), *(all_of_them[k] for k in order))
    desk.clock.now += 2.0
    desk.run.tick()
    progress = desk.run.progress(0)
    assert (progress.frames, progress.lost) == (28, 3)
    desk.run.close(refused=2)
    metadata = desk.metadata()
    assert metadata["gap"] == [{"stream": "abc", "frames": "3 10-11", "lost": "3"}]
    assert metadata["end"] == [{"frames": "28", "lost": "3", "strokes": "0", "refused": "2"}]


def message(first: int, count: int = 1) -> Frames:
    return Frames(stream="abc", first=first, count=count, t=b"", xyz=b"")


def test_a_number_beyond_reason_loses_nothing() -> None:
    count = FrameCount(100.0)
    for k, first in enumerate([0, 1, 2**60, 2, 3, 5]):
        count.take(message(first), 0.01 * k)
    assert [str(gap) for gap in count.settled(5.0)] == ["4"]
    assert count.lost == 1


def test_a_device_that_counts_anew_loses_nothing() -> None:
    count = FrameCount(100.0)
    for k, first in enumerate([5000, 5001, 0, 1, 2]):
        count.take(message(first), 0.01 * k)
    assert count.settled(5.0) == []
    assert count.frames == 5


def test_size_and_time_left_are_told(tmp_path: Path) -> None:
    desk = Desk(tmp_path, free=10**6 + 1000)
    desk.hear(description(), *messages_of(frames_of(100), description()))
    assert desk.run.progress(0).left_s is None
    desk.clock.now += 2 * RATE_S
    desk.run.tick()
    progress = desk.run.progress(0)
    assert progress.size == desk.writer.path.stat().st_size
    assert progress.left_s == pytest.approx(10**6 / (progress.size / (2 * RATE_S)))
    desk.run.close()


def test_a_disk_that_is_nearly_full_ends_the_recording(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.hear(description())
    desk.clock.now += 1.0
    assert desk.run.tick()
    desk.free = 999
    desk.clock.now += 1.0
    assert not desk.run.tick()
    desk.run.close()
    assert survey(desk.writer.path).damage is None
