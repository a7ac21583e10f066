"""The common scale on which left and right are drawn against their band."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

MAX_STEPS = 4
DEFAULT_WIDTH = {"deg": 10.0, "mm": 20.0, "rpm": 10.0}
"""Where a measure has no band, the scale is built round a range of this width instead."""


@dataclass(frozen=True)
class Scale:
    """A linear scale; ``steps`` is how many band widths it reaches beyond the band."""

    low: float
    high: float
    steps: int

    def fraction(self, value: float) -> float:
        """Place of ``value`` from 0 at the low end to 1 at the high end, held to these."""
        return min(max((value - self.low) / (self.high - self.low), 0.0), 1.0)

    def holds(self, value: float) -> bool:
        """Whether ``value`` lies on the scale."""
        return self.low <= value <= self.high


def common_scale(
    band: tuple[float, float] | None,
    values: Sequence[float],
    unit: str,
    previous: Scale | None = None,
) -> Scale | None:
    """Scale that holds the band and the values, and keeps still while they move a little.

    It reaches one band width beyond either edge of the band, or as many more (up to
    ``MAX_STEPS``) as the farthest value asks for; it narrows again only once a quarter of a width
    to spare is left. Without a band and without values there is no scale.

    Examples
    --------
    >>> common_scale((30.0, 40.0), [33.0], "deg")
    Scale(low=20.0, high=50.0, steps=1)
    >>> common_scale((30.0, 40.0), [57.0], "deg")
    Scale(low=10.0, high=60.0, steps=2)
    """
    if band is None:
        if not values:
            return None
        width = DEFAULT_WIDTH[unit]
        if previous is not None and all(previous.holds(value) for value in values):
            return previous
        middle = round(sum(values) / len(values) / width) * width
        band = (middle - width / 2, middle + width / 2)
    low, high = band
    width = high - low
    reach = max((max(low - value, value - high) / width for value in values), default=0.0)
    steps = _steps(reach)
    if previous is not None and previous.steps > steps and _steps(reach + 0.25) >= previous.steps:
        steps = previous.steps
    return Scale(low - steps * width, high + steps * width, steps)


def _steps(reach: float) -> int:
    return min(max(math.ceil(reach), 1), MAX_STEPS)
