"""Measures from marker positions, as tables of points instead of one function a measure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from livefit.definitions.models import AXLE, SIDES, SPINDLE, Measure
from livefit.frames import FloatArray

Indices = NDArray[np.intp]

VIRTUAL_POINTS = ("L_SPINDLE", "R_SPINDLE", "AXLE")
"""Points without a marker; they follow the markers in the array of points."""
FOOT_MARKERS = ("CA", "VM", "PED")
"""Those of a foot that turn with its pedal."""
AXLE_ROW = VIRTUAL_POINTS.index(AXLE)

_PLANES = {"sagittal": (0, 1), "frontal": (2, 1), "transverse": (0, 2)}
_AXES = {"forward": 0, "up": 1, "outward": 2}


def points_of(measure: Measure, side: str) -> list[tuple[str, str]]:
    """Each point as two markers whose midpoint it is (twice the same for a single marker)."""
    pairs = []
    for point in measure.points:
        names = [_on_side(name, side) for name in point.split("+")]
        pairs.append((names[0], names[-1]))
    return pairs


def markers_of(measure: Measure, side: str) -> frozenset[str]:
    """Markers that a value rests on; the spindle and the axle are found by those of the feet."""
    names = {name for pair in points_of(measure, side) for name in pair}
    feet = SIDES if AXLE in names else [s for s in SIDES if f"{s}_{SPINDLE}" in names]
    found = names | {f"{foot}_{marker}" for foot in feet for marker in FOOT_MARKERS}
    return frozenset(found.difference(VIRTUAL_POINTS))


def rests_on_mid_plane(measure: Measure) -> bool:
    """Whether a value cannot be told without knowing where the bicycle's mid-plane is."""
    across = measure.axis == "outward" or measure.plane in ("frontal", "transverse")
    return any(AXLE in point.split("+") for point in measure.points) and (
        across or measure.kind in ("flexion", "included")
    )


def _on_side(name: str, side: str) -> str:
    return name if name[:2] in ("L_", "R_") or name == AXLE else f"{side}_{name}"


class _Group:
    """Measures of one kind: where they go in the result, and their points' coordinates.

    Parameters
    ----------
    columns
        Columns of the result.
    pairs
        (k, p, 2) rows of the points, each the midpoint of two markers.
    axes
        By name: (k,) the axis of each measure along which a point is wanted.
    """

    def __init__(
        self, columns: list[int], pairs: list[list[tuple[int, int]]], axes: dict[str, list[int]]
    ) -> None:
        self.columns = np.array(columns, dtype=np.intp)
        self._wanted: dict[tuple[int, str], tuple[Indices, Indices | None]] = {}
        rows = 3 * np.array(pairs, dtype=np.intp)
        for name, axis in axes.items() if columns else []:
            for point in range(rows.shape[1]):
                first, second = (rows[:, point, k] + np.array(axis, dtype=np.intp) for k in (0, 1))
                same = bool((first == second).all())
                self._wanted[point, name] = (first, None if same else second)

    def __bool__(self) -> bool:
        return len(self.columns) > 0

    def coordinate(self, rows: FloatArray, point: int, axis: str) -> FloatArray:
        """Coordinate (k, e) of each measure's point along its axis; rows (3 * points, e)."""
        first, second = self._wanted[point, axis]
        if second is None:
            return rows[first]
        middle: FloatArray = 0.5 * (rows[first] + rows[second])
        return middle

    def step(self, rows: FloatArray, point: int, axis: str, sign: FloatArray) -> FloatArray:
        """From one point to the next along an axis (k, e), outward counted on the own side."""
        before, after = self.coordinate(rows, point, axis), self.coordinate(rows, point + 1, axis)
        step: FloatArray = (after - before) * sign
        return step

    def direction(
        self, rows: FloatArray, point: int, signs: tuple[FloatArray, FloatArray]
    ) -> FloatArray:
        """Direction (k, e), rad, of the arrow from one point to the next in the plane (u, v)."""
        direction: FloatArray = np.arctan2(
            self.step(rows, point, "v", signs[1]), self.step(rows, point, "u", signs[0])
        )
        return direction


