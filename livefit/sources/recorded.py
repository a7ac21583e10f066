"""What ``livefit record`` kept: read as one recording, or played message by message."""

from __future__ import annotations

import time
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from livefit.frames import MarkerBlock, StreamInfo
from livefit.recording.reading import Survey, entries, survey
from livefit.recording.writing import ENDING
from livefit.sources.reading import UP, Recording, RecordingError
from livefit.wire.blocks import FrameReader, joined, runs
from livefit.wire.codec import WireError, decode
from livefit.wire.messages import Description, DeviceState, Frames, Message

SEAM_S: Final = 1.0
"""Frames that are missing between two rounds, in time, so that no stroke spans the seam."""
ANEW_S: Final = 1.0
"""Numbers that go back by more than so much time: the device began to count anew."""
_TOGETHER: Final = 256
_TOPICS: Final[dict[str, type[Message]]] = {
    "description": Description,
    "frames": Frames,
    "device": DeviceState,
}


@dataclass
class _Unread:
    """Messages that did not follow the protocol."""

    count: int = 0


@dataclass
class _Stream:
    """A stream of a recording while it is played."""

    description: Description
    reader: FrameReader
    info: StreamInfo
    numbers: tuple[int, int] | None = None
    times: tuple[float, float] | None = None
    shift_numbers: int = 0
    shift_s: float = 0.0

    def shifted(self, block: MarkerBlock) -> MarkerBlock:
        """Return a block as it is played in this round, and note what it spans."""
        low, high = self.numbers or (int(block.numbers[0]), 0)
        begin, end = self.times or (float(block.t[0]), float(block.t[0]))
        self.numbers = min(low, int(block.numbers[0])), max(high, int(block.numbers[-1]))
        self.times = min(begin, float(block.t[0])), max(end, float(block.t[-1]))
        if not self.shift_numbers:
            return block
        return replace(block, numbers=block.numbers + self.shift_numbers, t=block.t + self.shift_s)

    def next_round(self) -> None:
        """Let numbers and times go on rising from here."""
        if self.numbers is not None and self.times is not None:
            gap = max(1, round(SEAM_S * self.info.rate_hz))
            self.shift_numbers += self.numbers[1] - self.numbers[0] + gap
            self.shift_s += self.times[1] - self.times[0] + gap / self.info.rate_hz


@dataclass
class _Part:
    """Frames of one stream whose numbers go on rising, but for disorder on the way."""

    description: Description
    info: StreamInfo
    blocks: list[MarkerBlock] = field(default_factory=list)
    last: int = -1


def _messages(
    found: Survey, from_s: float, unread: _Unread
) -> Iterator[tuple[float, Description | Frames | DeviceState]]:
    """Yield messages and when they came, s after the beginning that was asked for."""
    begin_ns = found.first_ns + round(1e9 * from_s)
    for entry in entries(found, topics=tuple(_TOPICS), from_s=from_s):
        try:
            message = decode(_TOPICS[entry.topic], entry.raw)
        except WireError:
            unread.count += 1
            continue
        if isinstance(message, Description | Frames | DeviceState):
            yield max(0.0, (entry.arrived_ns - begin_ns) / 1e9), message


def _with_up(info: StreamInfo, up: str | None, path: Path) -> StreamInfo:
    if up is None:
        return info
    if up not in UP:
        raise RecordingError(f"{path}: the up axis must be one of {', '.join(UP)}, found {up!r}")
    return replace(info, up=UP[up])


def refuse_units(units: str | None, path: Path) -> None:
    """Raise ``RecordingError`` if a unit of length is given, which a recording says itself."""
    if units is not None:
        raise RecordingError(
            f"{path}: the option units is for files that do not say their unit of length; "
            "a recording says it. Leave the option out"
        )


