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
    """Measures of one kind: where they go in the result, and their points' coordinates."""

    def __init__(self, columns: list[int], pairs: list[list[tuple[int, int]]]) -> None:
        self.columns = np.array(columns, dtype=np.intp)
        self._pairs = np.array(pairs, dtype=np.intp)

    def __bool__(self) -> bool:
        return len(self.columns) > 0

    def coordinate(self, flat: FloatArray, point: int, axis: Indices | int) -> FloatArray:
        """Coordinate (e, k) of each measure's point along its axis; flat (e, 3 * points)."""
        first, second = (3 * self._pairs[:, point, k] + axis for k in (0, 1))
        if (first == second).all():
            return flat[:, first]
        middle: FloatArray = 0.5 * (flat[:, first] + flat[:, second])
        return middle


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
        self._side = side
        self._outward = -1.0 if side == "L" else 1.0
        self._corner = self._group("flexion", "included")
        self._single = self._group("inclination")
        self._between = self._group("between")
        self._offset = self._group("offset")
        self._sign = np.array([float(m.sign) for m in self.measures])
        self._plus = np.array([m.plus for m in self.measures])
        self._flexion = np.array([m.kind == "flexion" for m in self.measures])
        angle = {"flexion", "included", "inclination", "between"}
        self._directed = np.concatenate([self._single.columns, self._between.columns])
        self._angular = np.array([m.kind in angle for m in self.measures])

    @staticmethod
    def feasible(measure: Measure, side: str, labels: Sequence[str]) -> bool:
        """Whether the stream carries the markers that the measure needs."""
        have = {*labels, *VIRTUAL_POINTS}
        return all(name in have for pair in points_of(measure, side) for name in pair)

    def _group(self, *kinds: str) -> _Group:
        chosen = [k for k, m in enumerate(self.measures) if m.kind in kinds]
        pairs = [
            [(self._rows[a], self._rows[b]) for a, b in points_of(self.measures[k], self._side)]
            for k in chosen
        ]
        return _Group(chosen, pairs)

    def evaluate(self, points: FloatArray) -> FloatArray:
        """Values (e, k), deg or mm, from points (e, markers + virtual, 3) mm in bike axes."""
        flat = points.reshape(len(points), 3 * len(self._rows))
        values = np.full((len(points), len(self.measures)), np.nan)
        if self._corner:
            values[:, self._corner.columns] = _corner_angle(flat, self._corner)
        if self._single:
            values[:, self._single.columns] = self._direction(flat, self._single, 0)
        if self._between:
            first = self._direction(flat, self._between, 0)
            second = self._direction(flat, self._between, 2)
            values[:, self._between.columns] = wrapped(second - first)
        if self._offset:
            axis = self._axes("axis", self._offset)
            values[:, self._offset.columns] = self._step(flat, self._offset, 0, axis)
        values[:, self._flexion] = np.pi - values[:, self._flexion]
        values[:, self._angular] = np.degrees(values[:, self._angular])
        values *= self._sign
        values += self._plus
        directed = self._directed
        values[:, directed] = 180.0 - np.mod(180.0 - values[:, directed], 360.0)
        return values

    def _axes(self, which: str, group: _Group) -> Indices:
        """Axis of each measure of the group: its `axis`, or the ``u`` or ``v`` of its plane."""
        measures = [self.measures[k] for k in group.columns]
        if which == "axis":
            return np.array([_AXES[m.axis or "forward"] for m in measures], dtype=np.intp)
        planes = [_PLANES[m.plane or "sagittal"] for m in measures]
        return np.array([plane[which == "v"] for plane in planes], dtype=np.intp)

    def _step(self, flat: FloatArray, group: _Group, point: int, axis: Indices) -> FloatArray:
        """From one point to the next along an axis (e, k), outward for the third axis."""
        step = group.coordinate(flat, point + 1, axis) - group.coordinate(flat, point, axis)
        signed: FloatArray = step * np.where(axis == 2, self._outward, 1.0)
        return signed

    def _direction(self, flat: FloatArray, group: _Group, point: int) -> FloatArray:
        v = self._step(flat, group, point, self._axes("v", group))
        u = self._step(flat, group, point, self._axes("u", group))
        direction: FloatArray = np.arctan2(v, u)
        return direction


def _corner_angle(flat: FloatArray, group: _Group) -> FloatArray:
    """Angle (e, k) at the middle of three points: atan2 of cross and dot, exact near 0 and pi."""
    middle = [group.coordinate(flat, 1, axis) for axis in range(3)]
    ax, ay, az = (group.coordinate(flat, 0, axis) - middle[axis] for axis in range(3))
    cx, cy, cz = (group.coordinate(flat, 2, axis) - middle[axis] for axis in range(3))
    cross = (ay * cz - az * cy) ** 2 + (az * cx - ax * cz) ** 2 + (ax * cy - ay * cx) ** 2
    angle: FloatArray = np.arctan2(np.sqrt(cross), ax * cx + ay * cy + az * cz)
    return angle
