"""Two set-ups, or two trials, side by side."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from scipy import stats

from livefit.change.difference import Replacing
from livefit.session.models import FitSession, Number, SetUp, Trial


@dataclass(frozen=True)
class DimensionChange:
    """A dimension before and after; None: not taken."""

    name: str
    unit: str
    before: float | None
    after: float | None

    @property
    def by(self) -> float | None:
        """After minus before; None: one was not taken."""
        if self.before is None or self.after is None:
            return None
        return self.after - self.before


@dataclass(frozen=True)
class NumberChange:
    """A measure at one event on one side in two trials.

    ``by`` is the difference of the means and ``half_width`` half its 95 % interval; None: cannot
    be said. ``anew``: whether that counts markers put on anew, beside the strokes.
    """

    measure: str
    event: str
    side: str
    unit: str
    before: float | None
    after: float | None
    by: float | None
    half_width: float | None
    anew: bool = False


def changed_dimensions(before: SetUp | None, after: SetUp | None) -> list[DimensionChange]:
    """Return every dimension that either set-up has."""
    first = before.dimensions if before is not None else {}
    second = after.dimensions if after is not None else {}
    found = []
    for name in [*first, *(name for name in second if name not in first)]:
        one, other = first.get(name), second.get(name)
        unit = one.unit if one is not None else second[name].unit
        if one is not None and other is not None and one.unit != other.unit:
            raise ValueError(f"{name} is in {one.unit} before and in {other.unit} after")
        found.append(
            DimensionChange(
                name,
                unit,
                None if one is None else one.value,
                None if other is None else other.value,
            )
        )
    return found


def changed_numbers(
    before: Trial, after: Trial, replacing: Mapping[tuple[str, str], Replacing] | None = None
) -> list[NumberChange]:
    """Return every number that both trials have, by measure, event and side.

    Parameters
    ----------
    replacing
        Given if the markers were put on anew in between: what that does, by measure and event.
    """
    second = {(one.measure, one.event, one.side): one for one in after.numbers}
    anew = replacing or {}
    return [
        _change(one, second[key], anew.get((one.measure, one.event)))
        for one in before.numbers
        if (key := (one.measure, one.event, one.side)) in second
    ]


def _change(before: Number, after: Number, replacing: Replacing | None) -> NumberChange:
    by = None
    if before.mean is not None and after.mean is not None:
        by = after.mean - before.mean
    return NumberChange(
        before.measure, before.event, before.side, before.unit, before.mean, after.mean, by,
        half_width(before, after, replacing) if by is not None else None, replacing is not None,
    )  # fmt: skip


def half_width(before: Number, after: Number, replacing: Replacing | None = None) -> float | None:
    """Return half the 95 % interval of the difference of two means; None: cannot be said.

    Welch (1947) Biometrika 34:28-35, with the standard errors as they are and n - 1 degrees of
    freedom each; markers put on anew bring in a variance of their own for each trial.

    Examples
    --------
    >>> number = dict(measure="knee_flexion", side="L", event="bdc", crank_deg=180, unit="deg",
    ...               mean=35, sd=1, ci95=None, band=None, verdict="unknown")
    >>> one = Number(n=11, se=0.3, **number)
    >>> round(half_width(one, one), 4)  # t(20) = 2.0860
    0.885
    """
    if before.se is None or after.se is None or min(before.n, after.n) < 2:
        return None
    parts = [(before.se**2, before.n - 1.0), (after.se**2, after.n - 1.0)]
    if replacing is not None:
        parts.append((2 * replacing.sd**2, replacing.freedom))
    variance = sum(part for part, _ in parts)
    if variance == 0:
        return 0.0
    spread = sum(part**2 / freedom for part, freedom in parts)
    return float(stats.t.ppf(0.975, variance**2 / spread)) * math.sqrt(variance)


def standing_for(session: FitSession, what: Literal["before", "after"]) -> Trial | None:
    """Return the trial that stands for before or after; None: there is none."""
    number = session.before if what == "before" else session.after
    if not session.trials:
        return None
    if number is None:
        return session.trials[0 if what == "before" else -1]
    return next((trial for trial in session.trials if trial.number == number), None)
