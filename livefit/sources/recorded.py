"""What ``livefit record`` kept, read as one recording, or stream by stream."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from livefit.frames import FloatArray, MarkerBlock, StreamInfo
from livefit.recording.reading import Run, Survey, entries, runs, survey
from livefit.recording.writing import ENDING
from livefit.sources.begun import Beginnings
from livefit.sources.reading import UP, Recording, RecordingError
from livefit.wire.blocks import FrameReader
from livefit.wire.codec import WireError, decode
from livefit.wire.messages import Description, DeviceState, Frames, Message
from livefit.wire.together import decode_together

ANEW_S: Final = 1.0
"""Numbers that go back by more than so much time: the device began to count anew."""
TOGETHER: Final = 256
"""Messages that are read as one where their frames follow each other."""
_TOPICS: Final[dict[str, type[Message]]] = {
    "description": Description,
    "frames": Frames,
    "device": DeviceState,
}


@dataclass
class Unread:
    """Messages that did not follow the protocol."""

    count: int = 0


@dataclass
class _Part:
    """Frames of one stream whose numbers go on rising, but for disorder on the way."""

    description: Description
    info: StreamInfo
    blocks: list[MarkerBlock] = field(default_factory=list)
    last: int = -1
    arrivals: list[tuple[float, float]] = field(default_factory=list)
    begun: list[int] = field(default_factory=list)
    """Numbers of the first frames that nodes used, that of the first node first."""


@dataclass(frozen=True)
class RecordedPart:
    """Frames of one stream, from where it began, or began to count anew, to its end.

    Where a node told of the first frame that it used, they begin there.

    Attributes
    ----------
    description
        What its sender said of it.
    info, block
        The frames, in the order of their numbers, each once.
    arrivals
        (k, 2): device time, s, and seconds since 1970 when the frame of that time came.
    """

    description: Description
    info: StreamInfo
    block: MarkerBlock
    arrivals: FloatArray

    def wall_s(self, t: float) -> float:
        """When the frame of a device time (s) came: seconds since 1970."""
        return float(np.interp(t, *self.arrivals.T))


def recorded_messages(
    found: Survey, from_s: float, unread: Unread
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


def with_up(info: StreamInfo, up: str | None, path: Path) -> StreamInfo:
    """Return the same with the axis that the user says points up, if any."""
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


def read_recorded(
    path: Path, *, up: str | None = None, units: str | None = None, whole: bool = False
) -> Recording:
    """Read the frames of a recording; of several streams in it, the longest.

    The frames are those that arrived, in the order of their numbers, each once, from the first
    that the node used, so that its numbers come back.

    Parameters
    ----------
    path
        Of the ``.mcap`` file.
    up
        The axis that points up, if the recorded description is wrong about it.
    units
        Must be None.
    whole
        Read what came before the node's first frame as well.

    Raises
    ------
    RecordingError
        If no frame in it can be read, or an option is wrong.
    OSError
        If it cannot be opened.
    """
    refuse_units(units, path)
    parts, notes = _read(path)
    counts = [sum(map(len, part.blocks)) for part in parts]
    chosen = parts[int(np.argmax(counts))]
    if len(parts) > 1:
        others = ", ".join(str(count) for count in counts)
        notes.append(
            f"the stream began {len(parts)} times, with {others} frames: the longest is taken; "
            "to see all of them, play the recording"
        )
    block = _in_order(chosen.blocks, notes)
    if not whole:
        block = _from_begun(block, chosen.begun, notes)
    info = with_up(chosen.info, up, path)
    return Recording(path, info, block, tuple(notes), marker_set=chosen.description.marker_set)


def read_parts(path: Path) -> tuple[list[RecordedPart], list[str]]:
    """Read all streams of a recording in the order in which they began, and what was noticed.

    Raises
    ------
    RecordingError
        If no frame in it can be read.
    OSError
        If it cannot be opened.
    """
    parts, notes = _read(path)
    read = [
        RecordedPart(
            part.description,
            part.info,
            _from_begun(_in_order(part.blocks, notes), part.begun, notes),
            np.array(sorted(part.arrivals)),
        )
        for part in parts
    ]
    return read, notes


def _read(path: Path) -> tuple[list[_Part], list[str]]:
    found = _surveyed(path)
    unread = Unread()
    parts = [part for part in _parts(found, unread) if part.blocks]
    if not parts:
        raise RecordingError(
            f"{path}: holds no frame that can be read; record while the capture process runs"
        )
    notes = [] if found.damage is None else [str(found.damage)]
    if unread.count:
        notes.append(f"messages that do not follow the protocol were left out: {unread.count}")
    return parts, notes


def _surveyed(path: Path) -> Survey:
    try:
        return survey(path)
    except ValueError as error:
        raise RecordingError(str(error)) from error


def _parts(found: Survey, unread: Unread) -> list[_Part]:
    parts: list[_Part] = []
    readers: dict[str, tuple[Description, FrameReader]] = {}
    newest: dict[str, _Part] = {}
    waiting: list[Run] = []
    beginnings = Beginnings()

    def use() -> None:
        done = 0
        came = np.concatenate([[], *(run.arrived_ns for run in waiting)]) / 1e9
        for count, frames in decode_together([run.raws for run in waiting]):
            own = slice(done, done + count)
            done += count
            if frames is None:
                unread.count += 1
                continue
            if frames.stream not in readers:
                continue
            described, reader = readers[frames.stream]
            for block in _blocks(reader, frames, waiting, own, unread):
                part = newest.get(described.stream)
                first, last = int(block.numbers[0]), int(block.numbers[-1])
                if part is None or first < part.last - ANEW_S * reader.info.rate_hz:
                    part = newest[described.stream] = _Part(described, reader.info)
                    parts.append(part)
                part.blocks.append(block)
                arrivals = came[own][[0, -1]].tolist()
                part.arrivals += zip(block.t[[0, -1]].tolist(), arrivals, strict=True)
                part.last = max(part.last, last)
        waiting.clear()

    for run in runs(found, topics=("description", "frames", "results")):
        if run.topic == "results":
            beginnings.hear(run)
            continue
        if run.topic == "frames":
            waiting.append(run)
            if sum(len(other.raws) for other in waiting) >= TOGETHER:
                use()
            continue
        use()
        for raw in run.raws:
            try:
                message = decode(Description, raw.tobytes())
                if message.stream not in readers:
                    readers[message.stream] = message, FrameReader(message)
            except WireError:
                unread.count += 1
    use()
    for stream in newest:
        counts = [part for part in parts if part.description.stream == stream]
        told = beginnings.of(stream, [part.arrivals[0][1] for part in counts])
        for part, begun in zip(counts, told, strict=True):
            part.begun = begun
    return parts


def _blocks(
    reader: FrameReader, frames: Frames, waiting: list[Run], own: slice, unread: Unread
) -> list[MarkerBlock]:
    """Read messages as one; where that is refused, one by one, as the node does."""
    try:
        return [reader.read(frames)]
    except WireError:
        blocks = []
        for raw in [raw for run in waiting for raw in run.raws][own]:
            try:
                blocks.append(reader.read(decode(Frames, raw.tobytes())))
            except WireError:
                unread.count += 1
        return blocks


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


def _from_begun(block: MarkerBlock, begun: list[int], notes: list[str]) -> MarkerBlock:
    """Leave out what came before the first node used a frame."""
    begun = [first for first in begun if first <= block.numbers[-1]]
    if len(begun) > 1:
        notes.append(
            f"{len(begun)} nodes began with the stream, at the frames "
            f"{', '.join(map(str, begun))}: the numbers are those of the first"
        )
    before = int(np.searchsorted(block.numbers, begun[0])) if begun else 0
    if not before:
        return block
    notes.append(
        f"{before} frames came before frame {begun[0]}, the first that the node used: they are "
        "left out, so that the numbers are those shown then; to see them, play the recording"
    )
    rows = slice(before, None)
    return MarkerBlock(
        block.numbers[rows], block.t[rows], block.positions[rows], block.channels[rows]
    )


def is_recorded(path: Path) -> bool:
    """Whether a file is named like one of ``livefit record``."""
    return path.suffix.lower() == ENDING
