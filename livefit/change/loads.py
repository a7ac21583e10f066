"""What goes along with a change: cadence and workload, and what of a difference they explain."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from livefit.change.difference import Change
from livefit.change.trials import CADENCE, Key, Strokes, TrialStrokes
from livefit.frames import FloatArray
from livefit.kernel.correlation import FEWEST, correlation_of

FARTHEST = 3.0
"""Spreads of cadence within the trials: farther apart their slope is not relied on (common
practice, no source)."""
_LEAST_SPREAD_RPM = 0.2
_ROUNDING_S = 1e-3


@dataclass(frozen=True)
class Allowed:
    """What of a difference cadence explains.

    Attributes
    ----------
    cadence_rpm
        Cadence now less before.
    slope, slope_se
        Of the measure on cadence within the trials, unit per rpm; NaN where it cannot be said.
    by, low, high
        The difference at equal cadence, and its 95 % interval; NaN where it cannot be said.
    why_not
        In plain words why it cannot be said; empty where it can.
    """

    cadence_rpm: float
    slope: float
    slope_se: float
    by: float
    low: float
    high: float
    why_not: str = ""


def stroke_means(
    t: FloatArray, values: FloatArray, begin: FloatArray, end: FloatArray
) -> FloatArray:
    """Mean (s,) of a signal over each stroke, from its begin to its end (s,) s.

    Parameters
    ----------
    t, values
        (n,) s, rising, and the signal; NaN = no value.

    >>> stroke_means(np.arange(6.0), np.array([1.0, 3, np.nan, 5, 7, 9]), np.array([0.0, 3]),
    ...     np.array([3.0, 9])).tolist()
    [2.0, 7.0]
    """
    known = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    count = np.concatenate([[0], np.cumsum(known)])
    first, last = np.searchsorted(t, begin), np.searchsorted(t, end)
    n = (count[last] - count[first]).astype(float)
    means: FloatArray = (total[last] - total[first]) / np.where(n > 0, n, np.nan)
    return means


def begins(cadence: Strokes) -> FloatArray:
    """When each stroke began (s,), s: its end less the time of a turn."""
    return cadence.t - 60.0 / cadence.values


def at_equal_cadence(before: TrialStrokes, now: TrialStrokes, key: Key, change: Change) -> Allowed:
    """The difference of a row, less what the slope on cadence within both trials makes of it.

    The slope is that of an analysis of covariance: one for both trials, from what each stroke lies
    off the mean of its own trial. Its variance is inflated as that of a mean is, for the strokes'
    correlation.
    """
    pairs = [_with_cadence(trial, key) for trial in (before, now)]
    apart = [values - values.mean(axis=0) for values in pairs if len(values)]
    if len(apart) < 2 or min(map(len, apart)) < FEWEST:
        return _cannot(np.nan, "too few strokes with their cadence")
    by_rpm = float(pairs[1][:, 1].mean() - pairs[0][:, 1].mean())
    y, x = np.concatenate(apart).T
    square, n = float(x @ x), len(x)
    spread = float(np.sqrt(square / (n - 2)))
    if spread < _LEAST_SPREAD_RPM or abs(by_rpm) > FARTHEST * spread:
        return _cannot(by_rpm, "cadence differs more between the trials than within them")
    slope = float(x @ y) / square
    left = y - slope * x
    _, inflation = correlation_of(left, np.ones(n, dtype=bool))
    freedom = max(n / max(inflation, 1.0) - 3.0, 1.0)
    slope_se = float(np.sqrt(max(inflation, 1.0) * (left @ left) / (n - 3) / square))
    by = change.by - slope * by_rpm
    se = float(np.hypot(change.se, slope_se * by_rpm))
    half = float(stdtrit(min(freedom, change.freedom), 0.975)) * se
    return Allowed(by_rpm, slope, slope_se, by, by - half, by + half)


def _cannot(by_rpm: float, why: str) -> Allowed:
    return Allowed(by_rpm, np.nan, np.nan, np.nan, np.nan, np.nan, why)


def _with_cadence(trial: TrialStrokes, key: Key) -> FloatArray:
    """Values and cadences (n, 2) of the strokes that count and have both."""
    own = trial.strokes(key)
    speed = cadence_of(trial, key[1])
    if not len(own.numbers) or not len(speed.numbers):
        return np.empty((0, 2))
    first = trial.first_that_counts(key)
    _, ours, theirs = np.intersect1d(own.numbers, speed.numbers, return_indices=True)
    both = np.column_stack([own.values[ours], speed.values[theirs]])
    kept = np.isfinite(both).all(axis=1) & (own.numbers[ours] >= first)
    return both[kept]


def cadence_of(trial: TrialStrokes, side: str) -> Strokes:
    """Cadence of each stroke of a side; of both sides at once, that of the right crank."""
    sides = ("R", "L") if side == "B" else (side,)
    found = [trial.strokes((CADENCE[0], each, CADENCE[1])) for each in sides]
    return next((each for each in found if len(each.numbers)), found[0])


def strokes_before(trial: TrialStrokes, t: float, sides: Iterable[str]) -> dict[str, int]:
    """By side: the last stroke that began before an instant (s).

    A stroke in which the cranks came to rest has no cadence, and so no known beginning: it began
    before any of its events that were passed.
    """
    found = {}
    there = {side for side, _, _ in trial.groups}
    for side in there.intersection(sides):
        speed = cadence_of(trial, side)
        began = begins(speed)
        known = speed.numbers[np.isfinite(began)]
        before = [speed.numbers[began < t - _ROUNDING_S]]
        first = []
        for group in trial.groups:
            if group[0] in (side, "R" if side == "B" else side):
                numbers, passed, _ = trial.table(group)
                before.append(numbers[(passed < t - _ROUNDING_S) & ~np.isin(numbers, known)])
                first.append(numbers[:1])
        none = np.concatenate(first).min(initial=np.iinfo(np.int64).max) - 1
        found[side] = int(np.concatenate(before).max(initial=none))
    return found
