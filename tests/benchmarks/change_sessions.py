"""Simulated sessions through the real kernel: how often what the fitter is told is right.

Every session is a rider of random size, style, unevenness, cadence, drift and way of settling, seen
by a sensor of 100 Hz with 0.5 mm of noise. After 45 s the saddle goes up or down within a second,
or stays; the mark comes a second later. The truth of a difference is that of the very same strokes
of the same ride without unevenness and noise, through the same kernel.

* held: differences of both trials whose 95 % interval holds the truth, all rows and sessions.
* called: sessions in which at least one of the fitter's usual rows is told (Holm among them), the
  right way, 15 strokes after the rider has settled (to 5 % of what the change makes of the pose).
* found, delay: the same change without a mark: offered, and strokes from its end until then.
* alarms: offers before the change, and in sessions without one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from livefit.analysis import analyse
from livefit.change.loads import cadence_of, strokes_before
from livefit.change.steps import EVERY, StepWatch
from livefit.change.trials import Key, TrialStrokes, differences
from livefit.definitions import Definitions, default_rows, load_definitions, shipped_dir
from simulators import (
    Bicycle,
    Body,
    Change,
    Ride,
    RiderSimulation,
    Sensor,
    Style,
    Variation,
    observe,
    stream_info,
)
from simulators.settings import STILL
from tests.benchmarks.scatter import scatter
from tests.benchmarks.tables import Cell

CHANGE_S, MARK_S, RIDE_S = 45.0, 47.0, 85.0
SENSOR = Sensor(rate_hz=100.0, noise_mm=0.5)
STILL_SENSOR = Sensor(rate_hz=100.0, noise_mm=0.0)
SETTLED_TO = 4.75
"""(1 + x) exp(-x) is 5 % there: of the simulator's own approach, in its strokes."""
AFTER = 15
SAME_STROKES = 12


class Session(NamedTuple):
    """What became of one session."""

    held: int
    rows: int
    called: bool
    any_told: bool
    delay: float
    alarms: int
    hours: float
    knees: list[tuple[float, float, float, float]]
    """At the bottom, by side: true and measured change, and the ends of its interval, deg."""


@dataclass(frozen=True)
class Drawn:
    """A session as drawn."""

    rider: RiderSimulation
    settle: float
    by_mm: float


def draw(rng: np.random.Generator, by_mm: float) -> Drawn:
    """A rider and a ride."""
    settle = float(rng.uniform(1.0, 5.0))
    body = Body(stature_mm=float(rng.uniform(1600, 1950)))
    cadence = float(rng.uniform(75, 100))
    uneven = float(rng.uniform(0.6, 1.3))
    plain = Variation()
    style = Style(
        cadence_rpm=cadence,
        cadence_wander=float(rng.uniform(0.005, 0.02)),
        pitch_amplitude_deg=float(rng.uniform(12, 18)),
        settle_strokes=settle,
        drift_deg_per_100_strokes=float(rng.choice([0.0, rng.normal(0.0, 0.3)])),
        elbow_deg=float(rng.uniform(12, 25)),
        left_pitch_deg=float(rng.normal(0.0, 1.5)),
        variation=Variation(
            pitch_deg=uneven * plain.pitch_deg,
            swing_deg=uneven * plain.swing_deg,
            elbow_deg=uneven * plain.elbow_deg,
            pelvis_mm=uneven * plain.pelvis_mm,
            pelvis_deg=uneven * plain.pelvis_deg,
        ),
    )
    bicycle = Bicycle.fitted(body)
    ride = Ride()
    if by_mm:
        ride = ride.with_change(
            "saddle_height_mm", Change(CHANGE_S, bicycle.saddle_height_mm + by_mm, 1.0)
        )
    if rng.random() < 0.3:
        faster = cadence + float(rng.normal(0.0, 2.0))
        ride = ride.with_change("cadence_rpm", Change(MARK_S, faster, 3.0))
    seed = int(rng.integers(1, 1 << 30))
    return Drawn(RiderSimulation(body, bicycle, style, ride, seed), settle, by_mm)


