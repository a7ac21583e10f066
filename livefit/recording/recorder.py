"""The recorder: a process of its own that keeps every message it hears."""

from __future__ import annotations

import math
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from livefit.recording.counting import FrameCount
from livefit.recording.errors import makeable
from livefit.recording.writing import RecordingWriter, name_of, private_directory
from livefit.wire.messages import PROTOCOL, Description, Frames, Message, Recorded
from livefit.wire.sockets import ControlClient, Subscriber, wait

FLUSH_S: Final = 0.5
"""What was heard is on the disk so soon."""
FLUSH_BYTES: Final = 2**20
KEEP_FREE: Final = 500 * 10**6
"""Bytes that are left free on the disk: the system and other programs need some."""
RATE_S: Final = 10.0
"""Before so long the time left on the disk is not told."""
_WAIT_S: Final = 0.1
_MOST_DELAY_S: Final = 60.0
"""A sender whose clock is farther off than this is on another machine."""

FROM_FRAMES: Final = ("description", "frames", "device")
FROM_RESULTS: Final = ("results", "strokes", "cycles", "changes", "baseline", "bicycle")


@dataclass(frozen=True)
class Progress:
    """How a recording is.

    Attributes
    ----------
    path
        The file.
    seconds
        Since it began.
    frames, lost
        Frames recorded, and frame numbers that never came.
    strokes
        Strokes' values recorded.
    refused
        Messages that did not follow the protocol and are not in the file.
    size
        Bytes in the file.
    left_s
        How long the disk has room for; None: not known yet.
    full
        Whether the recording ended because the disk is nearly full.
    """

    path: Path
    seconds: float
    frames: int
    lost: int
    strokes: int
    refused: int
    size: int
    left_s: float | None
    full: bool = False


