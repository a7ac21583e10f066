"""How often the statistics of change are right.

``python -m tests.benchmarks change [--seed N] [--short]``

Strokes of spread 1 with the correlation named; "wander" has a quarter of its variance in an
autoregression of correlation 0.9, which is worse than the model allows for; "drift" adds 2 spreads
in ten minutes to a correlation of 0.3; in "neighbour" a stroke resembles the next by 0.5 and none
beyond, as at the bottom of the simulator's stroke.

* Coverage: how many of the 95 % intervals hold the truth, of a mean and of the difference between
  two trials as long, beside the interval that takes strokes for independent; the half-width in
  spreads. With an approach of 3 spreads lasting 4 strokes at the beginning, after setting aside.
* Power: how many differences of 0.5 and 1 spread are told.
* False alarms: an hour of steady riding is 5,400 strokes at 90 rpm.
* Delay: strokes from a step of 2 spreads, the first after it included, until it is noticed, after
  40 and after 150 strokes; how many are noticed within 60; the share told before the step.
  ``bound`` is the number of strokes whose evidence, were level and correlation known, reaches the
  threshold.

Sessions (``--only-sessions`` for these alone): see `tests.benchmarks.change_sessions`. They can be
kept in a file and judged again (``--keep``, ``--kept``); of longer ones none has a change
(``--lasts``).

Wanted: coverage 0.93 to 0.97, fewer than one false alarm an hour, a median delay of at most 8.
"""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from pathlib import Path

import numpy as np

from livefit.change.correlated import mean_of
from livefit.change.difference import difference
from livefit.change.settling import drift_of, strokes_aside
from livefit.change.steps import EVERY, StepWatch, threshold
from livefit.frames import FloatArray
from tests.benchmarks.change_rides import RIDE_S, Ridden, draw, keep, kept, ride
from tests.benchmarks.change_sessions import HEAD, lines, picture, session
from tests.benchmarks.tables import Cell, table
from tests.change.correlated_strokes import correlated, neighbouring, wandering

HOUR = 5400
LENGTHS = (15, 30, 60, 120)
STEP = 2.0
LEADS = (40, 150)
AFTER = 60
Riding = Callable[[np.random.Generator, int], FloatArray]
RIDING: dict[str, Riding] = {
    "0": lambda rng, n: correlated(rng, 0.0, n),
    "0.3": lambda rng, n: correlated(rng, 0.3, n),
    "0.5": lambda rng, n: correlated(rng, 0.5, n),
    "drift": lambda rng, n: correlated(rng, 0.3, n) + 2.0 * np.arange(n) / 900,
    "wander": wandering,
    "neighbour": neighbouring,
}


def arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--rides", type=int, default=4000, help="for every line of coverage")
    parser.add_argument("--hours", type=int, default=40, help="of steady riding for every line")
    parser.add_argument("--sessions", type=int, default=80, help="for every size of change")
    parser.add_argument("--only-sessions", action="store_true")
    parser.add_argument("--picture", type=Path, help="where a picture of the sessions is saved")
    parser.add_argument("--keep", type=Path, help="where the sessions' strokes are kept (.npz)")
    parser.add_argument("--kept", type=Path, nargs="+", help="judge these, ride none")
    parser.add_argument("--lasts", type=float, default=RIDE_S, help="seconds of a session")
    parser.add_argument("--steps", type=int, default=500, help="for every line of delays")


def main(options: Namespace) -> None:
    rides, hours, steps = options.rides, options.hours, options.steps
    if options.short:
        rides, hours, steps = 1000, 6, 120
    rng = np.random.default_rng(options.seed)
    if options.only_sessions:
        _sessions(options)
        return
    print(f"Means and differences, {rides} rides a line, seed {options.seed}")
    head: tuple[str, ...] = (
        "correlation", "strokes", "mean", "as independent", "half", "difference", "after settling",
        "drift found", "power 0.5", "power 1",
    )  # fmt: skip
    names = ("0", "0.3", "0.5", "wander", "neighbour")
    print(table(head, [_coverage(rng, name, n, rides) for name in names for n in LENGTHS]))
    print(f"\nSteps nobody marked, {hours} hours and {steps} steps a line")
    head = (
        "correlation", "alarms an hour", "bound",
        *(f"{name} {lead}" for lead in LEADS for name in ("delay", "9 in 10", "noticed", "early")),
    )  # fmt: skip
    print(table(head, [_steps(rng, name, hours, steps) for name in RIDING]))
    _sessions(options)


