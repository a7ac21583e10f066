"""Measures from marker positions, as tables of points instead of one function a measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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


@dataclass(frozen=True)
class _Group:
    """Measures of one kind: their columns in the result and their points' rows (k, p, 2)."""

    columns: Indices
    points: Indices
    u: Indices
    v: Indices
    u_sign: FloatArray
    v_sign: FloatArray


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
        self._direction = self._group("inclination", "between")
        self._offset = self._group("offset")
        self._sign = np.array([float(m.sign) for m in self.measures])
        self._plus = np.array([m.plus for m in self.measures])
        self._flexion = np.array([m.kind == "flexion" for m in self.measures])
        angle = {"flexion", "included", "inclination", "between"}
        self._angular = np.array([m.kind in angle for m in self.measures])

    @staticmethod
    def feasible(measure: Measure, side: str, labels: Sequence[str]) -> bool:
        """Whether the stream carries the markers that the measure needs."""
        have = {*labels, *VIRTUAL_POINTS}
        return all(name in have for pair in points_of(measure, side) for name in pair)

    def _group(self, *kinds: str) -> _Group:
        chosen = [k for k, m in enumerate(self.measures) if m.kind in kinds]
        rows = []
        for k in chosen:
            pairs = [
                (self._rows[a], self._rows[b]) for a, b in points_of(self.measures[k], self._side)
            ]
            rows.append(pairs if len(pairs) != 2 else [*pairs, *pairs])
        planes = [_PLANES[self.measures[k].plane or "sagittal"] for k in chosen]
        u = [
            _AXES[self.measures[k].axis or "forward"] if "offset" in kinds else plane[0]
            for k, plane in zip(chosen, planes, strict=True)
        ]
        v = [plane[1] for plane in planes]
        width = 3 if "flexion" in kinds else 4
        return _Group(
            columns=np.array(chosen, dtype=np.intp),
            points=np.array(rows, dtype=np.intp).reshape(len(chosen), width, 2),
            u=np.array(u, dtype=np.intp),
            v=np.array(v, dtype=np.intp),
            u_sign=np.where(np.array(u) == 2, self._outward, 1.0),
            v_sign=np.where(np.array(v) == 2, self._outward, 1.0),
        )

    def evaluate(self, points: FloatArray) -> FloatArray:
        """Values (e, k), deg or mm, from points (e, markers + virtual, 3) mm in bike axes."""
        values = np.full((len(points), len(self.measures)), np.nan)
        if len(self._corner.columns):
            a, b, c = (self._points(points, self._corner, i) for i in range(3))
            values[:, self._corner.columns] = _corner_angle(a - b, c - b)
        if len(self._direction.columns):
            values[:, self._direction.columns] = self._directions(points)
        if len(self._offset.columns):
            group = self._offset
            step = self._points(points, group, 1) - self._points(points, group, 0)
            along = np.take_along_axis(step, group.u[None, :, None], axis=2)[:, :, 0]
            values[:, group.columns] = along * group.u_sign
        values[:, self._flexion] = np.pi - values[:, self._flexion]
        values[:, self._angular] = np.degrees(values[:, self._angular])
        values *= self._sign
        values += self._plus
        directions = self._direction.columns
        values[:, directions] = 180.0 - np.mod(180.0 - values[:, directions], 360.0)
        return values

    def _points(self, points: FloatArray, group: _Group, which: int) -> FloatArray:
        pair = group.points[:, which]
        middle: FloatArray = 0.5 * (points[:, pair[:, 0]] + points[:, pair[:, 1]])
        return middle

    def _directions(self, points: FloatArray) -> FloatArray:
        """Direction of the (second) segment, less that of the first for two segments (rad)."""
        group = self._direction
        first = self._direction_of(points, group, 0)
        second = self._direction_of(points, group, 2)
        single = np.array([self.measures[k].kind == "inclination" for k in group.columns])
        return np.where(single, second, wrapped(second - first))

    def _direction_of(self, points: FloatArray, group: _Group, which: int) -> FloatArray:
        arrow = self._points(points, group, which + 1) - self._points(points, group, which)
        u = np.take_along_axis(arrow, group.u[None, :, None], axis=2)[:, :, 0] * group.u_sign
        v = np.take_along_axis(arrow, group.v[None, :, None], axis=2)[:, :, 0] * group.v_sign
        direction: FloatArray = np.arctan2(v, u)
        return direction


def _corner_angle(a: FloatArray, c: FloatArray) -> FloatArray:
    """Angle (e, k) between arrows (e, k, 3): atan2 of cross and dot, exact near 0 and 180 deg."""
    cross = np.cross(a, c)
    angle: FloatArray = np.arctan2(np.sqrt((cross**2).sum(axis=2)), (a * c).sum(axis=2))
    return angle
