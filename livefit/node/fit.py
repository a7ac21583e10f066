"""What the fitter has marked, kept and chosen; a new stream does not change it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from livefit.definitions import DefinitionError, Definitions
from livefit.kernel.results import Bands, ResultRow, bands_of
from livefit.wire.messages import Mark

Key = tuple[str, str, str]
"""Measure, side, event."""
Pair = tuple[str, str]
"""Measure, event."""

UNKNOWN = "unknown"
"""Part of a change that nobody can name; its amount is 0."""

MOST_CHOSEN: Mapping[str, int] = {"fitter": 12, "rider": 3}
"""Screens that rows are chosen for, and how many each can show."""


class Fit:
    """The state of a fit, apart from its numbers.

    Parameters
    ----------
    definitions
        Measures, events, bands and adjustments.

    Attributes
    ----------
    baseline
        Means to compare with, by measure, side and event.
    marks
        Adjustments, oldest first.
    chosen
        Rows chosen for each screen.
    edited
        Bands of the fitter's own, over those of the discipline.
    """

    def __init__(self, definitions: Definitions) -> None:
        self._definitions = definitions
        self._last_number = 0
        self._befores: list[dict[Key, float]] = []
        self._begins: list[int] = []
        self.baseline: dict[Key, float] = {}
        self.marks: list[Mark] = []
        self.chosen: dict[str, list[Pair]] = {}
        self.edited: dict[Pair, tuple[float, float]] = {}

    @property
    def mark_in_force(self) -> int:
        """Number of the latest mark; 0 before the first."""
        return self.marks[-1].number if self.marks else 0

    @property
    def before(self) -> Mapping[Key, float]:
        """Means of the last strokes before the latest mark."""
        return self._befores[-1] if self._befores else {}

    @property
    def stops(self) -> list[list[Mark]]:
        """The marks, those together between which nobody rode."""
        ends = [*self._begins[1:], len(self.marks)]
        return [self.marks[a:b] for a, b in zip(self._begins, ends, strict=False)]

    def keep_baseline(self, rows: Sequence[ResultRow]) -> int:
        """Keep the present means to compare with, and return how many.

        Raises
        ------
        ValueError
            If there are none yet.
        """
        means = _means(rows)
        if not means:
            raise ValueError(
                "there is nothing to keep as a baseline yet: ride at least two strokes"
            )
        self.baseline = means
        return len(means)

    def mark(
        self,
        part: str,
        amount: float,
        note: str,
        *,
        t: float | None,
        rows: Sequence[ResultRow] | None,
    ) -> Mark:
        """Note an adjustment and the means before it.

        Parameters
        ----------
        rows
            As they were; None: nobody has ridden since the latest mark, and its means stay.

        Raises
        ------
        ValueError
            If there is no such adjustment, or the amount is 0 of a part that is known.
        """
        self._check_part(part, amount)
        self._last_number += 1
        mark = Mark(number=self._last_number, t=t, part=part, amount=amount, note=note)
        if rows is not None or not self.marks:
            self._begins.append(len(self.marks))
            self._befores.append(_means(rows or []))
        self.marks.append(mark)
        return mark

    def edit_mark(
        self, number: int, *, part: str | None, amount: float | None, note: str | None
    ) -> Mark:
        """Change what a mark says; None stays as it is.

        Raises
        ------
        ValueError
            If there is no such mark or adjustment.
        """
        for place, mark in enumerate(self.marks):
            if mark.number == number:
                part = mark.part if part is None else part
                amount = mark.amount if amount is None else amount
                self._check_part(part, amount)
                edited = Mark(
                    number=number, t=mark.t, part=part, amount=amount,
                    note=mark.note if note is None else note,
                )  # fmt: skip
                self.marks[place] = edited
                return edited
        there = ", ".join(str(mark.number) for mark in self.marks) or "none"
        raise ValueError(f"there is no mark {number}; in force are: {there}")

    def _check_part(self, part: str, amount: float) -> None:
        if part == UNKNOWN:
            if amount != 0:
                raise ValueError(f"the amount of an unknown change is 0, got {amount:g}")
            return
        self._definitions.adjustment(part)
        if amount == 0:
            raise ValueError("amount must not be 0: nothing would have been adjusted")

    def unmark(self) -> Mark:
        """Take the latest mark back.

        Raises
        ------
        ValueError
            If there is none.
        """
        if not self.marks:
            raise ValueError("there is no mark to take back")
        mark = self.marks.pop()
        if self._begins[-1] == len(self.marks):
            self._begins.pop()
            self._befores.pop()
        return mark

    def choose(self, screen: str, pairs: Sequence[Pair]) -> None:
        """Choose the rows of a screen; none: its own choice.

        Raises
        ------
        ValueError
            If the screen or a row does not exist, or there are too many.
        """
        if screen not in MOST_CHOSEN:
            raise ValueError(f"expected a screen, {' or '.join(MOST_CHOSEN)}, got {screen!r}")
        if len(pairs) > MOST_CHOSEN[screen]:
            most = MOST_CHOSEN[screen]
            raise ValueError(f"the {screen} sees at most {most} rows, got {len(pairs)}")
        for pair in pairs:
            self._check(pair)
        self.chosen[screen] = list(dict.fromkeys(pairs))
        if not pairs:
            del self.chosen[screen]

    def edit_band(self, pair: Pair, low: float, high: float) -> None:
        """Judge a row by a band of the fitter's own.

        Raises
        ------
        ValueError
            If there is no such row, or the edges do not rise.
        """
        self._check(pair)
        if not low < high:
            raise ValueError(f"a band's low edge lies below its high one, got {low:g} and {high:g}")
        self.edited[pair] = (low, high)

    def bands(self, discipline: str) -> Bands:
        """The bands in force."""
        return {**bands_of(self._definitions.discipline(discipline)), **self.edited}

    def _check(self, pair: Pair) -> None:
        measure, event = pair
        listed = self._definitions.measure(measure).events
        if event not in listed:
            raise DefinitionError(
                f"{measure} is not taken at {event}; it is at {', '.join(listed)}"
            )


def summed(marks: Iterable[Mark]) -> dict[str, float]:
    """What marks have changed in all, by part."""
    made: dict[str, float] = {}
    for mark in marks:
        made[mark.part] = made.get(mark.part, 0.0) + mark.amount
    return made


def _means(rows: Iterable[ResultRow]) -> dict[Key, float]:
    return {(r.measure, r.side, r.event): r.mean for r in rows if r.n > 1}