def _sessions(options: Namespace) -> None:
    ridden = _kept(options) if options.kept else _ridden(options)
    found = [session(each) for each in ridden]
    print(table(HEAD, lines(found)))
    if options.picture:
        picture(found, options.picture)
        print(f"\nsaved {options.picture}")


def _kept(options: Namespace) -> list[Ridden]:
    print("\nSessions kept in", ", ".join(path.name for path in options.kept))
    return [each for path in options.kept for each in kept(path)]


def _ridden(options: Namespace) -> list[Ridden]:
    """So many sessions of each size of change, half of them up and half down."""
    count = 6 if options.short else options.sessions
    rng = np.random.default_rng(options.seed)
    print(f"\nSessions through the kernel, {count} a line, seed {options.seed}")
    sizes = (0.0, 5.0, 10.0) if options.lasts == RIDE_S else (0.0,)
    ridden = [
        ride(*draw(rng, by_mm if k % 2 else -by_mm, options.lasts))
        for by_mm in sizes
        for k in range(count)
    ]
    if options.keep:
        keep(options.keep, ridden)
    return ridden


def _coverage(rng: np.random.Generator, name: str, n: int, rides: int) -> list[Cell]:
    approach = 3.0 * np.exp(-np.arange(n) / 4.0)
    held = np.zeros(4)
    found = np.zeros(3)
    halves = []
    for _ in range(rides):
        before, now = RIDING[name](rng, n), RIDING[name](rng, n)
        mean, plain = mean_of(before), mean_of(before, independent=True)
        change = difference(mean, mean_of(now))
        settling = now + approach
        late = mean_of(settling[min(strokes_aside(settling), n // 2) :])
        intervals = (mean, plain, change, late)
        held += [each.low <= 0 <= each.high for each in intervals]
        halves.append(mean.half_width)
        found += [
            drift_of(before).certain if n <= 60 else np.nan,
            *(difference(mean, mean_of(now + by)).p < 0.05 for by in (0.5, 1.0)),
        ]
    mean_held, plain_held, change_held, late_held = (held / rides).tolist()
    half = float(np.median(halves))
    return [name, n, mean_held, plain_held, half, change_held, late_held, *(found / rides).tolist()]


def _steps(rng: np.random.Generator, name: str, hours: int, steps: int) -> list[Cell]:
    alarms = sum(_alarms(RIDING[name](rng, HOUR)) for _ in range(hours))
    row: list[Cell] = [name, alarms / hours, _bound(name)]
    for lead in LEADS:
        delays = np.array([_delay(RIDING[name](rng, lead + AFTER), lead) for _ in range(steps)])
        true = delays[delays > 0]
        noticed = np.isfinite(true)
        row += [
            float(np.median(true)),
            float(np.quantile(true, 0.9, method="higher")),
            float(noticed.mean()),
            float((delays == 0).mean()),
        ]
    return row


def _alarms(values: FloatArray) -> int:
    watch = StepWatch()
    return sum(watch.add(k, value) is not None for k, value in enumerate(values.tolist()))


def _delay(values: FloatArray, lead: int) -> float:
    """Strokes until a step is noticed; 0 before it came, inf never."""
    values[lead:] += STEP
    watch = StepWatch()
    for k, value in enumerate(values.tolist()):
        if watch.add(k, value) is not None:
            return max(k - lead + 1.0, 0.0)
    return np.inf


def _bound(name: str) -> int:
    """Strokes whose evidence comes to the threshold, all else being known."""
    r = {"0": 0.0, "0.3": 0.3, "0.5": 0.5, "drift": 0.3}.get(name)
    if r is None:
        return 0
    first, further = STEP**2 / (1 - r * r), ((1 - r) * STEP) ** 2 / (1 - r * r)
    return 1 + int(np.ceil((threshold(EVERY) ** 2 - first) / further))
