"""Measures from marker positions, as tables of points instead of one function a measure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from livefit.definitions.models import AXLE, SIDES, SPINDLE, Measure
from livefit.frames import FloatArray

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

    Notes
    -----
    Formulas in the docstring of :class:`livefit.definitions.models.Measure`. All coordinates that
    are wanted are taken in one go, first those of the corners' points, then those of the arrows'
    ends along the two axes of their planes, then those of the offsets' ends along their axes.
    """

    def __init__(
        self, measures: Sequence[Measure], side: str | Sequence[str], labels: Sequence[str]
    ) -> None:
        self.measures = tuple(measures)
        sides = [side] * len(measures) if isinstance(side, str) else list(side)
        pairs = [points_of(m, s) for m, s in zip(measures, sides, strict=True)]
        self._corner = self._of_kind("flexion", "included")
        self._single = self._of_kind("inclination")
        self._between = self._of_kind("between")
        self._offset = self._of_kind("offset")
        arrows = [(k, 0) for k in self._single]
        arrows += [(k, first) for first in (0, 2) for k in self._between]
        corners = [(pairs[k][p], axis) for p in range(3) for axis in _CYCLE for k in self._corner]
        ends = [
            (pairs[k][first + end], _axis(measures[k], name))
            for end in (0, 1)
            for name in ("u", "v")
            for k, first in arrows
        ]
        offsets = [
            (pairs[k][end], _axis(measures[k], "axis")) for end in (0, 1) for k in self._offset
        ]
        row = {name: 3 * k for k, name in enumerate([*labels, *VIRTUAL_POINTS])}
        first, second = (
            np.array([row[pair[k]] + axis for pair, axis in [*corners, *ends, *offsets]], np.intp)
            for k in (0, 1)
        )
        self._coordinates = 3 * len(row)
        self._middles = np.flatnonzero(first != second)
        self._first, self._second = first, second[self._middles]
        self._parts = len(corners), len(corners) + len(ends)
        self._arrow_signs = np.array(
            [[_outward(measures[k], sides[k], name) for k, _ in arrows] for name in ("u", "v")]
        )[:, :, None]
        self._offset_signs = np.array(
            [_outward(measures[k], sides[k], "axis") for k in self._offset]
        )[:, None]
        self._directed = [*self._single, *self._between]
        self._factor, self._plus = (
            np.array([_scale(m) for m in measures]).reshape(-1, 2, 1).swapaxes(0, 1)
        )

    @staticmethod
    def feasible(measure: Measure, side: str, labels: Sequence[str]) -> bool:
        """Whether the stream carries the markers that the measure needs."""
        have = {*labels, *VIRTUAL_POINTS}
        return all(name in have for pair in points_of(measure, side) for name in pair)

    def _of_kind(self, *kinds: str) -> list[int]:
        return [k for k, measure in enumerate(self.measures) if measure.kind in kinds]

    def evaluate(self, points: FloatArray) -> FloatArray:
        """Values (e, k), deg or mm, from points (e, markers + virtual, 3) mm in bike axes."""
        e = len(points)
        columns = points.reshape(e, self._coordinates).T
        wanted = columns.take(self._first, axis=0)
        if len(self._middles):
            other = columns.take(self._second, axis=0)
            wanted[self._middles] = 0.5 * (wanted[self._middles] + other)
        first, second = self._parts
        values = np.full((len(self.measures), e), np.nan)
        if self._corner:
            values[self._corner] = _corner_angle(wanted[:first].reshape(3, len(_CYCLE), -1, e))
        if self._directed:
            ends = wanted[first:second].reshape(2, 2, -1, e)
            along, across = (ends[1] - ends[0]) * self._arrow_signs
            direction = np.arctan2(across, along)
            single, between = len(self._single), len(self._between)
            values[self._single] = direction[:single]
            if between:
                one, other = direction[single:].reshape(2, between, e)
                values[self._between] = other - one
        if self._offset:
            before, after = wanted[second:].reshape(2, -1, e)
            values[self._offset] = (after - before) * self._offset_signs
        values *= self._factor
        values += self._plus
        if self._directed:
            directed = values[self._directed]
            values[self._directed] = directed - 360.0 * np.ceil((directed - 180.0) / 360.0)
        return np.ascontiguousarray(values.T)


_CYCLE = (0, 1, 2, 0, 1)
"""Axes of a corner's points: each of the three has the next two behind it."""


def _axis(measure: Measure, name: str) -> int:
    """Axis along which an offset, or the ``u`` or ``v`` of a plane, is taken."""
    if name == "axis":
        return _AXES[measure.axis or "forward"]
    return _PLANES[measure.plane or "sagittal"][name == "v"]


def _outward(measure: Measure, side: str, name: str) -> float:
    """-1 where an axis runs across the bicycle and outward is left, else 1."""
    return -1.0 if _axis(measure, name) == _AXES["outward"] and side == "L" else 1.0


def _scale(measure: Measure) -> tuple[float, float]:
    """By what a raw angle (rad) or length (mm) is multiplied, and what is added then."""
    if measure.unit != "deg":
        return measure.sign, measure.plus
    degrees = np.degrees(measure.sign)
    if measure.kind == "flexion":
        return -degrees, 180.0 * measure.sign + measure.plus
    return degrees, measure.plus


def _corner_angle(points: FloatArray) -> FloatArray:
    """Angle (k, e) at the middle of three points: atan2 of cross and dot, exact near 0 and pi.

    points (3, 5, k, e): their coordinates x, y, z, x, y.
    """
    a, c = points[0] - points[1], points[2] - points[1]
    cross = a[1:4] * c[2:5] - a[2:5] * c[1:4]
    x, y, z = cross * cross
    dot = a[:3] * c[:3]
    angle: FloatArray = np.arctan2(np.sqrt(x + y + z), dot[0] + dot[1] + dot[2])
    return angle
