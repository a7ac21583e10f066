"""Keeps the bicycle found: first search, refinement while it runs, search again when it moved."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from livefit.frames import FloatArray, Up
from livefit.kernel.crank import BikeFrame
from livefit.kernel.crank_search import CrankNotFoundError, find_bike

SAMPLES_PER_SECOND = 50
"""Frames a second that the search looks at."""
_SEARCH_EVERY = 10
_SEARCH_WINDOWS = (40, 75, 150, 300)
"""Samples: from one stroke at 80 rpm to one and a half at 30 rpm."""
_REFINE_AT = (50, 100, 200, 300, 500, 750, 1000, 2000)
_REFINE_EVERY = 3000
_REMEMBERED = 3000
_STILL_MM = 6.0
"""A foot that moves less between samples stands still and says nothing new of the crank."""
_BETTER_ALONE = 1.25
"""By how much the newest half must come closer to its own circle than to that of all samples."""
_MOVED_SAMPLES = 50
_MOVED_MM = 6.0
_MOVED_RESIDUALS = 5.0


class _Memory:
    """The last samples (n, foot markers, 3) mm, and in which of them a foot moved."""

    def __init__(self, markers: int) -> None:
        self._samples = np.empty((0, markers, 3))
        self._moved = np.empty(0, dtype=bool)
        self._last: FloatArray | None = None
        self._waiting: list[FloatArray] = []
        self._waits = 0

    def add(self, samples: FloatArray) -> None:
        """Remember these; whether a foot moved is looked at when somebody asks."""
        self._waiting.append(samples)
        self._waits += len(samples)
        if self._waits > _REMEMBERED:
            self._work_off()

    def _work_off(self) -> None:
        if not self._waits:
            return
        samples = np.concatenate(self._waiting)
        self._waiting, self._waits = [], 0
        first = samples[:1] if self._last is None else self._last
        self._last = samples[-1:]
        step = np.sqrt(((samples - np.concatenate([first, samples[:-1]])) ** 2).sum(axis=2))
        moved = ~(np.nan_to_num(step, nan=np.inf).max(axis=1, initial=0.0) < _STILL_MM)
        self._samples = np.concatenate([self._samples, samples])[-_REMEMBERED:]
        self._moved = np.concatenate([self._moved, moved])[-_REMEMBERED:]

    def newest(self, most: int) -> tuple[FloatArray, NDArray[np.bool_]]:
        """So many samples at most, and whether a foot moved."""
        self._work_off()
        return self._samples[-most:], self._moved[-most:]

    def replace(self, samples: FloatArray, moved: NDArray[np.bool_]) -> None:
        """Remember these alone."""
        self._samples, self._moved = samples, moved


class BikeTracker:
    """Where the bicycle stands, from the feet, as a function of the frames seen so far only.

    Frames are given one sample, the first, of each stride of the frame number, so that the answer
    at any frame does not depend on how the frames were cut into blocks.

    Parameters
    ----------
    sides
        By side: where among the foot markers CA, VM and, if there is one, PED are.
    up
        The capture axis that points up.

    Attributes
    ----------
    bike
        The present answer, or None while searching.
    until_found
        Samples, up to and with the newest, over which the search that succeeded looked.
    problem
        What keeps the bicycle from being found, in plain words.
    """

    def __init__(self, sides: Mapping[str, slice], up: Up) -> None:
        self.bike: BikeFrame | None = None
        self.problem: str | None = "waiting for pedalling"
        self._sides = sides
        self._up = up
        self._markers = sum(own.stop - own.start for own in sides.values())
        self._memory = _Memory(self._markers)
        self._departures = np.empty(0)
        self._count = 0
        self.until_found = 0

    def until_decision(self) -> int:
        """Samples that may be given before the answer can change other than by a move."""
        if self.bike is None:
            return _SEARCH_EVERY - self._count % _SEARCH_EVERY
        later = [at for at in _REFINE_AT if at > self._count]
        return (later[0] if later else self._next_regular()) - self._count

    def _next_regular(self) -> int:
        return (self._count // _REFINE_EVERY + 1) * _REFINE_EVERY

    def moved_at(self, bike: BikeFrame, arms: FloatArray) -> int | None:
        """Index of the sample at which the bicycle is noticed to have moved, or None.

        bike: the present answer; arms (3, s, n) mm of the n samples that follow those already
        taken, from :meth:`BikeFrame.arms`.
        """
        departures = _departure(bike, arms)
        series = np.concatenate([self._departures, departures])
        self._departures = series[-(_MOVED_SAMPLES - 1) :]
        limit = max(
            _MOVED_MM,
            _MOVED_RESIDUALS * max(crank.residual for crank in bike.cranks.values()),
        )
        if len(series) < _MOVED_SAMPLES or series.max() <= limit:
            return None
        means = np.lib.stride_tricks.sliding_window_view(series, _MOVED_SAMPLES).mean(axis=1)
        over = np.flatnonzero(means > limit)
        if not len(over):
            return None
        return int(over[0]) + len(departures) - len(means)

    def take(self, samples: FloatArray) -> bool:
        """Add samples; returns True when the answer changed with the last of them."""
        self._memory.add(samples)
        self._count += len(samples)
        if self.bike is None:
            return self._count % _SEARCH_EVERY == 0 and self._search()
        due = self._count in _REFINE_AT or (
            self._count > _REFINE_AT[-1] and self._count % _REFINE_EVERY == 0
        )
        return due and self._refine()

    def lose(self) -> None:
        """Forget the bicycle: it was moved."""
        self.bike = None
        self.problem = "the bicycle or a foot marker moved: pedal two strokes to find it again"
        self._forget()

    def _forget(self) -> None:
        self._memory = _Memory(self._markers)
        self._departures = self._departures[:0]
        self._count = 0

    def _search(self) -> bool:
        held, held_moved = self._memory.newest(_SEARCH_WINDOWS[-1])
        for window in _SEARCH_WINDOWS:
            if window > len(held) + _SEARCH_EVERY:
                break
            samples, moved = held[-window:], held_moved[-window:]
            if moved.mean() < 0.8:
                self.problem = "not pedalling"
                continue
            try:
                self.bike = find_bike(self._feet(samples), self._up)
            except CrankNotFoundError as error:
                self.problem = str(error)
                continue
            self.problem = None
            self._memory.replace(samples, moved)
            self._count = self.until_found = len(samples)
            return True
        return False

    def _refine(self) -> bool:
        """Fit all samples again, or the newest half alone if the bicycle moved before it.

        Feet out of sight do not take away the cranks that are known.
        """
        samples, moved = self._memory.newest(_REMEMBERED)
        half = len(samples) // 2
        newest = samples[half:][moved[half:]]
        bike = self._fit(samples[moved], self.bike)
        if bike is None:
            return False
        own = self._fit(newest, bike)
        if own is not None and self._much_closer(own, bike, newest):
            bike = own
            self._memory.replace(samples[half:], moved[half:])
        self.bike = bike
        return True

    def _much_closer(self, one: BikeFrame, other: BikeFrame, samples: FloatArray) -> bool:
        first, second = (
            _departure(bike, bike.arms(bike.by_axis(samples), self._sides)).mean()
            for bike in (one, other)
        )
        return bool(_BETTER_ALONE * first < second)

    def _fit(self, samples: FloatArray, near: BikeFrame | None) -> BikeFrame | None:
        """Bicycle with at least the cranks of `near`, or None."""
        try:
            bike = find_bike(self._feet(samples), self._up, near)
        except CrankNotFoundError:
            return None
        return bike if near is None or near.cranks.keys() <= bike.cranks.keys() else None

    def _feet(self, samples: FloatArray) -> dict[str, FloatArray]:
        return {side: samples[:, columns] for side, columns in self._sides.items()}


def _departure(bike: BikeFrame, arms: FloatArray) -> FloatArray:
    """(n,) mm: the worst side's distance from its circle; 0 where no foot is seen."""
    worst: FloatArray = np.fmax.reduce(bike.departures(arms), axis=0, initial=0.0)
    return worst
