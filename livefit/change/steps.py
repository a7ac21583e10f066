"""A change that nobody marked, noticed within a few strokes.

Over a window of the last strokes a step at each of the latest strokes is fitted beside level,
trend and, if given, cadence; the largest of their t values is looked at (generalised likelihood
ratio). What drifts goes into the trend and what follows the cadence into its slope, so that neither
is taken for a step; and a step cannot spoil the numbers it is judged by, for it is fitted along.
The trend is held to be slow, as if a further observation had said so; otherwise it would take the
strength out of a step soon after the beginning.

Strokes are correlated: all columns are freed of a first-order autoregression first (Cochrane D,
Orcutt GH (1949) J Am Stat Assoc 44:32-61), known from strokes before the latest.

The threshold follows from how seldom a false alarm may come: Siegmund D, Venkatraman ES (1995)
Using the generalized likelihood ratio statistic for sequential detection of a change-point.
Ann Stat 23:255-271, limited to the latest strokes as by Lai TL (1995) J R Stat Soc B 57:613-658.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import ndtri, stdtr, stdtrit

from livefit.frames import FloatArray

EVERY = 9_000.0
"""Strokes between false alarms that the threshold is made for, were the correlation known. It is
estimated, which makes them more frequent, but still fewer than one in 5,400 strokes, an hour."""
_MORE_LOOKS = 2.5
"""Of correlated strokes the first after a step weighs most, so that neighbouring onsets are less
alike and there are more chances of a false alarm: by (1 - r²) to this power, by simulation."""
WINDOW = 150
FEWEST = 30
"""Strokes before anything is said."""
LATEST, LEAST = 25, 4
"""A step is looked for 25 strokes back, and four strokes since make one, a single bad one none."""
SMALLEST = 1.5
"""Spreads of single strokes: a smaller step is the rider's own wandering."""
_DRIFT = 600.0
"""So many strokes drift by about one spread."""
_MEMORY = 1000.0
"""Strokes back to which the correlation is remembered."""
_CLEARLY = 4.0
"""A later step explains so much more, in variances, before an earlier one is waited with."""
_USUAL, _USUAL_STROKES = 0.4, 30.0
"""The correlation held to be usual, and how many strokes that is worth."""
_MOST_CORRELATION = 0.9
_FEWEST_BEFORE = 10
_LEAST_OWN = 0.05
"""Of a step's square no less must be left beside level, trend and cadence."""


@dataclass(frozen=True)
class Step:
    """A sudden change of a measure's level.

    Attributes
    ----------
    stroke, found_at
        First stroke after the step; stroke at which it was noticed.
    size, se, low, high
        Change in the measure's unit, its standard error and 95 % interval; found by being large,
        it is somewhat too large on average.
    z
        The statistic, in standard deviations of chance.
    """

    stroke: int
    found_at: int
    size: float
    se: float
    low: float
    high: float
    z: float


@cache
def threshold(every: float) -> float:
    """The statistic that steady riding passes once in so many strokes, in either direction.

    >>> round(threshold(5400.0), 2)
    3.98
    """

    def mean_run(b: float) -> float:
        low, high = b / np.sqrt(LATEST), b / np.sqrt(LEAST)
        area, _ = quad(lambda x: x * np.exp(-2 * 0.583 * x), low, high)
        return float(np.sqrt(2 * np.pi) * np.exp(b * b / 2) / (b * area))

    return float(brentq(lambda b: np.log(mean_run(b) / every), 2.0, 9.0))


