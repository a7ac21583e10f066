"""The search for settings of the parts: programmes in whole numbers, checked by the chain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from livefit.definitions.models import Side
from livefit.frames import FloatArray
from livefit.predict.changes import ChangeError
from livefit.predict.numbers import Key
from livefit.predict.prediction import Forecast
from livefit.predict.response import Belief

_ROUNDS = 12
_EDGE = 1e-6
"""Inside by so much, so that rounding puts nothing outside."""


@dataclass(frozen=True)
class Target:
    """A band that a number is to lie in; side None = every side with the measure."""

    measure: str
    event: str
    low: float
    high: float
    side: Side | None = None

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ChangeError(
                f"{self.measure} at {self.event}: low must be below high, got {self.low} and "
                f"{self.high}"
            )


@dataclass(frozen=True)
class Parts:
    """Permitted parts: whole settings (n,) mm or deg, their range in settings, largest steps."""

    names: tuple[str, ...]
    setting: FloatArray
    least: FloatArray
    most: FloatArray
    largest: FloatArray

    def size(self, settings: FloatArray) -> tuple[int, float]:
        """Parts moved, and how far in largest steps: what is to be small."""
        far = float((np.abs(settings) * self.setting / self.largest).sum())
        return int(np.count_nonzero(settings)), round(far, 9)

    def changes(self, settings: FloatArray) -> dict[str, float]:
        """By part moved: mm or deg."""
        amounts = np.round(settings) * self.setting
        return {
            name: float(amount)
            for name, amount in zip(self.names, amounts.tolist(), strict=True)
            if amount != 0
        }

    def limits(self) -> dict[str, tuple[float, float]]:
        """Least and most by part, mm or deg."""
        return {
            name: (least, most)
            for name, least, most in zip(
                self.names,
                (self.least * self.setting).tolist(),
                (self.most * self.setting).tolist(),
                strict=True,
            )
        }

    def nearer_than(self, settings: FloatArray) -> Parts:
        """The same parts, each kept from going as far as in these settings, by a tenth."""
        near = np.trunc(0.9 * settings)
        return replace(
            self,
            least=np.where(settings < 0, near, self.least),
            most=np.where(settings > 0, near, self.most),
        )


class Search:
    """The chain's numbers for targets, as functions of the settings."""

    def __init__(
        self, forecast: Forecast, parts: Parts, targets: Sequence[Target], belief: Belief
    ) -> None:
        self._forecast, self._parts, self._belief = forecast, parts, belief
        self._rows: list[tuple[int, int]] = []
        for which, target in enumerate(targets):
            rows = [k for k, key in enumerate(forecast.reading.keys) if _meant(target, key)]
            rows = [k for k in rows if np.isfinite(forecast.now[k])]
            if not rows:
                raise ChangeError(
                    f"{target.measure} at {target.event}: the pose holds no such number; expected "
                    "a measure whose markers were seen, at an event of the stroke"
                )
            self._rows += [(which, row) for row in rows]
        self._targets = targets

    def _values(self, settings: FloatArray, rows: Sequence[int]) -> FloatArray:
        """Numbers (r,) after the settings; beyond reach NaN."""
        changes = self._parts.changes(settings)
        by, short = self._forecast.change(changes, self._belief.mean)
        if short:
            return np.full(len(rows), np.nan)
        numbers: FloatArray = (self._forecast.now + by)[list(rows)]
        return numbers

    def solve(self, among: Sequence[int]) -> FloatArray | None:
        """Settings (n,) that bring these targets inside, checked by the chain; None = none do."""
        chosen = [(which, row) for which, row in self._rows if which in among]
        rows = [row for _, row in chosen]
        low = np.array([self._targets[which].low for which, _ in chosen]) + _EDGE
        high = np.array([self._targets[which].high for which, _ in chosen]) - _EDGE
        at, parts = np.zeros(len(self._parts.names)), self._parts
        inward = np.zeros(len(rows))
        best: FloatArray | None = None
        for _ in range(_ROUNDS):
            here = self._values(at, rows)
            if not np.isfinite(here).all():
                parts = parts.nearer_than(at)
                at = np.zeros(len(at))
                continue
            if (here >= low).all() and (here <= high).all():
                if best is not None and parts.size(best) <= parts.size(at):
                    return best
                best = at
            slopes = self._slopes(at, here, rows, parts)
            offset = here - slopes @ at
            edges = low + inward - offset, high - inward - offset
            found = _least(slopes, *edges, parts)
            if best is not None and (found is None or (found == at).all()):
                return best
            if found is None:
                found = _nearest(slopes, *edges, parts)
                if (found == at).all():
                    return None
            elif (found == at).all():
                inward += np.maximum(np.maximum(low - here, here - high), 0.0) + _EDGE
            at = found
        return best

    def _slopes(
        self, at: FloatArray, here: FloatArray, rows: Sequence[int], parts: Parts
    ) -> FloatArray:
        """(r, n) change of the numbers by one setting of each part, toward its wider side."""
        columns = []
        for k in range(len(at)):
            room_up, room_down = parts.most[k] - at[k], at[k] - parts.least[k]
            way = 1.0 if room_up >= room_down else -1.0
            step = np.zeros(len(at))
            step[k] = way
            there = self._values(at + step, rows)
            if not np.isfinite(there).all():
                way, there = -way, self._values(at - step, rows)
            columns.append(np.nan_to_num((there - here) * way))
        return np.stack(columns, axis=1)


