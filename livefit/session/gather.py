"""From recordings to a session's trials: one for each interval between two changes.

The frames go through the kernel once more, which gives every stroke the values that were shown,
bit for bit; where they are cut says :mod:`livefit.session.cutting`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np

from livefit.analysis.passing import passed
from livefit.change.doubts import Doubts
from livefit.definitions import Definitions, canonical_labels, match_marker_set
from livefit.frames import FloatArray, MarkerBlock
from livefit.kernel.cycles import GridPoses, StrokeCycle
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG
from livefit.kernel.results import Bands, bands_of
from livefit.session.cutting import (
    Cut,
    Part,
    cuts_of,
    marker_set_of,
    parts_of,
    places_of,
    trials_among,
)
from livefit.session.models import Adjustment, Trial, one_line
from livefit.session.riding import Riding
from livefit.session.told import Interval, told_in
from livefit.sources.recorded import RecordedPart
from livefit.wire.messages import Mark

WORKLOAD: Final = "workload"


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
    parts, notes = parts_of(path)
    intervals = told_in(path)
    rides = [Riding() for _ in intervals] or [Riding()]
    cuts = cuts_of(intervals)
    seat_tube = reading.seat_tube_deg or _seat_tube(intervals, definitions)
    for part in parts:
        notes += _ride(part, definitions, replace(reading, seat_tube_deg=seat_tube), cuts, rides)
    discipline = intervals[-1].last.discipline if intervals else reading.discipline
    if not any(ride.ridden for ride in rides):
        notes.append("there is no whole stroke in it")
    trials = list(_trials(path.name, intervals, rides, definitions, discipline))
    return Gathered(trials, discipline, notes)


def _seat_tube(intervals: Sequence[Interval], definitions: Definitions) -> float:
    """The angle that the node was told, by where it took the event in line with the tube."""
    events = {event.name for event in definitions.events if event.kind == "seat_tube"}
    for interval in reversed(intervals):
        for row in interval.last.rows:
            if row.event in events and row.crank_deg is not None:
                return row.crank_deg - 90.0
    return DEFAULT_SEAT_TUBE_DEG


def _ride(
    part: Part,
    definitions: Definitions,
    reading: Reading,
    cuts: Sequence[Cut],
    rides: list[Riding],
) -> list[str]:
    """Put what a stream holds into the intervals in which it was ridden; returns what moved."""
    kernel = _kernel(part, definitions, reading)
    doubts = Doubts(definitions.measures, kernel.labels)
    values: list[EventValues] = []
    cycles: list[StrokeCycle] = []
    poses: list[GridPoses] = []

    def take(_: MarkerBlock, found: list[EventValues]) -> None:
        nonlocal values, cycles, poses
        values += found
        cycles += kernel.take_cycles()
        taken = kernel.take_poses()
        doubts.take(taken)
        poses += taken

    places = places_of(part, cuts)
    under_way = passed(
        kernel, part.block, take, rate_hz=part.info.rate_hz, cuts=places.rows,
        restarts=places.restarts, at_restart=doubts.accept,
    )  # fmt: skip
    values = list(doubts.without(values))
    cycles = list(doubts.without_cycles(cycles))
    poses = list(doubts.without_markers(poses))
    for interval in places.restarted:
        rides[interval] = Riding()
    for stretch in places.stretches(under_way):
        span, ride = stretch.span, rides[stretch.interval]
        own = [v for v in map(span.part, values) if len(v.strokes)]
        ride.sides += kernel.plan.sides
        ride.values += own
        ride.cycles += [c for c in cycles if span.holds(c.side, c.stroke)]
        ride.add_poses(kernel.labels, span.poses(poses))
        if kernel.bike is not None and own:
            ride.cranks |= kernel.bike.cranks
        _note_time(ride, part, own)
    return doubts.words()


def _kernel(part: Part, definitions: Definitions, reading: Reading) -> Kernel:
    name = reading.marker_set or marker_set_of(part)
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


def _note_time(ride: Riding, part: Part, values: list[EventValues]) -> None:
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
    ridden = [ride.ridden for ride in rides]
    for count, (k, begun) in enumerate(trials_among(intervals, ridden)):
        interval = intervals[k] if intervals else None
        adjustments = [
            _adjustment(each.mark, each.at_s, definitions)
            for each in begun
            if each.mark is not None
        ]
        bands: Bands = interval.bands() if interval is not None else {}
        usual = bands_of(definitions.discipline(discipline))
        yield _trial(count, name, rides[k], adjustments, definitions, {**usual, **bands})


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