class StepWatch:
    """Watches the strokes of one measure, best from when the rider has settled.

    Parameters
    ----------
    every
        Strokes between false alarms that the threshold is made for; times the number of measures
        that are watched together.

    >>> watch = StepWatch()
    >>> values = np.random.default_rng(1).normal(35.0, 1.0, 120)
    >>> values[100:] += 8.0
    >>> steps = [watch.add(stroke, value) for stroke, value in enumerate(values.tolist())]
    >>> [(step.stroke, round(step.size)) for step in steps if step]
    [(100, 8)]
    """

    def __init__(self, *, every: float = EVERY) -> None:
        if not every >= 100:
            raise ValueError(f"every: expected at least 100 strokes, got {every:g}")
        self._threshold = threshold(every)
        self._kept: deque[tuple[int, float, float]] = deque(maxlen=WINDOW)
        self._memory = _Memory()

    def restart(self) -> None:
        """Forget the level, as after a marked change; the correlation is the rider's and stays."""
        self._kept.clear()
        self._memory.last = None

    def add(self, stroke: int, value: float, cadence: float = 0.0) -> Step | None:
        """Take the next stroke; a step once it is noticed, after which the watch goes on from it.

        A stroke without a value (NaN) is passed over. `cadence` is that of the stroke, any unit.
        """
        if not (np.isfinite(value) and np.isfinite(cadence)):
            return None
        self._kept.append((stroke, value, cadence))
        if len(self._kept) < FEWEST:
            return None
        rows = np.array(self._kept)
        found = self._look(rows[:, 0], rows[:, 1] - rows[0, 1], rows[:, 2])
        if found is not None:
            while self._kept[0][0] < found.stroke:
                self._kept.popleft()
            self._memory.last = None
        return found

    def _look(self, strokes: FloatArray, y: FloatArray, cadence: FloatArray) -> Step | None:
        n = len(y)
        base = _columns(cadence)
        self._memory.learn(strokes, y, base, n - LATEST)
        r = self._memory.correlation()
        onsets = np.arange(max(n - LATEST, _FEWEST_BEFORE), n)
        steps = (np.arange(n)[:, None] >= onsets).astype(float)
        table = np.column_stack([base, y, steps])
        white = np.sqrt(1 - r * r) * table
        follows = np.flatnonzero(np.diff(strokes) == 1) + 1
        white[follows] = table[follows] - r * table[follows - 1]
        slow = np.zeros((1, table.shape[1]))
        slow[0, 1] = _DRIFT * np.sqrt(1 - r * r)
        white = np.vstack([white, slow])
        plain = base.shape[1]
        basis, _ = np.linalg.qr(white[:, :plain])
        own = white[:, plain:] - basis @ (basis.T @ white[:, plain:])
        left, raised = own[:, 0], own[:, 1:]
        square = (raised**2).sum(axis=0)
        whole = (white[:, plain + 1 :] ** 2).sum(axis=0)
        size = (raised.T @ left) / np.where(square > _LEAST_OWN * whole, square, np.inf)
        gain = size**2 * square
        k = int(gain[: 1 - LEAST].argmax())
        freedom = n - plain
        variance = float(left @ left - gain[k]) / freedom
        if variance <= 0.0 or gain.max() > gain[k] + _CLEARLY * variance:
            return None
        if abs(size[k]) < SMALLEST * np.sqrt(variance / (1 - r * r)):
            return None
        z = -float(ndtri(stdtr(freedom, -np.sqrt(gain[k] / variance))))
        needed = np.sqrt(self._threshold**2 - 2 * _MORE_LOOKS * np.log(1 - r * r))
        if z < needed or not _stays(base, y, steps[:, k], float(size[k])):
            return None
        se = float(np.sqrt(variance / square[k]))
        half = float(stdtrit(freedom, 0.975)) * se
        by = float(size[k])
        return Step(int(strokes[onsets[k]]), int(strokes[-1]), by, se, by - half, by + half, z)


def _columns(cadence: FloatArray) -> FloatArray:
    """Level, trend and, if it varies at all, cadence (n, 2 or 3)."""
    n = len(cadence)
    columns = [np.ones(n), np.arange(n) - (n - 1) / 2]
    spread = float(cadence.std())
    if spread > 1e-6 * max(float(np.abs(cadence).max()), 1.0):
        columns.append((cadence - cadence.mean()) / spread)
    return np.column_stack(columns)


def _left(base: FloatArray, y: FloatArray) -> FloatArray:
    """What least squares leave over."""
    left: FloatArray = y - base @ np.linalg.lstsq(base, y, rcond=None)[0]
    return left


def _stays(base: FloatArray, y: FloatArray, step: FloatArray, size: float) -> bool:
    """Whether half the strokes since the step lie beyond half its size: not so with an outlier."""
    left = _left(np.column_stack([base, step]), y) + size * step
    return bool(np.median(left[step > 0] * np.sign(size)) > abs(size) / 2)


class _Memory:
    """The correlation of strokes, from those before the latest, over the last 1,000 or so."""

    def __init__(self) -> None:
        self.last: float | None = None
        """Number of the stroke up to which the strokes at hand have been counted."""
        self._count = 0.0
        self._sums = np.zeros(3)

    def learn(self, strokes: FloatArray, y: FloatArray, base: FloatArray, old: int) -> None:
        """Count those of the first `old` strokes that have not been yet.

        What the level and trend fitted to them take out of every product is put back.
        """
        if old < 2 * _FEWEST_BEFORE:
            return
        left = _left(base[:old], y[:old])
        r = self.correlation()
        lost = float(left @ left) * base.shape[1] / old**2 * (1 + r) / (1 - r)
        for i in range(2, old):
            if self.last is not None and strokes[i] <= self.last:
                continue
            if strokes[i] - strokes[i - 2] == 2:
                products = left[i] * left[i - 2 : i + 1][::-1] + lost
                self._sums = (1 - 1 / _MEMORY) * self._sums + products
                self._count = (1 - 1 / _MEMORY) * self._count + 1
        self.last = float(strokes[old - 1])

    def correlation(self) -> float:
        """Of neighbouring strokes; slow wandering below the noise, which shows two strokes on."""
        if self._sums[0] <= 0.0:
            return _USUAL
        share = self._count / (self._count + _USUAL_STROKES)
        usual = (1 - share) * np.array([_USUAL, _USUAL**2])
        one, two = share * self._sums[1:] / self._sums[0] + usual
        r = max(one, (one + np.sqrt(max(two, 0.0))) / 2)
        return float(np.clip(r, 0.0, _MOST_CORRELATION))
