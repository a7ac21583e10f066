"""From recordings to a session's trials: one for each interval between two changes.

The frames go through the kernel once more, which gives every stroke the values that were shown,
bit for bit. A stroke belongs to the interval in which its top dead centre lies, as it did live
(:mod:`livefit.node.trial`). Where the averages were restarted, only what came after counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np

from livefit.definitions import Definitions, canonical_labels, match_marker_set
from livefit.frames import FloatArray, MarkerBlock, StreamInfo
from livefit.kernel.cycles import GridPoses, StrokeCycle
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from livefit.kernel.phase import TURN
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG
from livefit.kernel.results import Bands, bands_of
from livefit.session.models import Adjustment, Trial, one_line
from livefit.session.riding import Riding, Span
from livefit.session.told import Interval, intervals_of
from livefit.sources.files import read_recording
from livefit.sources.recorded import RecordedPart, is_recorded, read_parts
from livefit.wire.messages import Mark

WORKLOAD: Final = "workload"
_STEP_S: Final = 20.0


@dataclass(frozen=True)
class Reading:
    """How recordings are read.

    Attributes
    ----------
    discipline
        Whose bands judge where no node told of any.
    marker_set
        Read the labels by it; None: the one that the sender names, or that fits best.
    seat_tube_deg
        Seat-tube angle of the bicycle; None: the one that the node was told, else the usual.
    """

    discipline: str = "road_endurance"
    marker_set: str | None = None
    seat_tube_deg: float | None = None


@dataclass(frozen=True)
class Gathered:
    """What recordings hold of a session.

    Attributes
    ----------
    trials
        Numbered from 0.
    discipline
        Whose bands judged last.
    notes
        What was noticed while reading, in plain words.
    """

    trials: list[Trial]
    discipline: str
    notes: list[str]


@dataclass(frozen=True)
class _Cut:
    """A moment at which the averages began anew: a mark, or a restart of them."""

    interval: int
    t: float | None
    stream: str | None
    at_s: float
    restart: bool = False


@dataclass
class _Slot:
    """Strokes of a stream after the cut before; `after` by side: up to there is before."""

    interval: int
    after: dict[str, float] = field(default_factory=dict)


def gather(path: Path, definitions: Definitions, reading: Reading | None = None) -> Gathered:
    """Make the trials of a recording.

    Parameters
    ----------
    path
        What ``livefit record`` kept, or a ``.c3d``, ``.trc`` or ``.csv`` file: one trial.
    definitions
        Measures, events, bands and adjustments.
    reading
        How it is read.

    Returns
    -------
    Gathered
        An interval without a stroke is no trial: its adjustments count for the next one. After
        the last stroke it is one, without numbers.

    Raises
    ------
    ValueError
        If the recording cannot be read, or its labels fit no marker set.
    """
    reading = reading or Reading()
    definitions.discipline(reading.discipline)
    parts, notes = _parts(path)
    intervals = intervals_of(path) if is_recorded(path) else []
    rides = [Riding() for _ in intervals] or [Riding()]
    cuts = _cuts(intervals)
    seat_tube = reading.seat_tube_deg or _seat_tube(intervals, definitions)
    for part in parts:
        _ride(part, definitions, replace(reading, seat_tube_deg=seat_tube), cuts, rides)
    discipline = intervals[-1].last.discipline if intervals else reading.discipline
    if not any(ride.ridden for ride in rides):
        notes.append("there is no whole stroke in it")
    trials = list(_trials(path.name, intervals, rides, definitions, discipline))
    return Gathered(trials, discipline, notes)


def _parts(path: Path) -> tuple[list[RecordedPart | MarkedOut], list[str]]:
    if is_recorded(path):
        parts, notes = read_parts(path)
        return [*parts], notes
    recording = read_recording(path)
    whole = MarkedOut(recording.info, recording.block, recording.marker_set)
    return [whole], list(recording.notes)


@dataclass(frozen=True)
class MarkedOut:
    """A file of one trial, which does not say when it was recorded."""

    info: StreamInfo
    block: MarkerBlock
    marker_set: str | None


def _cuts(intervals: Sequence[Interval]) -> list[_Cut]:
    """Where the averages began anew, in the order of time."""
    cuts = []
    for k, interval in enumerate(intervals):
        mark, last = interval.mark, interval.last
        t = None if mark is None else mark.t
        if k:
            cuts.append(_Cut(k, t, interval.stream, interval.at_s))
        if last.since is not None and last.since != t:
            cuts.append(_Cut(k, last.since, last.stream, interval.at_s, restart=True))
    return cuts


def _seat_tube(intervals: Sequence[Interval], definitions: Definitions) -> float:
    """The angle that the node was told, by where it took the event in line with the tube."""
    events = {event.name for event in definitions.events if event.kind == "seat_tube"}
    for interval in reversed(intervals):
        for row in interval.last.rows:
            if row.event in events and row.crank_deg is not None:
                return row.crank_deg - 90.0
    return DEFAULT_SEAT_TUBE_DEG


def _ride(
    part: RecordedPart | MarkedOut,
    definitions: Definitions,
    reading: Reading,
    cuts: Sequence[_Cut],
    rides: list[Riding],
) -> None:
    """Put what a stream holds into the intervals in which it was ridden."""
    kernel = _kernel(part, definitions, reading)
    first, inside = _places(part, cuts)
    slots = [_Slot(first)]
    values: list[EventValues] = []
    cycles: list[StrokeCycle] = []
    poses: list[GridPoses] = []
    begin = 0
    for stop, cut in [*inside, (len(part.block), None)]:
        for piece in _pieces(part, begin, stop):
            values += kernel.push(piece)
            cycles += kernel.take_cycles()
            poses += kernel.take_poses()
        begin = stop
        if cut is not None:
            slots.append(_Slot(cut.interval, _after(kernel, values)))
            if cut.restart:
                rides[cut.interval] = Riding()
                for slot in slots[:-1]:
                    slot.interval = -1 if slot.interval == cut.interval else slot.interval
    for k, slot in enumerate(slots):
        if slot.interval < 0:
            continue
        until = slots[k + 1].after if k + 1 < len(slots) else {}
        span = Span(slot.after, until)
        own = [v for v in map(span.part, values) if len(v.strokes)]
        ride = rides[slot.interval]
        ride.sides += kernel.plan.sides
        ride.values += own
        ride.cycles += [c for c in cycles if span.holds(c.side, c.stroke)]
        ride.add_poses(kernel.labels, span.poses(poses))
        if kernel.bike is not None and own:
            ride.cranks |= kernel.bike.cranks
        _note_time(ride, part, own)


def _kernel(part: RecordedPart | MarkedOut, definitions: Definitions, reading: Reading) -> Kernel:
    named = part.description.marker_set if isinstance(part, RecordedPart) else part.marker_set
    name = reading.marker_set or named
    chosen = (
        definitions.marker_set(name)
        if name
        else match_marker_set(part.info.labels, definitions.marker_sets)
    )
    return Kernel(
        part.info,
        canonical_labels(part.info.labels, chosen),
        definitions.measures,
        definitions.events,
        seat_tube_deg=reading.seat_tube_deg or DEFAULT_SEAT_TUBE_DEG,
        with_cycles=True,
    )


def _places(
    part: RecordedPart | MarkedOut, cuts: Sequence[_Cut]
) -> tuple[int, list[tuple[int, _Cut]]]:
    """The interval in which a stream begins, and the rows before which it is cut."""
    if not isinstance(part, RecordedPart) or not cuts:
        return 0, []
    t, first = part.block.t, 0
    inside: list[tuple[int, _Cut]] = []
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
    return first, sorted(inside, key=lambda each: each[0])


def _pieces(part: RecordedPart | MarkedOut, begin: int, stop: int) -> Iterator[MarkerBlock]:
    step = max(1, int(_STEP_S * part.info.rate_hz))
    block = part.block
    for start in range(begin, stop, step):
        rows = slice(start, min(start + step, stop))
        yield MarkerBlock(
            block.numbers[rows], block.t[rows], block.positions[rows], block.channels[rows]
        )


def _after(kernel: Kernel, values: Sequence[EventValues]) -> dict[str, float]:
    """By side: the stroke under way, which belongs to what was before."""
    moment = kernel.moment()
    if moment is not None and np.isfinite(moment.crank):
        return {
            side.side: float(np.floor((moment.crank + side.lead) / TURN))
            for side in kernel.plan.sides
        }
    known: dict[str, float] = {}
    for v in values:
        if len(v.strokes):
            known[v.side] = max(known.get(v.side, -np.inf), float(v.strokes[-1]))
    return known


def _note_time(ride: Riding, part: RecordedPart | MarkedOut, values: list[EventValues]) -> None:
    """Note when the strokes began and ended, and the workload meanwhile."""
    ends: list[FloatArray] = []
    begins: list[FloatArray] = []
    for v in values:
        if v.measures == ("cadence",):
            ends.append(v.t)
            begins.append(v.t - 60.0 / v.values[:, 0])
    if not ends or not np.isfinite(np.concatenate(ends)).any():
        return
    begin, end = float(np.nanmin(np.concatenate(begins))), float(np.nanmax(np.concatenate(ends)))
    ride.seconds += end - begin
    if isinstance(part, RecordedPart) and ride.began_s is None:
        ride.began_s = part.wall_s(begin)
    names = [channel.name for channel in part.info.channels]
    if WORKLOAD in names:
        ridden = (part.block.t >= begin) & (part.block.t <= end)
        watts = part.block.channels[ridden, names.index(WORKLOAD)]
        if np.isfinite(watts).any():
            ride.workloads.append((float(np.nanmean(watts)), end - begin))


def _trials(
    name: str,
    intervals: Sequence[Interval],
    rides: Sequence[Riding],
    definitions: Definitions,
    discipline: str,
) -> Iterator[Trial]:
    adjustments: list[Adjustment] = []
    count = 0
    for k, ride in enumerate(rides):
        interval = intervals[k] if intervals else None
        if interval is not None and interval.mark is not None:
            adjustments.append(_adjustment(interval.mark, interval.at_s, definitions))
        if ride.ridden or (adjustments and k == len(rides) - 1):
            bands: Bands = interval.bands() if interval is not None else {}
            usual = bands_of(definitions.discipline(discipline))
            yield _trial(count, name, ride, adjustments, definitions, {**usual, **bands})
            count += 1
            adjustments = []


def _adjustment(mark: Mark, at_s: float, definitions: Definitions) -> Adjustment:
    return Adjustment(
        part=mark.part,
        amount=mark.amount,
        unit=definitions.adjustment(mark.part).unit,
        why=one_line(mark.note),
        mark=mark.number,
        at=_moment(at_s),
    )


def _trial(
    count: int,
    name: str,
    ride: Riding,
    adjustments: list[Adjustment],
    definitions: Definitions,
    bands: Bands,
) -> Trial:
    numbers = ride.numbers(definitions, bands)
    seen = {row.side for row in numbers.rows if row.side != "B"}
    cadence, watts = numbers.cadence_rpm, ride.workload_w()
    return Trial(
        number=count,
        began=None if ride.began_s is None else _moment(ride.began_s),
        seconds=round(ride.seconds, 3),
        sides="both" if len(seen) != 1 else "left" if seen == {"L"} else "right",
        adjustments=adjustments,
        cadence_rpm=cadence,
        workload_w=watts,
        numbers=numbers.messages(),
        cycles=ride.mean_cycles(numbers.asides),
        pose=ride.mean_pose(numbers.middle_aside),
        cranks=ride.crank_list(),
        recordings=[one_line(name)],
    )


def _moment(seconds: float) -> datetime:
    """An instant in local time, to the millisecond."""
    return datetime.fromtimestamp(round(seconds, 3), UTC).astimezone()
