"""Before and after, number by number: what stands beside what, and what became of it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from scipy.special import stdtridf

from livefit.change.correlated import StrokeMean
from livefit.change.difference import Change, difference, together
from livefit.definitions import Band, DefinitionError, Definitions
from livefit.session.models import FitSession, Number, Trial

SIDE_ORDER = {"L": 0, "R": 1, "B": 2}


@dataclass(frozen=True)
class SideRow:
    """One side of one measure at one event; None = not taken."""

    side: str
    before: Number | None
    after: Number | None
    change: Change | None = None
    """After less before; None where it cannot be said."""
    told: bool = False
    """Whether the change is more than chance brings about among all that have a target."""

    @property
    def now(self) -> Number | None:
        """The newest there is."""
        return self.before if self.after is None else self.after


@dataclass(frozen=True)
class MeasureRow:
    """One measure at one event, its sides in order."""

    measure: str
    event: str
    unit: str
    band: tuple[float, float] | None
    sides: tuple[SideRow, ...]

    @property
    def numbers(self) -> list[Number]:
        """Every number of it that has a mean."""
        both = [number for side in self.sides for number in (side.before, side.after)]
        return [number for number in both if number is not None and number.mean is not None]


@dataclass(frozen=True)
class Compared:
    """The trials that stand for before and after; one alone is ``before``.

    Attributes
    ----------
    rows
        Those with a target first, then the others, each as the definitions list them.
    """

    before: Trial | None
    after: Trial | None
    rows: tuple[MeasureRow, ...]

    @property
    def banded(self) -> tuple[MeasureRow, ...]:
        """Rows with a target."""
        return tuple(row for row in self.rows if row.band is not None)


def chosen_trials(session: FitSession) -> tuple[Trial | None, Trial | None]:
    """The trial before and the trial after; None where there is none."""
    by_number = {trial.number: trial for trial in session.trials}
    if not by_number:
        return None, None
    numbers = sorted(by_number)
    before = by_number.get(numbers[0] if session.before is None else session.before)
    after = by_number.get(numbers[-1] if session.after is None else session.after)
    if before is after:
        after = None
    return (after, None) if before is None else (before, after)


def compare(session: FitSession, definitions: Definitions) -> Compared:
    """Lay the two trials of a session beside each other."""
    before, after = chosen_trials(session)
    return Compared(before, after, lay_out(before, after, definitions))


def lay_out(
    before: Trial | None, after: Trial | None, definitions: Definitions
) -> tuple[MeasureRow, ...]:
    """Rows of two trials, changes judged together where there is a target."""
    pairs: dict[tuple[str, str], dict[str, dict[str, Number]]] = {}
    for name, trial in (("before", before), ("after", after)):
        for number in () if trial is None else trial.numbers:
            sides = pairs.setdefault((number.measure, number.event), {})
            sides.setdefault(number.side, {})[name] = number
    rows = [_row(measure, event, sides) for (measure, event), sides in pairs.items()]
    rows = [row for row in rows if row.numbers]
    return tuple(_judged(sorted(rows, key=lambda row: _place(row, definitions))))


def _row(measure: str, event: str, sides: dict[str, dict[str, Number]]) -> MeasureRow:
    made = tuple(
        _side(side, pair.get("before"), pair.get("after"))
        for side, pair in sorted(sides.items(), key=lambda item: SIDE_ORDER[item[0]])
    )
    newest = next(number for side in made if (number := side.now) is not None)
    band = next((n.band for side in made for n in (side.after, side.before) if n and n.band), None)
    return MeasureRow(measure, event, newest.unit, band, made)


def _side(side: str, before: Number | None, after: Number | None) -> SideRow:
    change = None
    if before is not None and after is not None:
        one, other = _mean(before), _mean(after)
        if one is not None and other is not None:
            change = difference(one, other)
    return SideRow(side, before, after, change)


def _mean(number: Number) -> StrokeMean | None:
    """The number as a mean of strokes; its interval says how much freedom its error has."""
    if number.mean is None or not number.se or number.ci95 is None or number.n < 2:
        return None
    low, high = number.ci95
    half = (high - low) / 2
    freedom = float(stdtridf(0.975, half / number.se))
    if not math.isfinite(freedom) or freedom <= 0:
        freedom = number.n - 1.0
    sd = math.nan if number.sd is None else number.sd
    inflation = number.se**2 * number.n / sd**2 if sd else math.nan
    return StrokeMean(number.n, number.mean, sd, math.nan, inflation, number.se, freedom, low, high)


def _judged(rows: Sequence[MeasureRow]) -> Iterable[MeasureRow]:
    """The rows with each change told or not, judged among all changes that have a target."""
    changes = [s.change for row in rows if row.band for s in row.sides if s.change is not None]
    told = iter(together(changes) if changes else ())
    for row in rows:
        if row.band is None:
            yield row
            continue
        sides = tuple(
            s if s.change is None else replace(s, told=next(told).told) for s in row.sides
        )
        yield replace(row, sides=sides)


def _place(row: MeasureRow, definitions: Definitions) -> tuple[int, int, str, int, str]:
    measures = [measure.name for measure in definitions.measures]
    if row.measure not in measures:
        return row.band is None, len(measures), row.measure, 0, row.event
    index = measures.index(row.measure)
    events = definitions.measures[index].events
    at = events.index(row.event) if row.event in events else len(events)
    return row.band is None, index, row.measure, at, row.event


def band_of(row: MeasureRow, session: FitSession, definitions: Definitions) -> Band | None:
    """The defined band that judged the row; None if the fitter's own edges did."""
    try:
        bands = definitions.discipline(session.discipline).bands
    except DefinitionError:
        return None
    for band in bands:
        if (band.measure, band.event) == (row.measure, row.event):
            return band if (band.low, band.high) == row.band else None
    return None
