"""Simulated sessions through the real kernel: how often what the fitter is told is right.

The sessions are those of `tests.benchmarks.change_rides`. The mark comes as the saddle begins to
move, for nobody has a hand on the bicycle while the cranks turn; "late" is a mark two seconds
later, when the strokes before it have two or three in them that were ridden after the change.

The truth of a difference is that of the levels which the fitter is after: of the strokes that
counted in the even ride, those during the change and those before a late mark left out.

* held: differences of both trials whose 95 % interval holds the truth, all rows and sessions.
* called: sessions in which at least one of the fitter's usual rows is told (Holm among them), the
  right way, 15 strokes after the rider has settled (to 5 % of what the change makes of the pose).
* any told: sessions in which a row is told, whatever it says. "0 steady" are the sessions without a
  change and without drift: in a drifting one there is a small difference that is true.
* found, delay: the same change without a mark: offered, and strokes from its end until then.
* alarms: offers before the change, and in sessions without one.

What follows as +- is the standard error over the sessions, whose rows are not independent.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

from livefit.change.difference import Judged
from livefit.change.loads import cadence_of, strokes_before
from livefit.change.steps import EVERY, StepWatch
from livefit.change.trials import Key, TrialStrokes, differences
from livefit.frames import FloatArray
from tests.benchmarks.change_rides import CHANGE_S, CHANGED_S, Ridden
from tests.benchmarks.scatter import scatter
from tests.benchmarks.tables import Cell

LATE_S = CHANGE_S + 2.0
SETTLED_TO = 4.75
"""(1 + x) exp(-x) is 5 % there: of the simulator's own approach, in its strokes."""
AFTER = 15
SAME_STROKES = 12
SIDES = "LRB"


class Session(NamedTuple):
    """What became of one session; `held` and `held_late` as shares of its rows."""

    by_mm: float
    drifts: bool
    held: float
    held_late: float
    called: bool
    any_told: bool
    delay: float
    alarms: int
    hours: float
    knees: list[tuple[float, float, float, float]]
    """At the bottom, by side: true and measured change, and the ends of its interval, deg."""


def session(ridden: Ridden) -> Session:
    """Mark it, and judge what is told."""
    drawn = ridden.drawn
    held, told, knees = [], [], []
    for key, found, true in _compared(ridden, CHANGE_S):
        change = found.change
        held.append(change.low <= true <= change.high)
        if (key[0], key[2]) == ("knee_flexion", "bdc"):
            knees.append((true, change.by, change.low, change.high))
        if found.told:
            told.append(change.by * true > 0)
    late = [f.change.low <= true <= f.change.high for _, f, true in _compared(ridden, LATE_S)]
    delay, alarms = _watched(ridden)
    hours = (CHANGE_S if drawn.by_mm else drawn.lasts_s) / 3600
    return Session(
        abs(drawn.by_mm), drawn.drift != 0.0, float(np.mean(held)), float(np.mean(late)),
        any(told), bool(told), delay, alarms, hours, knees,
    )  # fmt: skip


def _compared(ridden: Ridden, mark_s: float) -> Iterator[tuple[Key, Judged, float]]:
    """Every row of which something can be said, how its difference is judged, and the truth."""
    strokes, even, rows = ridden.strokes, ridden.even, ridden.rows()
    after = strokes_before(strokes, mark_s, SIDES)
    before, rest = strokes.part(after, early=True), strokes.part(after, early=False)
    count = int(np.ceil(SETTLED_TO * ridden.drawn.settle)) + AFTER
    done = strokes_before(strokes, CHANGED_S, SIDES)
    now = rest.part({side: last + count for side, last in done.items()}, early=True)
    judged = differences(before, now, rows)
    for key in rows:
        if np.isfinite(judged[key].change.low):
            was = _level(even, before, key, -np.inf, CHANGE_S)
            yield key, judged[key], _level(even, now, key, CHANGED_S, np.inf) - was