def read_recorded(path: Path, *, up: str | None = None, units: str | None = None) -> Recording:
    """Read the frames of a recording; of several streams in it, the longest.

    The frames are those that arrived, in the order of their numbers, each once.

    Parameters
    ----------
    path
        Of the ``.mcap`` file.
    up
        The axis that points up, if the recorded description is wrong about it.
    units
        Must be None.

    Raises
    ------
    RecordingError
        If no frame in it can be read, or an option is wrong.
    OSError
        If it cannot be opened.
    """
    refuse_units(units, path)
    found = _surveyed(path)
    unread = _Unread()
    parts = [part for part in _parts(found, unread) if part.blocks]
    if not parts:
        raise RecordingError(
            f"{path}: holds no frame that can be read; record while the capture process runs"
        )
    notes = [] if found.damage is None else [str(found.damage)]
    if unread.count:
        notes.append(f"messages that do not follow the protocol were left out: {unread.count}")
    counts = [sum(map(len, part.blocks)) for part in parts]
    chosen = parts[int(np.argmax(counts))]
    if len(parts) > 1:
        others = ", ".join(str(count) for count in counts)
        notes.append(
            f"the stream began {len(parts)} times, with {others} frames: the longest is taken; "
            "to see all of them, play the recording"
        )
    block = _in_order(chosen.blocks, notes)
    info = _with_up(chosen.info, up, path)
    return Recording(path, info, block, tuple(notes), marker_set=chosen.description.marker_set)


def _surveyed(path: Path) -> Survey:
    try:
        return survey(path)
    except ValueError as error:
        raise RecordingError(str(error)) from error


def _parts(found: Survey, unread: _Unread) -> list[_Part]:
    parts: list[_Part] = []
    readers: dict[str, tuple[Description, FrameReader]] = {}
    newest: dict[str, _Part] = {}
    waiting: list[Frames] = []

    def use() -> None:
        for run in runs(waiting):
            described, reader = readers[run[0].stream]
            for block in _blocks(reader, run, unread):
                part = newest.get(described.stream)
                first, last = int(block.numbers[0]), int(block.numbers[-1])
                if part is None or first < part.last - ANEW_S * reader.info.rate_hz:
                    part = newest[described.stream] = _Part(described, reader.info)
                    parts.append(part)
                part.blocks.append(block)
                part.last = max(part.last, last)
        waiting.clear()

    for _, message in _messages(found, 0.0, unread):
        if isinstance(message, Description) and message.stream not in readers:
            try:
                readers[message.stream] = message, FrameReader(message)
            except WireError:
                unread.count += 1
        elif isinstance(message, Frames) and message.stream in readers:
            waiting.append(message)
            if len(waiting) >= _TOGETHER:
                use()
    use()
    return parts


def _blocks(reader: FrameReader, run: list[Frames], unread: _Unread) -> list[MarkerBlock]:
    """Read messages as one; where that is refused, one by one, as the node does."""
    try:
        return [reader.read(joined(run))]
    except WireError:
        if len(run) == 1:
            unread.count += 1
            return []
    return [block for message in run for block in _blocks(reader, [message], unread)]


def _in_order(blocks: list[MarkerBlock], notes: list[str]) -> MarkerBlock:
    """Join blocks into one in the order of the numbers, each number once, the first that came."""
    numbers = np.concatenate([block.numbers for block in blocks])
    t = np.concatenate([block.t for block in blocks])
    positions = np.concatenate([block.positions for block in blocks])
    channels = np.concatenate([block.channels for block in blocks])
    if (np.diff(numbers) > 0).all():
        return MarkerBlock(numbers, t, positions, channels)
    rising, first = np.unique(numbers, return_index=True)
    notes.append(
        f"frames came out of turn or twice, {len(numbers) - len(rising)} of them twice: they "
        "were put in order, so that numbers may differ from those shown then"
    )
    return MarkerBlock(rising, t[first], positions[first], channels[first])


