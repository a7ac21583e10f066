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

from livefit.definitions.models import Adjustment, Definitions
from livefit.predict import words
from livefit.predict.changes import BARS, FEET, PARTS, ChangeError
from livefit.predict.numbers import Reading
from livefit.predict.prediction import Forecast, Prediction, predicted
from livefit.predict.response import PUBLISHED, Belief
from livefit.predict.rider import Rider
from livefit.predict.searching import Parts, Search, Target, irreducible

DEFAULT_PARTS = ("saddle_height", "saddle_setback", "bar_reach", "bar_height")
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
class Step:
    """One change of one part, no larger than the largest that is advised at once."""

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
        Bands that cannot be met together, none of them needlessly named: without any one of them
        the others can be. Empty where all can.
    limits
        How far each permitted part could go.
    limits_assumed
        Parts whose limits on this bicycle were not given.
    cautions
        To be shown with it.
    """

    changes: dict[str, float]
    first: Step | None
    more: bool
    prediction: Prediction | None
    after_first: Prediction | None
    conflict: tuple[Target, ...]
    limits: dict[str, tuple[float, float]]
    limits_assumed: tuple[str, ...]
    cautions: tuple[str, ...]

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


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
        (definitions.measure(target.measure), definitions.event(target.event)) for target in targets
    ]
    reading = Reading(rider, definitions.measures, definitions.events, wanted)
    forecast = Forecast(rider, reading)
    search = Search(forecast, parts, targets, belief)
    every = list(range(len(targets)))
    settings = search.solve(every)
    changes = {} if settings is None else parts.changes(settings)
    conflict = () if settings is not None else irreducible(search, every)
    first = _first(changes, parts)

    def told(by: dict[str, float]) -> Prediction:
        return predicted(forecast, by, belief, ())

    return Plan(
        changes=changes,
        first=first,
        more=first is not None and changes != {first.part: first.amount},
        prediction=told(changes) if first else None,
        after_first=told({first.part: first.amount}) if first else None,
        conflict=tuple(targets[k] for k in conflict),
        limits=parts.limits(),
        limits_assumed=tuple(part for part, limit in limits.items() if limit is None),
        cautions=words.CAUTIONS,
    )


def _parts(limits: Mapping[str, Limit | None], definitions: Definitions) -> Parts:
    for part in limits:
        if part not in PARTS:
            raise ChangeError(f"expected parts among {', '.join(PARTS)}, got {part!r}")
    if not limits:
        raise ChangeError("expected at least one part that may be moved, got none")
    adjustments = [definitions.adjustment(part) for part in limits]
    setting = np.array([_setting(adjustment) for adjustment in adjustments])
    largest = np.array([adjustment.largest_advised for adjustment in adjustments])
    assumed = _ASSUMED_STEPS * largest
    given = list(limits.values())
    least = [-a if each is None else each.least for a, each in zip(assumed, given, strict=True)]
    most = [a if each is None else each.most for a, each in zip(assumed, given, strict=True)]
    return Parts(
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


def _first(changes: Mapping[str, float], parts: Parts) -> Step | None:
    if not changes:
        return None
    part = min(changes, key=lambda name: (name not in FEET, name in BARS))
    largest = float(parts.largest[parts.names.index(part)])
    whole = np.floor(largest / parts.setting[parts.names.index(part)] + 1e-9)
    most = float(whole * parts.setting[parts.names.index(part)])
    return Step(part, float(np.clip(changes[part], -most, most)))
