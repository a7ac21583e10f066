"""Measures from marker positions, as tables of points instead of one function a measure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from livefit.definitions.models import Measure
from livefit.frames import FloatArray
from livefit.kernel.phase import wrapped

Indices = NDArray[np.intp]

VIRTUAL_POINTS = ("L_SPINDLE", "R_SPINDLE", "AXLE")
"""Points without a marker; they follow the markers in the array of points."""

_PLANES = {"sagittal": (0, 1), "frontal": (2, 1), "transverse": (0, 2)}
_AXES = {"forward": 0, "up": 1, "outward": 2}


def points_of(measure: Measure, side: str) -> list[tuple[str, str]]:
    """Each point as two markers whose midpoint it is (twice the same for a single marker)."""
    pairs = []
    for point in measure.points:
        names = [_on_side(name, side) for name in point.split("+")]
        pairs.append((names[0], names[-1]))
    return pairs


def _on_side(name: str, side: str) -> str:
    return name if name[:2] in ("L_", "R_") or name == "AXLE" else f"{side}_{name}"


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
    """Computes several measures of one side at once.

    Parameters
    ----------
    measures
        Those that the stream's markers allow; see :meth:`feasible`.
    side
        ``L``, ``R`` or ``B``.
    labels
        Canonical marker names in the order of the positions; virtual points are added.

    Notes
    -----
    Formulas in the docstring of :class:`livefit.definitions.models.Measure`.
    """

    def __init__(self, measures: Sequence[Measure], side: str, labels: Sequence[str]) -> None:
        self.measures = tuple(measures)
        self._rows = {name: k for k, name in enumerate([*labels, *VIRTUAL_POINTS])}
        self._corner = self._group(side, "flexion", "included")
        self._single = self._group(side, "inclination")
        self._between = self._group(side, "between")
        self._offset = self._group(side, "offset")
        outward = np.array([1.0, 1.0, -1.0 if side == "L" else 1.0])
        self._signs = {
            group: (outward[self._axes(group, "u")], outward[self._axes(group, "v")])
            for group in (self._single, self._between)
        }
        self._offset_sign = outward[self._axes(self._offset, "axis")]
        self._sign = np.array([float(m.sign) for m in self.measures])
        self._plus = np.array([m.plus for m in self.measures])
        self._flexion = np.array([m.kind == "flexion" for m in self.measures], dtype=bool)
        self._directed = np.concatenate([self._single.columns, self._between.columns])
        self._angular = np.array([m.unit == "deg" for m in self.measures], dtype=bool)

    @staticmethod
    def feasible(measure: Measure, side: str, labels: Sequence[str]) -> bool:
        """Whether the stream carries the markers that the measure needs."""
        have = {*labels, *VIRTUAL_POINTS}
        return all(name in have for pair in points_of(measure, side) for name in pair)

    def _group(self, side: str, *kinds: str) -> _Group:
        chosen = [k for k, m in enumerate(self.measures) if m.kind in kinds]
        measures = [self.measures[k] for k in chosen]
        pairs = [
            [(self._rows[a], self._rows[b]) for a, b in points_of(measure, side)]
            for measure in measures
        ]
        axes = {name: [axis] * len(chosen) for name, axis in (("x", 0), ("y", 1), ("z", 2))}
        axes |= {name: [_axis(m, name) for m in measures] for name in ("u", "v", "axis")}
        return _Group(chosen, pairs, axes)

    def _axes(self, group: _Group, name: str) -> Indices:
        return np.array([_axis(self.measures[k], name) for k in group.columns], dtype=np.intp)

    def evaluate(self, points: FloatArray) -> FloatArray:
        """Values (e, k), deg or mm, from points (e, markers + virtual, 3) mm in bike axes."""
        flat = points.reshape(len(points), 3 * len(self._rows))
        values = np.full((len(points), len(self.measures)), np.nan)
        if self._corner:
            values[:, self._corner.columns] = _corner_angle(flat, self._corner)
        if self._single:
            signs = self._signs[self._single]
            values[:, self._single.columns] = self._single.direction(flat, 0, signs)
        if self._between:
            signs = self._signs[self._between]
            first = self._between.direction(flat, 0, signs)
            second = self._between.direction(flat, 2, signs)
            values[:, self._between.columns] = wrapped(second - first)
        if self._offset:
            step = self._offset.step(flat, 0, "axis", self._offset_sign)
            values[:, self._offset.columns] = step
        values[:, self._flexion] = np.pi - values[:, self._flexion]
        values[:, self._angular] = np.degrees(values[:, self._angular])
        values *= self._sign
        values += self._plus
        directed = self._directed
        values[:, directed] = 180.0 - np.mod(180.0 - values[:, directed], 360.0)
        return values


def _axis(measure: Measure, name: str) -> int:
    """Axis along which an offset, or the ``u`` or ``v`` of a plane, is taken."""
    if name == "axis":
        return _AXES[measure.axis or "forward"]
    return _PLANES[measure.plane or "sagittal"][name == "v"]


def _corner_angle(flat: FloatArray, group: _Group) -> FloatArray:
    """Angle (e, k) at the middle of three points: atan2 of cross and dot, exact near 0 and pi."""
    bx, by, bz = (group.coordinate(flat, 1, axis) for axis in "xyz")
    ax, ay, az = (group.coordinate(flat, 0, axis) for axis in "xyz")
    cx, cy, cz = (group.coordinate(flat, 2, axis) for axis in "xyz")
    ax, ay, az, cx, cy, cz = ax - bx, ay - by, az - bz, cx - bx, cy - by, cz - bz
    cross = (ay * cz - az * cy) ** 2 + (az * cx - ax * cz) ** 2 + (ax * cy - ay * cx) ** 2
    angle: FloatArray = np.arctan2(np.sqrt(cross), ax * cx + ay * cy + az * cz)
    return angle
