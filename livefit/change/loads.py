"""What goes along with a change: cadence and workload, and what of a difference they explain."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.special import stdtrit

from livefit.change.difference import Change
from livefit.change.trials import CADENCE, Key, Strokes, TrialStrokes
from livefit.change.workload import LOAD, LOAD_UNITS
from livefit.frames import FloatArray
from livefit.kernel.correlation import FEWEST, correlation_of

FARTHEST = 3.0
"""Spreads of the loads within the trials: farther apart their slopes are not relied on (common
practice, no source)."""
_ALIKE = 1e4
"""Condition of two loads' correlations at which one follows the other to a fiftieth."""


class _Kind(NamedTuple):
    """A load, and the spread below which no slope on it can be told."""

    name: str
    unit: str
    least: float


_LOADS = (_Kind(CADENCE[0], "rpm", 0.2), _Kind(LOAD[0], LOAD_UNITS[LOAD[0]], 2.0))
_ROUNDING_S = 1e-3


@dataclass(frozen=True)
class Load:
    """One thing that went along with a change: cadence, or workload.

    Attributes
    ----------
    name, unit
        ``cadence`` in rpm or ``workload`` in W.
    by
        Its mean now less before.
    slope, slope_se
        Of the measure on it within the trials, the other being held; NaN where it cannot be said.
    """

    name: str
    unit: str
    by: float
    slope: float = np.nan
    slope_se: float = np.nan


@dataclass(frozen=True)
class Allowed:
    """What of a difference cadence and workload explain.

    Attributes
    ----------
    loads
        Those that are known of every stroke.
    by, low, high
        The difference at equal loads, and its 95 % interval; NaN where it cannot be said.
    why_not
        In plain words why it cannot be said; empty where it can.
    """

    loads: tuple[Load, ...]
    by: float = np.nan
    low: float = np.nan
    high: float = np.nan
    why_not: str = ""


def begins(cadence: Strokes) -> FloatArray:
    """When each stroke began (s,), s: its end less the time of a turn."""
    return cadence.t - 60.0 / cadence.values


def at_equal_load(before: TrialStrokes, now: TrialStrokes, key: Key, change: Change) -> Allowed:
    """The difference of a row, less what the slopes on the loads within both trials make of it.

    Cadence, and workload where it is known of the strokes and is not held still. The slopes are
    those of an analysis of covariance: one each for both trials, from what each stroke lies off the
    mean of its own trial. Their variance is inflated as that of a mean is, for the strokes'
    correlation.
    """
    known = [
        load
        for load in _LOADS
        if all(_of_load(trial, load, key[1]) is not None for trial in (before, now))
    ]
    pairs = [_with_loads(trial, key, known) for trial in (before, now)]
    if min(map(len, pairs)) < FEWEST:
        names = " and ".join(load.name for load in known)
        return Allowed((), why_not=f"too few strokes with their {names}")
    apart = np.concatenate([values - values.mean(axis=0) for values in pairs])
    by = pairs[1][:, 1:].mean(axis=0) - pairs[0][:, 1:].mean(axis=0)
    y, x, n = apart[:, 0], apart[:, 1:], len(apart)
    spread = np.sqrt((x * x).sum(axis=0) / (n - 2))
    least = np.array([load.least for load in known])
    # A load that is held still, as a trainer holds it, explains nothing where it is the same.
    moves = (spread >= least) | (np.abs(by) > least) | (np.arange(len(known)) == 0)
    known = [load for load, moved in zip(known, moves.tolist(), strict=True) if moved]
    x, by, spread, least = x[:, moves], by[moves], spread[moves], least[moves]
    loads = tuple(Load(k.name, k.unit, d) for k, d in zip(known, by.tolist(), strict=True))
    square = x.T @ x
    names = " and ".join(load.name for load in known)
    still = bool((spread < least).any())
    if not still and np.linalg.cond(square / np.outer(spread, spread)) > _ALIKE:
        return Allowed(loads, why_not=f"{names} go together: what each does cannot be told")
    if still or (n - 2) * float(by @ np.linalg.solve(square, by)) > FARTHEST**2:
        verb = "differs" if len(known) == 1 else "differ"
        return Allowed(loads, why_not=f"{names} {verb} more between the trials than within them")
    return _explained(x, y, by, loads, change)


def _explained(
    x: FloatArray, y: FloatArray, by: FloatArray, loads: Sequence[Load], change: Change
) -> Allowed:
    """A change less what the loads make of it.

    Parameters
    ----------
    x, y
        Loads (n, k) and values (n,) of the strokes, off the means of their own trials.
    by
        By how much each load (k,) differs between the trials.
    """
    square, n = x.T @ x, len(y)
    slopes = np.linalg.solve(square, x.T @ y)
    left = y - x @ slopes
    inflation = max(correlation_of(left, np.ones(n, dtype=bool))[1], 1.0)
    lost = 2 + len(loads)
    covariance = inflation * (left @ left) / (n - lost) * np.linalg.inv(square)
    level = change.by - float(slopes @ by)
    se = float(np.hypot(change.se, np.sqrt(by @ covariance @ by)))
    freedom = min(max(n / inflation - lost, 1.0), change.freedom)
    half = float(stdtrit(freedom, 0.975)) * se
    errors = np.sqrt(np.diag(covariance)).tolist()
    explained = tuple(
        replace(load, slope=slope, slope_se=error)
        for load, slope, error in zip(loads, slopes.tolist(), errors, strict=True)
    )
    return Allowed(explained, level, level - half, level + half)


def _of_load(trial: TrialStrokes, load: _Kind, side: str) -> Strokes | None:
    """The load of each stroke; None: it is not known."""
    if load.name == CADENCE[0]:
        return cadence_of(trial, side)
    found = trial.strokes((LOAD[0], "B", LOAD[1]))
    return found if np.isfinite(found.values).any() else None


def _with_loads(trial: TrialStrokes, key: Key, loads: Sequence[_Kind]) -> FloatArray:
    """Values and loads (n, 1 + loads) of the strokes that count and have them all."""
    own = trial.strokes(key)
    first = trial.first_that_counts(key) if len(own.numbers) else 0
    columns = [own.values]
    for load in loads:
        column = np.full(len(own.numbers), np.nan)
        found = _of_load(trial, load, key[1])
        if found is not None:
            _, ours, theirs = np.intersect1d(own.numbers, found.numbers, return_indices=True)
            column[ours] = found.values[theirs]
        columns.append(column)
    together = np.column_stack(columns)
    kept: FloatArray = together[np.isfinite(together).all(axis=1) & (own.numbers >= first)]
    return kept


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