class RecordingRun:
    """What is being recorded: messages in, a file out; without a socket.

    Parameters
    ----------
    writer
        The file.
    notes
        What is said of the recording in its file.
    keep_free
        Bytes to leave free on the disk.
    free
        Returns the bytes free where the file is; None: the writer is asked.
    clock, epoch_ns
        Steady time in s, and nanoseconds since 1970, read once: a clock that is set while a
        recording runs does not turn its order round.
    """

    def __init__(
        self,
        writer: RecordingWriter,
        notes: Mapping[str, str],
        *,
        keep_free: int = KEEP_FREE,
        free: Callable[[], int] | None = None,
        clock: Callable[[], float] = time.monotonic,
        epoch_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._writer = writer
        self._keep_free = keep_free
        self._free = free or writer.free
        self._left = self._free()
        self._clock = clock
        self._began = self._flushed = clock()
        self._epoch_ns = epoch_ns()
        self._streams: dict[str, FrameCount] = {}
        self._waiting = 0
        self._room = True
        self._strokes = 0
        self._writer.note("recording", dict(notes))
        self._writer.flush()

    def take(self, topic: str, message: Message, raw: bytes, arrived: float) -> None:
        """Keep a message; arrived: on the steady clock, s."""
        sent = getattr(message, "sent", None)
        if sent is None or not 0 <= arrived - sent <= _MOST_DELAY_S:
            sent = arrived
        self._writer.add(topic, raw, arrived_ns=self._ns(arrived), sent_ns=self._ns(sent))
        self._waiting += len(raw)
        if isinstance(message, Description):
            self._streams.setdefault(message.stream, FrameCount(message.rate_hz))
        elif isinstance(message, Frames) and message.stream in self._streams:
            self._streams[message.stream].take(message, arrived)
        self._strokes += topic == "strokes"
        if self._waiting >= FLUSH_BYTES:
            self._flush(arrived)

    def _ns(self, moment: float) -> int:
        return self._epoch_ns + round(1e9 * (moment - self._began))

    def tick(self) -> bool:
        """Write what is due; False: the disk is nearly full.

        Raises
        ------
        RecordingStoppedError
            If the file cannot be written on.
        """
        now = self._clock()
        if now - self._flushed >= FLUSH_S:
            self._flush(now)
        return self._room

    def _flush(self, now: float) -> None:
        self._note_lost(now)
        self._writer.flush()
        self._waiting, self._flushed = 0, now
        self._left = self._free()
        self._room = self._left > self._keep_free

    def _note_lost(self, now: float) -> None:
        for stream, count in self._streams.items():
            gaps = count.settled(now)
            if gaps:
                lost = sum(gap.last - gap.first + 1 for gap in gaps)
                numbers = " ".join(map(str, gaps))
                self._writer.note("gap", {"stream": stream, "frames": numbers, "lost": str(lost)})

    def close(self, refused: int = 0) -> None:
        """Say what was lost, and close the file."""
        self._note_lost(math.inf)
        progress = self.progress(refused)
        told = ("frames", "lost", "strokes", "refused")
        self._writer.note("end", {name: str(getattr(progress, name)) for name in told})
        self._writer.close()

    def progress(self, refused: int, *, full: bool = False) -> Progress:
        """Say how it is; refused: messages that did not follow the protocol."""
        seconds = self._clock() - self._began
        left = None
        if seconds >= RATE_S:
            room = max(0, self._left - self._keep_free)
            left = room / max(self._writer.size / seconds, 1.0)
        return Progress(
            path=self._writer.path,
            seconds=seconds,
            frames=sum(count.frames for count in self._streams.values()),
            lost=sum(count.lost for count in self._streams.values()),
            strokes=self._strokes,
            refused=refused,
            size=self._writer.size,
            left_s=left,
            full=full,
        )


@contextmanager
def _client(endpoint: str | None) -> Iterator[ControlClient | None]:
    if endpoint is None:
        yield None
        return
    with ControlClient(endpoint) as client:
        yield client


def new_recording(directory: Path, keep_free: int = KEEP_FREE) -> RecordingWriter:
    """Create the file of a recording that begins now, named by the time of day.

    Raises
    ------
    OSError
        If it cannot be created, or fewer bytes than `keep_free` are free.
    """
    private_directory(directory)
    with makeable(directory):
        free = shutil.disk_usage(directory).free
    if free <= keep_free:
        raise OSError(
            f"the disk of {directory} is nearly full: {free / 1e6:.0f} MB are free, and "
            f"{keep_free / 1e6:.0f} MB are to be left free. Make room, record to another disk, "
            "or leave less free"
        )
    return RecordingWriter(directory, name_of(datetime.now()))


class Announcer:
    """Tells the node how the recording is, so that every window shows it.

    Never waits for the node, which may be away.

    Parameters
    ----------
    client
        The node's control socket; None: nobody is told.
    """

    def __init__(self, client: ControlClient | None) -> None:
        self._client = client
        self._next_s = 0.0

    def tell(self, recording: RecordingRun, refused: int, now: float) -> None:
        """Say it if it is due; now: of the steady clock, s."""
        if self._client is None or now < self._next_s:
            return
        self._next_s = now + FLUSH_S
        progress = recording.progress(refused)
        told = {key: getattr(progress, key) for key in Recorded.model_fields}
        self._client.tell("recording", {"name": progress.path.name, **told})

    def end(self, why: str = "") -> None:
        """Say that it ended, and why if it was not meant to."""
        if self._client is not None:
            self._client.tell("recording", {"name": None, "ended": why})


def run_recorder(
    frames_endpoint: str,
    results_endpoint: str,
    directory: Path,
    stop: Callable[[], bool],
    *,
    control_endpoint: str | None = None,
    keep_free: int = KEEP_FREE,
    on_progress: Callable[[Progress], None] = lambda _: None,
) -> Progress:
    """Record until `stop` says so or the disk is nearly full, and close the file.

    Parameters
    ----------
    frames_endpoint, results_endpoint
        Where the source and the node publish; both may come and go.
    directory
        Where the file is made.
    stop
        Asked many times a second.
    control_endpoint
        Where the node is told how the recording is; None: it is not told.
    keep_free
        Bytes to leave free on the disk.
    on_progress
        Told after every chunk how it is.

    Returns
    -------
    Progress
        How it was at the end.

    Raises
    ------
    EndpointError
        When an address cannot be used.
    OSError
        When the file cannot be created.
    RecordingStoppedError
        When the file cannot be written on; what is in it stays.
    """
    notes = {
        "protocol": str(PROTOCOL),
        "started": datetime.now().astimezone().isoformat(timespec="milliseconds"),
    }
    with (
        Subscriber(frames_endpoint, FROM_FRAMES) as frames,
        Subscriber(results_endpoint, FROM_RESULTS) as results,
        _client(control_endpoint) as client,
        new_recording(directory, keep_free) as writer,
    ):
        recording, announcer = RecordingRun(writer, notes, keep_free=keep_free), Announcer(client)
        size, room = writer.size, True
        while room and not stop():
            wait([frames, results], _WAIT_S)
            for heard in (frames, results):
                messages = heard.poll_raw()
                arrived = time.monotonic()
                for topic, message, raw in messages:
                    recording.take(topic, message, raw, arrived)
            try:
                room = recording.tick()
            except OSError as error:
                announcer.end(str(error.strerror or error))
                raise
            refused = frames.refused + results.refused
            if writer.size != size:
                size = writer.size
                on_progress(recording.progress(refused))
            announcer.tell(recording, refused, time.monotonic())
        announcer.end("" if room else "the disk is nearly full")
        recording.close(refused)
        return recording.progress(refused, full=not room)
