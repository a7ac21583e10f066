"""Simulated sessions, ridden once and kept, so that they can be judged again and again.

Every session is a rider of random size, style, unevenness, cadence, drift and way of settling, seen
by a sensor of 100 Hz with 0.5 mm of noise, through the real kernel. After 45 s the saddle goes up
or down within a second, or stays. Beside it the even ride: the same ride without unevenness and
noise, of a rider who takes to the change at once, through the same kernel.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from livefit.analysis import analyse
from livefit.change.trials import CADENCE, Key, TrialStrokes
from livefit.definitions import Definitions, default_rows, load_definitions, shipped_dir
from livefit.kernel.events import EventValues
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

CHANGE_S, CHANGED_S, RIDE_S = 45.0, 46.0, 85.0
"""The saddle begins to move, has moved; the ride ends."""
_CADENCE_S = 47.0
_AT_ONCE = 0.01
"""Strokes to settle."""
SENSOR = Sensor(rate_hz=100.0, noise_mm=0.5)
STILL_SENSOR = Sensor(rate_hz=100.0, noise_mm=0.0)


@dataclass(frozen=True)
class Drawn:
    """What was drawn of a session.

    Attributes
    ----------
    by_mm
        The saddle goes up by this; 0: nothing is changed.
    lasts_s
        Of the whole ride.
    settle
        The rider's own, strokes.
    drift
        Of the ankle, deg in 100 strokes.
    cadence_by
        Turns a minute faster from 47 s on.
    """

    by_mm: float
    lasts_s: float
    settle: float
    drift: float
    cadence_by: float


@dataclass(frozen=True)
class Ridden:
    """A session: what was drawn, its strokes, and those of the even ride."""

    drawn: Drawn
    strokes: TrialStrokes
    even: TrialStrokes

    def rows(self) -> list[Key]:
        """The fitter's usual rows."""
        pairs = default_rows(known())
        return [key for key in self.strokes.keys if (key[0], key[2]) in pairs]


@cache
def known() -> Definitions:
    """The shipped definitions."""
    return load_definitions(shipped_dir())


def draw(
    rng: np.random.Generator, by_mm: float, lasts_s: float = RIDE_S
) -> tuple[RiderSimulation, Drawn]:
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
        height = bicycle.saddle_height_mm + by_mm
        ride = ride.with_change("saddle_height_mm", Change(CHANGE_S, height, CHANGED_S - CHANGE_S))
    cadence_by = 0.0
    if rng.random() < 0.3:
        cadence_by = float(rng.normal(0.0, 2.0))
        ride = ride.with_change("cadence_rpm", Change(_CADENCE_S, cadence + cadence_by, 3.0))
    rider = RiderSimulation(body, bicycle, style, ride, int(rng.integers(1, 1 << 30)))
    drift = style.drift_deg_per_100_strokes
    return rider, Drawn(by_mm, lasts_s, settle, drift, cadence_by)


def ride(rider: RiderSimulation, drawn: Drawn) -> Ridden:
    """Ride it, unevenly and evenly."""
    even = replace(rider, style=replace(rider.style, variation=STILL, settle_strokes=_AT_ONCE))
    return Ridden(
        drawn, _through_kernel(rider, SENSOR, drawn), _through_kernel(even, STILL_SENSOR, drawn)
    )


def _through_kernel(rider: RiderSimulation, sensor: Sensor, drawn: Drawn) -> TrialStrokes:
    block = observe(rider, sensor, count=int(drawn.lasts_s * sensor.rate_hz))
    found = analyse(stream_info(sensor), block, known(), discipline="road_endurance").strokes
    return _trial([_usual(v) for v in found.event_values()])


def _usual(v: EventValues) -> EventValues:
    """The measures that are rows, or the cadence."""
    wanted = {*default_rows(known()), CADENCE}
    at = [k for k, measure in enumerate(v.measures) if (measure, v.event) in wanted]
    measures = tuple(v.measures[k] for k in at)
    crank, values = v.crank_deg[:, at], v.values[:, at]
    return replace(v, measures=measures, crank_deg=crank, values=values)


def _trial(values: Sequence[EventValues]) -> TrialStrokes:
    trial = TrialStrokes({m.name: m.unit for m in known().measures}, kept=None)
    trial.add([v for v in values if v.measures])
    return trial


def keep(path: Path, ridden: Sequence[Ridden]) -> None:
    """Write sessions to a file (NumPy's npz): a JSON text of what was drawn, tables of strokes."""
    tables: dict[str, Any] = {}
    for k, each in enumerate(ridden):
        for which, trial in (("strokes", each.strokes), ("even", each.even)):
            for side, event, measures in trial.groups:
                numbers, t, values = trial.table((side, event, measures))
                name = "|".join((str(k), which, side, event, *measures))
                tables[name] = np.column_stack([numbers, t, values])
    drawn = np.array(json.dumps([asdict(each.drawn) for each in ridden]))
    np.savez_compressed(path, drawn=drawn, **tables)


def kept(path: Path) -> list[Ridden]:
    """Sessions as they were kept."""
    with np.load(path) as file:
        drawn = [Drawn(**each) for each in json.loads(str(file["drawn"]))]
        found: list[dict[str, list[EventValues]]] = [{"strokes": [], "even": []} for _ in drawn]
        for name in file.files:
            if name == "drawn":
                continue
            k, which, side, event, *measures = name.split("|")
            numbers, t, values = np.split(file[name], [1, 2], axis=1)
            nowhere = np.full(values.shape, np.nan)
            found[int(k)][which].append(
                EventValues(
                    side, event, tuple(measures), numbers[:, 0].astype(np.int64), t[:, 0],
                    nowhere, values,
                )
            )  # fmt: skip
    return [
        Ridden(each, _trial(trials["strokes"]), _trial(trials["even"]))
        for each, trials in zip(drawn, found, strict=True)
    ]