def session(drawn: Drawn) -> Session:
    """Ride it, mark it, and judge what is told."""
    known = _known()
    strokes = _ridden(drawn.rider, SENSOR, known)
    even = replace(drawn.rider, style=replace(drawn.rider.style, variation=STILL))
    truth = _ridden(even, STILL_SENSOR, known)
    pairs = default_rows(known)
    keys = [k for k in strokes.keys if (k[0], k[2]) in pairs]
    after = strokes_before(strokes, MARK_S, "LRB")
    before, rest = strokes.part(after, early=True), strokes.part(after, early=False)
    count = int(np.ceil(SETTLED_TO * drawn.settle)) + AFTER
    now = rest.part({side: last + count for side, last in after.items()}, early=True)
    judged = differences(before, now, keys)
    held = rows = 0
    told: list[bool] = []
    knees = []
    for key in keys:
        change = judged[key].change
        if not np.isfinite(change.low):
            continue
        true = _true(truth, now, key) - _true(truth, before, key)
        rows += 1
        held += bool(change.low <= true <= change.high)
        if (key[0], key[2]) == ("knee_flexion", "bdc"):
            knees.append((true, change.by, change.low, change.high))
        if judged[key].told:
            told.append(bool(change.by * true > 0))
    delay, alarms = _watched(strokes, keys, drawn.by_mm)
    hours = (CHANGE_S if drawn.by_mm else RIDE_S) / 3600
    return Session(held, rows, any(told), bool(told), delay, alarms, hours, knees)


@cache
def _known() -> Definitions:
    return load_definitions(shipped_dir())


def _ridden(rider: RiderSimulation, sensor: Sensor, known: Definitions) -> TrialStrokes:
    block = observe(rider, sensor, count=int(RIDE_S * sensor.rate_hz))
    found = analyse(stream_info(sensor), block, known, discipline="road_endurance")
    return found.strokes


def _true(truth: TrialStrokes, trial: TrialStrokes, key: Key) -> float:
    """Mean of the even ride over the strokes that counted."""
    own, even = trial.strokes(key), truth.strokes(key)
    counted = own.numbers[(own.numbers >= trial.first_that_counts(key)) & np.isfinite(own.values)]
    return float(np.nanmean(even.values[np.isin(even.numbers, counted)]))


def _watched(strokes: TrialStrokes, keys: list[Key], by_mm: float) -> tuple[float, int]:
    """Strokes from the change's end until it is offered (inf: never), and false alarms."""
    delay, early = np.inf, set()
    first = strokes.part(strokes_before(strokes, CHANGE_S, "LRB"), early=True)
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
                done = own.numbers[own.t > CHANGE_S + 1.0][0]
                delay = min(delay, max(stroke - int(done) + 1.0, 1.0))
                break
    return delay, len(early)


HEAD = (
    "saddle mm", "sessions", "held", "called", "any told", "found", "delay", "9 in 10",
    "alarms an hour",
)  # fmt: skip


def sessions(rng: np.random.Generator, counts: dict[float, int]) -> dict[float, list[Session]]:
    """So many sessions of each size of change, half of them up and half down."""
    return {
        by_mm: [session(draw(rng, by_mm if k % 2 else -by_mm)) for k in range(count)]
        for by_mm, count in counts.items()
    }


def picture(found: dict[float, list[Session]], path: Path) -> None:
    """Measured against true changes of the knee at the bottom, a panel for each size of change."""
    panels = {
        f"saddle by {by_mm:g} mm": np.array([knee for each in own for knee in each.knees])
        for by_mm, own in found.items()
    }
    scatter(
        panels, "true change of knee flexion at the bottom, deg", "measured, deg",
        "15 strokes after settling; bars: 95 % interval; red: the interval misses", path,
    )  # fmt: skip


def line(by_mm: float, found: list[Session]) -> list[Cell]:
    """What so many sessions of one size of change come to."""
    count = len(found)
    delays = np.array([each.delay for each in found])
    hours = sum(each.hours for each in found)
    return [
        f"{by_mm:g}",
        count,
        sum(each.held for each in found) / max(sum(each.rows for each in found), 1),
        sum(each.called for each in found) / count if by_mm else "",
        sum(each.any_told for each in found) / count,
        float(np.isfinite(delays).mean()) if by_mm else "",
        float(np.median(delays)) if by_mm else "",
        float(np.quantile(delays, 0.9, method="higher")) if by_mm else "",
        sum(each.alarms for each in found) / hours,
    ]
