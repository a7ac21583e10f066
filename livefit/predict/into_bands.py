"""The reverse: the fewest and smallest changes that bring chosen numbers inside their bands.

Linearised about the present trial point, solved as a mixed-integer linear programme in whole
settings of each part (fewest parts first, then the smallest total in largest steps), carried
through the chain again and linearised anew until the chain itself says that all is inside.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import reduce
from math import gcd, isfinite
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from livefit.definitions.models import Adjustment, Definitions, Side
from livefit.frames import FloatArray
from livefit.predict import words
from livefit.predict.changes import BARS, FEET, PARTS, ChangeError
from livefit.predict.numbers import Key, Reading
from livefit.predict.prediction import Forecast, Prediction, predicted
from livefit.predict.response import PUBLISHED, Belief
from livefit.predict.rider import Rider

DEFAULT_PARTS = ("saddle_height", "saddle_setback", "bar_reach", "bar_height")
_ROUNDS = 12
_EDGE = 1e-6
"""Inside by so much, so that rounding puts nothing outside."""
_THOUSANDTHS = 1000
_ASSUMED_STEPS = 4
"""Travel assumed either way where no limit is given, in largest steps."""


@dataclass(frozen=True)
class Limit:
    """How far a part may go from where it is: least (0 or below) and most (0 or above)."""

    least: float
    most: float

    def __post_init__(self) -> None:
        if not (isfinite(self.least) and isfinite(self.most) and self.least <= 0 <= self.most):
            raise ChangeError(
                f"a part's travel goes from 0 or below to 0 or above, got {self.least} to "
                f"{self.most}"
            )


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
class Step:
    """One change of one part, no larger than the largest of its steps."""

    part: str
    amount: float


@dataclass(frozen=True)
class Plan:
    """What brings the chosen numbers inside their bands, or why nothing does.

    Attributes
    ----------
    changes
        All of it by part; empty if nothing is needed or nothing does.
    first
        The one change to begin with: feet before saddle, saddle before bar (common practice).
    more
        Whether more follows after looking again.
    prediction, after_first
        Of all changes and of the first step alone; None without changes.
    conflict
        Bands of which no part may be given up: with any one of them left out the others can be
        met. Empty where all can.
    limits_assumed
        Parts of the plan whose limits on this bicycle were not given.
    cautions
        To be shown with it.
    """

    changes: dict[str, float]
    first: Step | None
    more: bool
    prediction: Prediction | None
    after_first: Prediction | None
    conflict: tuple[Target, ...]
    limits_assumed: tuple[str, ...]
    cautions: tuple[str, ...]

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


@dataclass(frozen=True)
class _Parts:
    """Permitted parts: whole settings (n,) mm or deg, their range in settings, largest steps."""

    names: tuple[str, ...]
    setting: FloatArray
    least: FloatArray
    most: FloatArray
    largest: FloatArray

    def changes(self, settings: FloatArray) -> dict[str, float]:
        amounts = np.round(settings) * self.setting
        return {
            name: float(amount)
            for name, amount in zip(self.names, amounts.tolist(), strict=True)
            if amount != 0
        }


class _Search:
    """The chain's numbers for targets, as functions of the settings."""

    def __init__(
        self, forecast: Forecast, parts: _Parts, targets: Sequence[Target], belief: Belief
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
        if self._forecast.moved(changes, self._belief.mean).short:
            return np.full(len(rows), np.nan)
        by = self._forecast.change(changes, self._belief.mean)
        numbers: FloatArray = (self._forecast.now + by)[list(rows)]
        return numbers

    def solve(self, among: Sequence[int]) -> FloatArray | None:
        """Settings (n,) that bring these targets inside, checked by the chain; None = none do."""
        chosen = [(which, row) for which, row in self._rows if which in among]
        rows = [row for _, row in chosen]
        low = np.array([self._targets[which].low for which, _ in chosen]) + _EDGE
        high = np.array([self._targets[which].high for which, _ in chosen]) - _EDGE
        at = np.zeros(len(self._parts.names))
        inward = np.zeros(len(rows))
        for _ in range(_ROUNDS):
            here = self._values(at, rows)
            if not np.isfinite(here).all():
                at = np.fix(at / 2)
                continue
            if (here >= low).all() and (here <= high).all():
                return at
            slopes = self._slopes(at, here, rows)
            offset = here - slopes @ at
            found = _least(slopes, low + inward - offset, high - inward - offset, self._parts)
            if found is None:
                return None
            if (found == at).all():
                inward += np.maximum(np.maximum(low - here, here - high), 0.0) + _EDGE
            at = found
        return None

    def _slopes(self, at: FloatArray, here: FloatArray, rows: Sequence[int]) -> FloatArray:
        """(r, n) change of the numbers by one setting of each part, toward its wider side."""
        columns = []
        for k in range(len(at)):
            room_up, room_down = self._parts.most[k] - at[k], at[k] - self._parts.least[k]
            way = 1.0 if room_up >= room_down else -1.0
            step = np.zeros(len(at))
            step[k] = way
            there = self._values(at + step, rows)
            if not np.isfinite(there).all():
                way, there = -way, self._values(at - step, rows)
            columns.append(np.nan_to_num((there - here) * way))
        return np.stack(columns, axis=1)


def _least(
    slopes: FloatArray, low: FloatArray, high: FloatArray, parts: _Parts
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


def into_bands(
    rider: Rider,
    targets: Sequence[Target],
    definitions: Definitions,
    *,
    permitted: Mapping[str, Limit | None] | None = None,
    belief: Belief = PUBLISHED,
) -> Plan:
    """The smallest set of permitted changes that brings the targets inside their bands together.

    Parameters
    ----------
    targets
        At least one.
    permitted
        Parts and how far each may go; None in place of a limit: four of its largest steps either
        way, and the plan says that this was assumed. None altogether: saddle and bar.

    Raises
    ------
    ChangeError
        If a part, a measure or an event cannot be used.
    """
    if not targets:
        raise ChangeError("expected at least one band to bring a number into, got none")
    limits = dict.fromkeys(DEFAULT_PARTS) if permitted is None else dict(permitted)
    parts = _parts(limits, definitions)
    wanted = [
        (definitions.measure(target.measure), definitions.event(target.event))
        for target in targets
    ]
    reading = Reading(rider, definitions.measures, definitions.events, wanted)
    forecast = Forecast(rider, reading)
    search = _Search(forecast, parts, targets, belief)
    every = list(range(len(targets)))
    settings = search.solve(every)
    if settings is None:
        conflict = tuple(targets[k] for k in _irreducible(search, every))
        return Plan({}, None, False, None, None, conflict, (), words.CAUTIONS)
    changes = parts.changes(settings)
    first = _first(changes, parts)
    assumed = tuple(part for part in changes if limits[part] is None)
    if first is None:
        return Plan({}, None, False, None, None, (), (), words.CAUTIONS)
    return Plan(
        changes=changes,
        first=first,
        more=changes != {first.part: first.amount},
        prediction=predicted(forecast, changes, belief, ()),
        after_first=predicted(forecast, {first.part: first.amount}, belief, ()),
        conflict=(),
        limits_assumed=assumed,
        cautions=words.CAUTIONS,
    )


def _meant(target: Target, key: Key) -> bool:
    same = (key.measure, key.event) == (target.measure, target.event)
    return same and target.side in (None, key.side)


def _irreducible(search: _Search, every: Sequence[int]) -> list[int]:
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


def _parts(limits: Mapping[str, Limit | None], definitions: Definitions) -> _Parts:
    for part in limits:
        if part not in PARTS:
            raise ChangeError(f"expected parts among {', '.join(PARTS)}, got {part!r}")
    if not limits:
        raise ChangeError("expected at least one part that may be moved, got none")
    adjustments = [definitions.adjustment(part) for part in limits]
    setting = np.array([_setting(adjustment) for adjustment in adjustments])
    largest = np.array([adjustment.steps[-1] for adjustment in adjustments])
    assumed = _ASSUMED_STEPS * largest
    given = list(limits.values())
    least = [-a if each is None else each.least for a, each in zip(assumed, given, strict=True)]
    most = [a if each is None else each.most for a, each in zip(assumed, given, strict=True)]
    return _Parts(
        names=tuple(limits),
        setting=setting,
        least=np.ceil(np.array(least) / setting - 1e-9) + 0.0,
        most=np.floor(np.array(most) / setting + 1e-9),
        largest=largest,
    )


def _setting(adjustment: Adjustment) -> float:
    """The coarsest amount of which all steps are whole multiples: 1 mm of 2, 3 and 5 mm."""
    thousandths = [round(step * _THOUSANDTHS) for step in adjustment.steps]
    return reduce(gcd, thousandths) / _THOUSANDTHS


def _first(changes: Mapping[str, float], parts: _Parts) -> Step | None:
    if not changes:
        return None
    part = min(changes, key=lambda name: (name not in FEET, name in BARS))
    largest = float(parts.largest[parts.names.index(part)])
    whole = np.floor(largest / parts.setting[parts.names.index(part)] + 1e-9)
    most = float(whole * parts.setting[parts.names.index(part)])
    return Step(part, float(np.clip(changes[part], -most, most)))