def _level(even: TrialStrokes, trial: TrialStrokes, key: Key, begin: float, end: float) -> float:
    """Mean of the even ride over the strokes that counted, between two times."""
    own, there = trial.strokes(key), even.strokes(key)
    counted = own.numbers[(own.numbers >= trial.first_that_counts(key)) & np.isfinite(own.values)]
    chosen = np.isin(there.numbers, counted) & (there.t > begin) & (there.t < end)
    return float(np.nanmean(there.values[chosen]))


def _watched(ridden: Ridden) -> tuple[float, int]:
    """Strokes from the change's end until it is offered (inf: never), and false alarms."""
    strokes, keys, by_mm = ridden.strokes, ridden.rows(), ridden.drawn.by_mm
    delay, early = np.inf, set()
    first = strokes.part(strokes_before(strokes, CHANGE_S, SIDES), early=True)
    for key in keys:
        own, speed = strokes.strokes(key), cadence_of(strokes, key[1])
        rpm = dict(zip(speed.numbers.tolist(), speed.values.tolist(), strict=True))
        watch = StepWatch(every=EVERY * len(keys))
        begin = first.first_that_counts(key)
        for stroke, t, value in zip(*(each.tolist() for each in own), strict=True):
            if stroke < begin or stroke not in rpm:
                continue
            step = watch.add(stroke, value, rpm[stroke])
            if step is None:
                continue
            if not by_mm or t < CHANGE_S:
                early.add(int(step.stroke) // SAME_STROKES)
            else:
                done = own.numbers[own.t > CHANGED_S][0]
                delay = min(delay, max(stroke - int(done) + 1.0, 1.0))
                break
    return delay, len(early)


HEAD = (
    "saddle mm", "sessions", "held", "+-", "held late", "called", "any told", "+-", "found",
    "delay", "9 in 10", "alarms", "hours", "an hour",
)  # fmt: skip


def lines(found: list[Session]) -> list[list[Cell]]:
    """What the sessions come to, a line for each size of change."""
    sizes = sorted({each.by_mm for each in found})
    rows = [_line(f"{by:g}", [each for each in found if each.by_mm == by]) for by in sizes]
    steady = [each for each in found if not (each.by_mm or each.drifts)]
    return [_line("0 steady", steady), *rows] if steady else rows


def _line(name: str, found: list[Session]) -> list[Cell]:
    held, late, called, told, delays = (
        np.array([getattr(each, of) for each in found], dtype=float)
        for of in ("held", "held_late", "called", "any_told", "delay")
    )
    alarms, hours = sum(each.alarms for each in found), sum(each.hours for each in found)
    row: list[Cell] = [name, len(found), float(held.mean()), _error(held), float(late.mean())]
    if found[0].by_mm:
        slow = float(np.quantile(delays, 0.9, method="higher"))
        noticed: list[Cell] = [float(np.isfinite(delays).mean()), float(np.median(delays)), slow]
        row += [float(called.mean()), float(told.mean()), _error(told), *noticed]
    else:
        row += ["", float(told.mean()), _error(told), "", "", ""]
    return [*row, alarms, hours, alarms / hours]


def _error(values: FloatArray) -> float:
    """Standard error of the mean of values (n,), one a session."""
    return float(values.std() / np.sqrt(len(values)))


def picture(found: list[Session], path: Path) -> None:
    """Measured against true changes of the knee at the bottom, a panel for each size of change."""
    panels = {
        f"saddle by {by_mm:g} mm": np.array(
            [knee for each in found if each.by_mm == by_mm for knee in each.knees]
        )
        for by_mm in sorted({each.by_mm for each in found})
    }
    scatter(
        panels, "true change of knee flexion at the bottom, deg", "measured, deg",
        "15 strokes after settling; bars: 95 % interval; red: the interval misses", path,
    )  # fmt: skip
