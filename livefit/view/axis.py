"""Axes of charts: round limits that keep still while the data move a little."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import overload

from livefit.frames import FloatArray

INTERVALS = 7
"""At most as many between the ticks."""
ROOM = 0.04
"""Free at either end, as a share of what is shown."""
LEAST = {"deg": 10.0, "mm": 20.0, "rpm": 10.0}
"""An axis is never shorter, by unit: noise is not to fill a chart."""


@dataclass(frozen=True)
class Axis:
    """A linear axis in data units whose ends are whole steps."""

    low: float
    high: float
    step: float

    @property
    def ticks(self) -> tuple[float, ...]:
        """Every whole step, the ends included."""
        count = round((self.high - self.low) / self.step)
        return tuple(self.low + i * self.step for i in range(count + 1))

    def holds(self, low: float, high: float) -> bool:
        """Whether ``low`` to ``high`` lies on the axis."""
        return self.low <= low and high <= self.high

    @overload
    def fraction(self, values: float) -> float: ...
    @overload
    def fraction(self, values: FloatArray) -> FloatArray: ...
    def fraction(self, values: float | FloatArray) -> float | FloatArray:
        """Place from 0 at the low end to 1 at the high end; beyond them for what lies outside."""
        return (values - self.low) / (self.high - self.low)


def axis_for(low: float, high: float, unit: str, previous: Axis | None = None) -> Axis:
    """Axis that holds ``low`` to ``high``: grows at once, shrinks only to half its length.

    Examples
    --------
    >>> axis_for(31.0, 44.0, "deg")
    Axis(low=30.0, high=45.0, step=5.0)
    >>> axis_for(32.0, 41.0, "deg", axis_for(31.0, 44.0, "deg"))
    Axis(low=30.0, high=45.0, step=5.0)
    """
    wanted = _fitted(low, high, LEAST[unit])
    if (
        previous is not None
        and previous.holds(low, high)
        and 2 * (wanted.high - wanted.low) > previous.high - previous.low
    ):
        return previous
    return wanted


def _fitted(low: float, high: float, least: float) -> Axis:
    short = max(least - (high - low), 0.0) / 2
    low, high = low - short, high + short
    room = ROOM * (high - low)
    low, high = low - room, high + room
    step = 10.0 ** math.floor(math.log10((high - low) / INTERVALS))
    for factor in (1.0, 2.0, 5.0, 10.0, 20.0):
        first, last = math.floor(low / (factor * step)), math.ceil(high / (factor * step))
        if last - first <= INTERVALS:
            break
    return Axis(first * factor * step, last * factor * step, factor * step)
