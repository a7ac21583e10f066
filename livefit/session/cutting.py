"""The streams of a recording, and where the averages began anew in them.

A stroke belongs to the interval in which its top dead centre lies, as it did live
(:mod:`livefit.node.trial`). Where the averages were restarted, only what came after counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from livefit.analysis.passing import Span
from livefit.frames import MarkerBlock, StreamInfo
from livefit.recording.errors import readable
from livefit.session.told import Interval
from livefit.sources.files import read_recording
from livefit.sources.recorded import (
    RecordedPart,
    is_recorded,
    read_parts,
    refuse_units,
    with_up,
)


@dataclass(frozen=True)
class MarkedOut:
    """A file of one trial, which does not say when it was recorded."""

    info: StreamInfo
    block: MarkerBlock
    marker_set: str | None


Part = RecordedPart | MarkedOut


def parts_of(
    path: Path, *, up: str | None = None, units: str | None = None
) -> tuple[list[Part], list[str]]:
    """Read every stream of a recording, and what was noticed.

    Parameters
    ----------
    path
        What ``livefit record`` kept, or a ``.c3d``, ``.trc`` or ``.csv`` file.
    up, units
        The axis that points up, and the unit of length, if the file is wrong about them.

    Raises
    ------
    RecordingError, OSError
        If it cannot be read.
    """
    if is_recorded(path):
        refuse_units(units, path)
        with readable(path):
            parts, notes = read_parts(path)
        return [replace(part, info=with_up(part.info, up, path)) for part in parts], notes
    recording = read_recording(path, up=up, units=units)
    whole = MarkedOut(recording.info, recording.block, recording.marker_set)
    return [whole], list(recording.notes)


def marker_set_of(part: Part) -> str | None:
    """The marker set that the sender named."""
    return part.description.marker_set if isinstance(part, RecordedPart) else part.marker_set


@dataclass(frozen=True)
class Cut:
    """A moment at which the averages began anew: a mark, or a restart of them."""

    interval: int
    t: float | None
    stream: str | None
    at_s: float
    restart: bool = False


def cuts_of(intervals: Sequence[Interval]) -> list[Cut]:
    """Where the averages began anew, in the order of time."""
    cuts = []
    for k, interval in enumerate(intervals):
        mark, last = interval.mark, interval.last
        t = None if mark is None else mark.t
        if k:
            cuts.append(Cut(k, t, interval.stream, interval.at_s))
        if last.since is not None and last.since != t:
            cuts.append(Cut(k, last.since, last.stream, interval.at_s, restart=True))
    return cuts


@dataclass(frozen=True)
class Stretch:
    """The strokes of a stream that were ridden in one interval."""

    interval: int
    span: Span


@dataclass(frozen=True)
class Places:
    """The interval in which a stream begins, and the rows before which it is cut."""

    first: int
    inside: list[tuple[int, Cut]]

    @property
    def rows(self) -> list[int]:
        """Before which the stream is cut, rising."""
        return [row for row, _ in self.inside]

    @property
    def restarts(self) -> set[int]:
        """Those of the rows before which the averages were restarted."""
        return {row for row, cut in self.inside if cut.restart}

    @property
    def restarted(self) -> set[int]:
        """Intervals of which nothing counts that was ridden in earlier streams."""
        return {cut.interval for _, cut in self.inside if cut.restart}

    def stretches(self, under_way: Sequence[Mapping[str, float]]) -> Iterator[Stretch]:
        """The stretches that count, in the order of time.

        Parameters
        ----------
        under_way
            For each row, by side: the stroke that belongs to what was before.
        """
        begun = [self.first, *(cut.interval for _, cut in self.inside)]
        edges = [{}, *under_way, {}]
        for k, interval in enumerate(begun):
            forgotten = any(c.restart and c.interval == interval for _, c in self.inside[k:])
            if not forgotten:
                yield Stretch(interval, Span(edges[k], edges[k + 1]))


def places_of(part: Part, cuts: Sequence[Cut]) -> Places:
    """Where a stream is cut."""
    if not isinstance(part, RecordedPart) or not cuts:
        return Places(0, [])
    t, first = part.block.t, 0
    inside: list[tuple[int, Cut]] = []
    begin_s, end_s = part.wall_s(t[0]), part.wall_s(t[-1])
    for cut in cuts:
        own = cut.stream == part.description.stream and cut.t is not None
        known = np.flatnonzero(t == cut.t) if own else np.empty(0, dtype=np.int64)
        if len(known):
            inside.append((int(known[-1]) + 1, cut))
        elif cut.at_s <= begin_s:
            first = cut.interval
        elif cut.at_s <= end_s and not cut.restart:
            at_t = np.interp(cut.at_s, part.arrivals[:, 1], part.arrivals[:, 0])
            inside.append((int(np.searchsorted(t, at_t, side="right")), cut))
    return Places(first, sorted(inside, key=lambda each: each[0]))


def trials_among(
    intervals: Sequence[Interval], ridden: Sequence[bool]
) -> Iterator[tuple[int, list[Interval]]]:
    """The intervals that are trials, each with those that it begins with.

    An interval without a stroke is no trial: its mark counts for the next one. After the last
    stroke it is one.

    Parameters
    ----------
    ridden
        For each interval whether there is a stroke in it; without intervals, for the whole.
    """
    begun: list[Interval] = []
    for k, with_strokes in enumerate(ridden):
        begun += [each for each in intervals[k : k + 1] if each.mark is not None]
        if with_strokes or (begun and k == len(ridden) - 1):
            yield k, begun
            begun = []