class MeasureTable:
    """Computes several measures at once.

    Parameters
    ----------
    measures
        Those that the stream's markers allow; see :meth:`feasible`.
    side
        ``L``, ``R`` or ``B``: one for all, or one for each.
    labels
        Canonical marker names in the order of the positions; virtual points are added.

    Attributes
    ----------
    from_mid_plane
        Columns of distances from the mid-plane: with one side alone only their range is known.

    Notes
    -----
    Formulas in the docstring of :class:`livefit.definitions.models.Measure`.
    """

    def __init__(
        self, measures: Sequence[Measure], side: str | Sequence[str], labels: Sequence[str]
    ) -> None:
        self.measures = tuple(measures)
        self._sides = [side] * len(measures) if isinstance(side, str) else list(side)
        names = [*labels, *VIRTUAL_POINTS]
        pairs = [points_of(m, s) for m, s in zip(measures, self._sides, strict=True)]
        used = {name for own in pairs for pair in own for name in pair}
        places = [k for k, name in enumerate(names) if name in used]
        self._points = len(names)
        self._rows = {names[place]: k for k, place in enumerate(places)}
        self._gathered = np.array(
            [3 * k + axis for k in places for axis in range(3)], dtype=np.intp
        )
        self._corner = self._group("flexion", "included")
        self._single = self._group("inclination")
        self._between = self._group("between")
        self._offset = self._group("offset")
        self._signs = {
            group: (self._outward(group, "u"), self._outward(group, "v"))
            for group in (self._single, self._between)
        }
        self._offset_sign = self._outward(self._offset, "axis")
        self._directed = np.concatenate([self._single.columns, self._between.columns])
        self.from_mid_plane = [
            k for k in self._offset.columns.tolist() if rests_on_mid_plane(self.measures[k])
        ]
        self._factor, self._plus = (
            np.array([_scale(m) for m in measures]).reshape(-1, 2, 1).swapaxes(0, 1)
        )

    @staticmethod
    def feasible(measure: Measure, side: str, labels: Sequence[str]) -> bool:
        """Whether the stream carries the markers that the measure needs."""
        have = {*labels, *VIRTUAL_POINTS}
        return all(name in have for pair in points_of(measure, side) for name in pair)

    def _group(self, *kinds: str) -> _Group:
        chosen = [k for k, m in enumerate(self.measures) if m.kind in kinds]
        measures = [self.measures[k] for k in chosen]
        pairs = [
            [(self._rows[a], self._rows[b]) for a, b in points_of(m, self._sides[k])]
            for k, m in zip(chosen, measures, strict=True)
        ]
        axes = {name: [axis] * len(chosen) for name, axis in (("x", 0), ("y", 1), ("z", 2))}
        axes |= {name: [_axis(m, name) for m in measures] for name in ("u", "v", "axis")}
        return _Group(chosen, pairs, axes)

    def _outward(self, group: _Group, name: str) -> FloatArray:
        """-1 (k, 1) where an axis runs across the bicycle and outward is left, else 1."""
        across = [_axis(self.measures[k], name) == _AXES["outward"] for k in group.columns]
        left = [self._sides[k] == "L" for k in group.columns]
        return np.where(np.logical_and(across, left), -1.0, 1.0)[:, None]

    def evaluate(self, points: FloatArray) -> FloatArray:
        """Values (e, k), deg or mm, from points (e, markers + virtual, 3) mm in bike axes."""
        rows = points.reshape(len(points), 3 * self._points).T[self._gathered]
        values = np.full((len(self.measures), len(points)), np.nan)
        if self._corner:
            values[self._corner.columns] = _corner_angle(rows, self._corner)
        if self._single:
            signs = self._signs[self._single]
            values[self._single.columns] = self._single.direction(rows, 0, signs)
        if self._between:
            signs = self._signs[self._between]
            first = self._between.direction(rows, 0, signs)
            values[self._between.columns] = self._between.direction(rows, 2, signs) - first
        if self._offset:
            values[self._offset.columns] = self._offset.step(rows, 0, "axis", self._offset_sign)
        values *= self._factor
        values += self._plus
        directed = values[self._directed]
        values[self._directed] = directed - 360.0 * np.ceil((directed - 180.0) / 360.0)
        return np.ascontiguousarray(values.T)


def _axis(measure: Measure, name: str) -> int:
    """Axis along which an offset, or the ``u`` or ``v`` of a plane, is taken."""
    if name == "axis":
        return _AXES[measure.axis or "forward"]
    return _PLANES[measure.plane or "sagittal"][name == "v"]


def _scale(measure: Measure) -> tuple[float, float]:
    """By what a raw angle (rad) or length (mm) is multiplied, and what is added then."""
    if measure.unit != "deg":
        return measure.sign, measure.plus
    degrees = np.degrees(measure.sign)
    if measure.kind == "flexion":
        return -degrees, 180.0 * measure.sign + measure.plus
    return degrees, measure.plus


def _corner_angle(rows: FloatArray, group: _Group) -> FloatArray:
    """Angle (k, e) at the middle of three points: atan2 of cross and dot, exact near 0 and pi."""
    bx, by, bz = (group.coordinate(rows, 1, axis) for axis in "xyz")
    ax, ay, az = (group.coordinate(rows, 0, axis) for axis in "xyz")
    cx, cy, cz = (group.coordinate(rows, 2, axis) for axis in "xyz")
    ax, ay, az, cx, cy, cz = ax - bx, ay - by, az - bz, cx - bx, cy - by, cz - bz
    cross = (ay * cz - az * cy) ** 2 + (az * cx - ax * cz) ** 2 + (ax * cy - ay * cx) ** 2
    angle: FloatArray = np.arctan2(np.sqrt(cross), ax * cx + ay * cy + az * cz)
    return angle