def _least(
    slopes: FloatArray, low: FloatArray, high: FloatArray, parts: Parts
) -> FloatArray | None:
    """Whole settings (n,) with low <= slopes @ x <= high: fewest parts, then smallest."""
    n = len(parts.names)
    size = parts.setting / parts.largest
    # x, its absolute value u, and whether the part is touched z.
    every = float((size * np.maximum(parts.most, -parts.least)).sum()) + 1.0
    cost = np.concatenate([np.zeros(n), size, np.full(n, every)])
    eye, none = np.eye(n), np.zeros((n, n))
    rows = np.hstack([slopes, np.zeros((len(slopes), 2 * n))])
    constraints = [
        LinearConstraint(rows, low, high),
        LinearConstraint(np.hstack([eye, -eye, none]), -np.inf, 0.0),
        LinearConstraint(np.hstack([-eye, -eye, none]), -np.inf, 0.0),
        LinearConstraint(np.hstack([eye, none, -np.diag(parts.most)]), -np.inf, 0.0),
        LinearConstraint(np.hstack([-eye, none, np.diag(parts.least)]), -np.inf, 0.0),
    ]
    bounds = Bounds(
        np.concatenate([parts.least, np.zeros(2 * n)]),
        np.concatenate([parts.most, np.maximum(parts.most, -parts.least), np.ones(n)]),
    )
    whole = np.concatenate([np.ones(n), np.zeros(n), np.ones(n)])
    solved = milp(cost, constraints=constraints, bounds=bounds, integrality=whole)
    if solved.x is None:
        return None
    settings: FloatArray = np.clip(np.round(solved.x[:n]), parts.least, parts.most)
    return settings


def _nearest(slopes: FloatArray, low: FloatArray, high: FloatArray, parts: Parts) -> FloatArray:
    """Whole settings (n,) that leave the numbers the least outside in total."""
    n, r = len(parts.names), len(slopes)
    solved = milp(
        np.concatenate([np.zeros(n), np.ones(r)]),
        constraints=[
            LinearConstraint(np.hstack([slopes, np.eye(r)]), low, np.inf),
            LinearConstraint(np.hstack([slopes, -np.eye(r)]), -np.inf, high),
        ],
        bounds=Bounds(
            np.concatenate([parts.least, np.zeros(r)]),
            np.concatenate([parts.most, np.full(r, np.inf)]),
        ),
        integrality=np.concatenate([np.ones(n), np.zeros(r)]),
    )
    if solved.x is None:
        raise RuntimeError(f"the linear programme came to no end: {solved.message}")
    settings: FloatArray = np.clip(np.round(solved.x[:n]), parts.least, parts.most)
    return settings


def _meant(target: Target, key: Key) -> bool:
    same = (key.measure, key.event) == (target.measure, target.event)
    return same and target.side in (None, key.side)


def irreducible(search: Search, every: Sequence[int]) -> list[int]:
    """Targets that conflict, none of them needlessly named: the deletion filter.

    Chinneck JW, Dravnieks EW (1991) Locating minimal infeasible constraint sets in linear programs.
    ORSA J Comput 3:157-168; from memory.
    """
    kept = list(every)
    for candidate in every:
        fewer = [k for k in kept if k != candidate]
        if fewer and search.solve(fewer) is None:
            kept = fewer
    return kept