class RecordedReplay:
    """A recording's frames in the order and at the pace in which they once came.

    Parameters
    ----------
    found
        The recording, looked through.
    speed
        1 = as it was recorded; 0 = as fast as the receiver takes it.
    loop
        Whether to begin again at the end; frame numbers and times go on rising, with a gap of
        `SEAM_S` between the rounds.
    from_s
        Where to begin, s after the first message.
    up
        The axis that points up, if the recorded description is wrong about it.
    clock, sleep
        Monotonic time, s, and a way to wait for it.
    """

    def __init__(
        self,
        found: Survey,
        *,
        speed: float = 1.0,
        loop: bool = False,
        from_s: float = 0.0,
        up: str | None = None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.name = found.path.name
        self._found = found
        self._speed, self._loop, self._from_s, self._up = speed, loop, from_s, up
        self._clock, self._sleep = clock, sleep
        self._streams: dict[str, _Stream] = {}
        self._device: dict[str, Any] = {}
        self._began: float | None = None
        self._round_s = 0.0
        self._begin()
        if self._next is None:
            raise RecordingError(f"{found.path}: there is no frame to play from {from_s:g} s on")
        self._playing = self._streams[self._next[1].stream]

    def _begin(self) -> None:
        self._coming = self._frames()
        self._next = next(self._coming, None)

    def _frames(self) -> Generator[tuple[float, Frames], None, None]:
        for due, message in _messages(self._found, self._from_s, _Unread()):
            if isinstance(message, Description):
                self._note(message)
            elif isinstance(message, DeviceState):
                self._device = message.model_dump(exclude={"stream"})
            elif message.stream in self._streams:
                yield due, message

    def _note(self, description: Description) -> None:
        if description.stream in self._streams:
            return
        try:
            reader = FrameReader(description)
        except WireError:
            return
        info = _with_up(reader.info, self._up, self._found.path)
        self._streams[description.stream] = _Stream(description, reader, info)

    def describe(self) -> StreamInfo:
        """Return what the recording says of the frames that were read last."""
        return self._playing.info

    def described_as(self) -> dict[str, Any]:
        """Return what else the recorded description says, and the precision that loses nothing."""
        described = self._playing.description
        exact = described.precision == "f4" and described.unit == "mm"
        return {
            "side": described.side,
            "marker_set": described.marker_set,
            "precision": "f4" if exact else "f8",
        }

    def device_state(self) -> dict[str, Any]:
        """Return what the device said of itself last."""
        return self._device

    def read(self, timeout_s: float) -> MarkerBlock | None:
        """Return the frames that are due; None if none is within ``timeout_s``.

        Raises
        ------
        EOFError
            At the end of a recording that is not looped.
        """
        if self._next is None:
            if not self._loop:
                raise EOFError(f"{self.name} is played to its end")
            self._round_s += self._found.seconds - self._from_s + SEAM_S
            for stream in self._streams.values():
                stream.next_round()
            self._begin()
        reached = self._reached(timeout_s)
        blocks: list[MarkerBlock] = []
        # A message whose stamps do not rise would be refused whole.
        most = 1 if self._playing.info.sampling == "stamped" else _TOGETHER
        while self._next is not None and self._next[0] <= reached and len(blocks) < most:
            message = self._next[1]
            stream = self._streams[message.stream]
            follows = blocks and int(blocks[-1].numbers[-1]) + 1 == message.first
            if blocks and not (follows and stream is self._playing):
                break
            self._playing = stream
            self._next = next(self._coming, None)
            try:
                blocks.append(stream.reader.read(message))
            except WireError:
                continue
        return self._playing.shifted(MarkerBlock.joined(blocks)) if blocks else None

    def _reached(self, timeout_s: float) -> float:
        """Time of the recording, s, that has come, having waited for the next frame."""
        if self._speed == 0 or self._next is None:
            return float("inf")
        if self._began is None:
            self._began = self._clock() - self._next[0] / self._speed
        wait = self._began + (self._round_s + self._next[0]) / self._speed - self._clock()
        if wait > 0:
            self._sleep(min(wait, timeout_s))
        return (self._clock() - self._began) * self._speed - self._round_s + 1e-9

    def control(self, op: str, args: dict[str, Any]) -> dict[str, Any]:
        """Refuse: a recording cannot be changed."""
        del args
        raise ValueError(f"a recording cannot do {op!r}: it is played as it is")

    def close(self) -> None:
        """Let go of the file."""
        self._coming.close()


def is_recorded(path: Path) -> bool:
    """Whether a file is named like one of ``livefit record``."""
    return path.suffix.lower() == ENDING
