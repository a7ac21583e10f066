"""What changes during a ride, and when: cadence, saddle, heading."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from livefit.frames import FloatArray

Quantity = Literal["cadence_rpm", "saddle_height_mm", "setback_mm", "heading_deg"]


@dataclass(frozen=True)
class Change:
    """One quantity goes smoothly to a new value.

    Attributes
    ----------
    at_s
        When it begins.
    to
        The new value, in the quantity's unit.
    over_s
        How long it takes.
    """

    at_s: float
    to: float
    over_s: float = 1.0

    def __post_init__(self) -> None:
        if not self.over_s > 0:
            raise ValueError(f"a change takes a time above 0 s, got over_s={self.over_s}")


def blend(x: FloatArray) -> FloatArray:
    """0 up to x = 0, 1 from x = 1, and between them the quintic with two continuous derivatives.

    >>> blend(np.array([-1.0, 0.0, 0.5, 1.0, 2.0]))
    array([0. , 0. , 0.5, 1. , 1. ])
    """
    x = np.clip(x, 0.0, 1.0)
    smooth: FloatArray = x**3 * (10 + x * (6 * x - 15))
    return smooth


def blend_integral(x: FloatArray) -> FloatArray:
    """Integral of `blend` from 0 to x.

    >>> blend_integral(np.array([-1.0, 1.0, 3.0]))
    array([0. , 0.5, 2.5])
    """
    inside = np.clip(x, 0.0, 1.0)
    area: FloatArray = inside**4 * (2.5 + inside * (inside - 3)) + np.maximum(x - 1.0, 0.0)
    return area


@dataclass(frozen=True)
class Schedule:
    """A quantity over time: a first value and the changes that follow, in order."""

    start: float
    changes: tuple[Change, ...] = ()

    def __post_init__(self) -> None:
        times = [change.at_s for change in self.changes]
        if times != sorted(times):
            raise ValueError(f"changes must be in order of time, got them at {times} s")

    @property
    def last(self) -> float:
        """The value after every change."""
        return self.changes[-1].to if self.changes else self.start

    def steps(self) -> list[tuple[Change, float]]:
        """Each change with the difference it makes."""
        values = [self.start, *(change.to for change in self.changes)]
        return [
            (change, change.to - before)
            for change, before in zip(self.changes, values, strict=False)
        ]

    def at(self, t: FloatArray) -> FloatArray:
        """Value at the times t (n,) s."""
        value = np.full(np.shape(t), float(self.start))
        for change, by in self.steps():
            value += by * blend((t - change.at_s) / change.over_s)
        return value

    def integral(self, t: FloatArray) -> FloatArray:
        """Integral of the value from 0 to the times t (n,) s; every change begins at t >= 0."""
        area = self.start * t
        for change, by in self.steps():
            area = area + by * change.over_s * blend_integral((t - change.at_s) / change.over_s)
        return area


@dataclass(frozen=True)
class Ride:
    """The changes of a ride by quantity; what is not named stays as bicycle and style have it.

    A cadence of 0 stands still, below 0 pedals backward. The heading is the bicycle's turn in
    the capture volume since the beginning.
    """

    cadence_rpm: tuple[Change, ...] = ()
    saddle_height_mm: tuple[Change, ...] = ()
    setback_mm: tuple[Change, ...] = ()
    heading_deg: tuple[Change, ...] = ()

    def __post_init__(self) -> None:
        every = (*self.cadence_rpm, *self.saddle_height_mm, *self.setback_mm, *self.heading_deg)
        if any(change.at_s < 0 for change in every):
            raise ValueError("a ride begins at 0 s, got a change before it")

    def with_change(self, quantity: Quantity, change: Change) -> Ride:
        """The same ride with one more change, at the end of the quantity's list."""
        return replace(self, **{quantity: (*getattr(self, quantity), change)})
