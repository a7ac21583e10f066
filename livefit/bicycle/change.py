"""What an adjustment did: the bicycle touched again, in part or whole, and the differences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livefit.bicycle.axes import Level
from livefit.bicycle.dimensions import Dimension
from livefit.bicycle.geometry import COVERING, Spread, Tip
from livefit.bicycle.registration import Placement
from livefit.bicycle.touching import Touch
from livefit.definitions.bicycle import TouchPoint
from livefit.frames import FloatArray, Up

ADJUSTED: Mapping[str, str] = {
    "saddle_height": "saddle_height",
    "saddle_setback": "saddle_setback",
    "saddle_tilt": "saddle_tilt",
    "bar_reach": "bar_forward",
    "bar_height": "bar_up",
    "crank_length": "crank_length",
}
"""Adjustment -> the dimension that it changes by as much."""
READING = {"mm": 0.5, "deg": 0.25}
"""How finely a tape or a level is read, to either side."""

ONLY: Mapping[str, tuple[str, ...]] = {
    "saddle": ("saddle_nose", "saddle_rear", "saddle_wide"),
    "bar": ("bar_top_left", "bar_top_right", "bar_front_left", "bar_front_right", "hood_left",
            "hood_right", "bar_end_left", "bar_end_right", "drops_left", "drops_right", "pad_left",
            "pad_right", "extension_left", "extension_right", "stem_top_left", "stem_top_right",
            "stem_bottom_left", "stem_bottom_right"),
    "cranks": ("pedal_left", "pedal_right"),
}  # fmt: skip
"""Part -> the points that move with it: enough to touch again when only it was adjusted."""


@dataclass(frozen=True)
class Difference:
    """How much a dimension changed.

    Attributes
    ----------
    dimension
        Which.
    before, after
        In its unit.
    se
        Standard error of the difference; what both measurements share does not count.
    """

    dimension: Dimension
    before: float
    after: float
    se: float

    @property
    def value(self) -> float:
        """After less before."""
        return self.after - self.before

    @property
    def half_width(self) -> float:
        """Of the 95 % interval."""
        return COVERING * self.se

    @property
    def sure(self) -> bool:
        """Whether the interval leaves out no change."""
        return abs(self.value) > self.half_width

    def agrees(self, amount: float) -> bool:
        """Whether an amount read off a tape or a level may be this difference."""
        return abs(self.value - amount) <= self.half_width + READING[self.dimension.unit]


def differences(
    before: Mapping[str, Touch],
    after: Mapping[str, Touch],
    points: Sequence[TouchPoint],
    tips: tuple[Tip, Tip],
    *,
    placement: Placement | None = None,
    level: Level = "axles",
    up: Up = "+z",
    axle_rise_mm: float = 0.0,
) -> dict[str, Difference]:
    """What changed between two measurements, by dimension.

    A point that was not touched again is taken to be where it was, or where the placement puts
    it; its error then counts in both measurements alike, and cancels as far as it may. So does
    the error of one and the same tip.

    Parameters
    ----------
    before, after
        By point; all of the first, and those touched again.
    points
        What is known of the points.
    tips
        The pointer's calibration then and now.
    placement
        Where the bicycle went in between, its uncertainty included; None: it stood still. Both
        measurements are looked at where the bicycle stands now.
    level, up, axle_rise_mm
        As of :func:`livefit.bicycle.geometry.measure_bicycle`.

    Raises
    ------
    GeometryError
        If the points make no bicycle.
    """
    if placement is not None:
        before = {name: placement.move_touch(touch) for name, touch in before.items()}
    kept = {name: touch for name, touch in before.items() if name not in after}
    first = Spread.of(before, points, level=level, up=up, axle_rise_mm=axle_rise_mm)
    then = Spread.of({**kept, **after}, points, level=level, up=up, axle_rise_mm=axle_rise_mm)
    common = [d for d in first.able if d in then.able]
    of_first = [first.able.index(d) for d in common]
    of_then = [then.able.index(d) for d in common]
    variance = np.zeros(len(common))
    by_tip = [np.zeros((len(common), 3)), np.zeros((len(common), 3))]
    carried = np.zeros((len(common), 6))
    for name in dict.fromkeys((*first.names, *then.names)):
        if name in first.names:
            k = first.names.index(name)
            slope = -first.slopes[of_first, k]
            if name in kept:
                slope = slope + then.slopes[of_then, then.names.index(name)]
            variance += _square(slope, first.covariances[k])
            by_tip[0] += slope @ first.turns[k]
            if placement is not None:
                carried += slope @ placement.slopes(before[name].point[None])[0]
        if name in then.names and name not in kept:
            k = then.names.index(name)
            slope = then.slopes[of_then, k]
            variance += _square(slope, then.covariances[k])
            by_tip[1] += slope @ then.turns[k]
    if placement is not None:
        variance += _square(carried, placement.covariance)
    if np.array_equal(tips[0].covariance, tips[1].covariance):
        variance += _square(by_tip[0] + by_tip[1], tips[0].covariance)
    else:
        variance += sum(_square(s, tip.covariance) for s, tip in zip(by_tip, tips, strict=True))
    return {
        d.name: Difference(d, float(first.sizes[i]), float(then.sizes[j]), float(np.sqrt(v)))
        for d, i, j, v in zip(common, of_first, of_then, variance, strict=True)
    }


def _square(slopes: FloatArray, covariance: FloatArray) -> FloatArray:
    """(d,): variance of quantities with slopes (d, n) of something with covariance (n, n)."""
    variance: FloatArray = np.einsum("di,ij,dj->d", slopes, covariance, slopes)
    return variance
