"""A pose read by the kernel's own formulas: every measure at its events."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livefit.definitions.models import SIDES, Event, Measure, events_by_name
from livefit.frames import FloatArray
from livefit.kernel.crank import CrankGeometry
from livefit.kernel.extremes import extreme
from livefit.kernel.measuring import VIRTUAL_POINTS, MeasureTable
from livefit.kernel.plan import event_angle
from livefit.kernel.strokes import GRID_DEG, GRID_PER_TURN
from livefit.predict.rider import ARM, Rider

_HIGHEST = GRID_PER_TURN // 2 - 1


@dataclass(frozen=True, order=True)
class Key:
    """One number: a measure of a side at an event."""

    measure: str
    side: str
    event: str


class Reading:
    """Reads the numbers of a pose.

    Parameters
    ----------
    rider
        Whose sides and markers.
    measures
        Each is taken at its own events. Cadence, and what is taken once for both sides, stay out:
        a chain of legs and arms says nothing of them.
    events
        Definitions of the events.
    wanted
        Further measure and event pairs to take.

    Attributes
    ----------
    keys
        In the order of the numbers.
    units
        By measure.
    of_arms
        Measures that need shoulder, elbow or wrist.
    """

    def __init__(
        self,
        rider: Rider,
        measures: Sequence[Measure],
        events: Sequence[Event],
        wanted: Sequence[tuple[Measure, Event]] = (),
    ) -> None:
        by_name = events_by_name([*events, *(event for _, event in wanted)], measures)
        places: dict[str, dict[str, Event]] = {}
        for measure in measures:
            places[measure.name] = {name: by_name[name] for name in measure.events}
        for measure, event in wanted:
            places.setdefault(measure.name, {})[event.name] = event
        known = {measure.name: measure for measure in [*measures, *(m for m, _ in wanted)]}
        own = [m for m in known.values() if m.kind != "cadence" and m.sides == "each"]
        self.units = {measure.name: measure.unit for measure in own}
        self.of_arms = {
            m.name
            for m in own
            if {*ARM} & {name for point in m.points for name in point.split("+")}
        }
        self._tables = {
            side: MeasureTable(
                [m for m in own if MeasureTable.feasible(m, side, rider.labels)], side, rider.labels
            )
            for side in rider.sides
        }
        angles = {
            name: event_angle(event, rider.seat_tube_deg)
            for places_of in places.values()
            for name, event in places_of.items()
        }
        crank = sorted({angle for angle in angles.values() if angle is not None})
        self._between = _interpolation(np.array(crank))
        self._picks: list[tuple[str, int, str, int]] = []
        self.keys: list[Key] = []
        for side, table in self._tables.items():
            for column, measure in enumerate(table.measures):
                for name, event in places[measure.name].items():
                    angle = angles[name]
                    row = -1 if angle is None else crank.index(angle)
                    self._picks.append((side, column, event.kind, row))
                    self.keys.append(Key(measure.name, side, name))

    def __call__(self, poses: FloatArray, cranks: Mapping[str, CrankGeometry]) -> FloatArray:
        """Values (r, k), deg or mm, of poses (r, 36, m, 3); NaN where a marker is missing."""
        virtual = np.broadcast_to(_virtual(cranks), (len(poses), *_virtual(cranks).shape))
        full = np.concatenate([poses, virtual], axis=2)
        values = np.empty((len(poses), len(self.keys)))
        for side, table in self._tables.items():
            own = np.roll(full, -GRID_PER_TURN // 2, axis=1) if side == "L" else full
            at = self._between @ own.reshape(*own.shape[:2], -1)
            at_crank = _evaluated(table, at.reshape(*at.shape[:2], *own.shape[2:]))
            cycle = _evaluated(table, own)
            over = _over_stroke(np.concatenate([cycle, cycle[:, :1]], axis=1))
            for k, (of, column, kind, row) in enumerate(self._picks):
                if of == side:
                    values[:, k] = (over[kind] if row < 0 else at_crank[:, row])[:, column]
        return values


def _evaluated(table: MeasureTable, points: FloatArray) -> FloatArray:
    """Measures (r, q, k) of points (r, q, markers + virtual, 3)."""
    values = table.evaluate(points.reshape(-1, *points.shape[2:]))
    return values.reshape(*points.shape[:2], -1)


def _over_stroke(cycles: FloatArray) -> dict[str, FloatArray]:
    """The events over a whole stroke (r, k) of cycles (r, 37, k), as the kernel takes them."""
    high, low = extreme(cycles, 1)[0], extreme(cycles, -1)[0]
    mean = cycles[:, :-1].mean(axis=1)
    return {"maximum": high, "minimum": low, "range": high - low, "mean": mean}


def _virtual(cranks: Mapping[str, CrankGeometry]) -> FloatArray:
    """The pedal spindles and the axle (36, 3, 3) at each row of a pose."""
    points = np.full((GRID_PER_TURN, len(VIRTUAL_POINTS), 3), np.nan)
    for k, side in enumerate(SIDES):
        if side in cranks:
            crank, angle = cranks[side], Rider.crank_angle(side)
            points[:, k, 0] = crank.centre[0] + crank.length * np.sin(angle)
            points[:, k, 1] = crank.centre[1] + crank.length * np.cos(angle)
            points[:, k, 2] = crank.outward
    points[:, 2] = 0.0
    return points


def _interpolation(crank_deg: FloatArray) -> FloatArray:
    """(q, 36): positions at crank angles from those every 10 degrees.

    Trigonometric interpolation through every row: exact for the eight harmonics that the kernel
    fits.
    """
    steps = np.radians(crank_deg[:, None] - GRID_DEG * np.arange(GRID_PER_TURN))
    orders = np.arange(1, _HIGHEST + 1)[:, None, None]
    last = np.cos((_HIGHEST + 1) * steps)
    waves: FloatArray = (1 + 2 * np.cos(orders * steps).sum(axis=0) + last) / GRID_PER_TURN
    return waves
