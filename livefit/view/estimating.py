"""The sheets on which the next change is estimated: asked of the node, shown row by row."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from livefit.definitions.models import Adjustment, Definitions, Measure
from livefit.view import ask_words
from livefit.view import estimate_words as words
from livefit.view.asking import BACK, Answer, Ask, Button, Choice, ChoiceSheet, Sheet, SheetView
from livefit.view.estimate_table import EstimateTable, RowEstimate, SideEstimate
from livefit.view.numbers import format_value
from livefit.view.rows import RowView, sides_of
from livefit.view.sheets import PART_KEYS, amount_rows, in_rows
from livefit.view.words import VERDICTS, Verdict, sentence
from livefit.wire.estimate_messages import Estimate, EstimatedRow, WayInside

PREDICT, INTO_BANDS = "predict", "into_bands"
AGAIN = Button("N", words.OTHER_CHANGE, "N")
INSIDE = Button(words.INSIDE_KEY, words.INSIDE, words.INSIDE_KEY)
OTHER = Button("Tab", words.OTHER_ESTIMATE, "Tab")


@dataclass(frozen=True)
class EstimateSheet:
    """An estimate, or what it is waited for with.

    Parameters
    ----------
    of
        The rows it is about.
    view
        What is drawn.
    back
        Makes the sheet before.
    waiting
        The request whose answer is still to come.
    other
        The same plan's other estimate.
    """

    of: Estimating
    view: SheetView
    back: Callable[[], Sheet]
    waiting: Ask | None = None
    other: SheetView | None = None

    def press(self, key: str) -> Answer:
        """Go back, ask for another change or what brings the rows inside, show the other."""
        if key in ("Esc", "Backspace"):
            return Answer(self.back())
        if key == "N":
            return Answer(self.of.begin())
        if key == words.INSIDE_KEY:
            return self.of.inside(self.of.begin)
        if key in ("Up", "Down") and self.view.estimate is not None:
            table = replace(self.view.estimate, last=key == "Down")
            return Answer(replace(self, view=replace(self.view, estimate=table)))
        if key == "Tab" and self.other is not None:
            return Answer(replace(self, view=self.other, other=self.view))
        return Answer(self)

    def hear(self, result: Mapping[str, Any], error: str | None) -> EstimateSheet:
        """The sheet with the node's answer on it; what was wrong is said on it, too."""
        ask = self.waiting
        try:
            if error is not None or ask is None:
                raise ValueError(error)
            views = self.of.answered(ask.op, result, self.view.title)
        except ValueError as wrong:
            text = words.FAILED.format(error=str(wrong).partition("\n")[0])
            views = (_told(self.view.title, self.view.lead, (text,), (AGAIN, INSIDE, BACK)),)
        other = views[1] if len(views) > 1 else None
        return replace(self, view=views[0], other=other, waiting=None)


@dataclass(frozen=True)
class Estimating:
    """Makes the sheets for the rows that are in the table when the first is opened."""

    definitions: Definitions
    rows: tuple[RowView, ...]

    def begin(self) -> ChoiceSheet:
        """Which part; or what would bring the rows inside."""
        choices = [
            Choice(a.title, PART_KEYS[i : i + 1], Answer(self._amounts(a)))
            for i, a in enumerate(self.definitions.adjustments)
        ]
        inside = self.inside(self.begin)
        choices.append(Choice(words.INSIDE, words.INSIDE_KEY, inside))
        return ChoiceSheet(words.TITLE, words.LEAD, in_rows(choices))

    def inside(self, back: Callable[[], Sheet]) -> Answer:
        """Ask what would bring the rows inside that have a band and a number."""
        pairs = [
            [row.measure, row.event]
            for row in self.rows
            if row.band is not None
            and any(cell.mean is not None for cell in row.cells)
            and _estimated(self.definitions.measure(row.measure))
        ]
        title, lead = words.OF_INSIDE, words.LEAD
        if not pairs:
            none = _told(title, lead, (words.NO_BANDS,), (BACK,))
            return Answer(EstimateSheet(self, none, back))
        return self._asked(Ask(INTO_BANDS, {"rows": pairs}), title, back)

    def answered(self, op: str, result: Mapping[str, Any], title: str) -> tuple[SheetView, ...]:
        """The estimate that an answer holds, and the plan's other one if it has two.

        Raises
        ------
        ValueError
            If the answer does not follow the protocol.
        """
        if op == PREDICT:
            return (self._view(title, Estimate.model_validate(result)),)
        way = WayInside.model_validate(result)
        told = (" ".join(way.said),)
        buttons = (AGAIN, BACK)
        if way.prediction is None or way.after_first is None:
            return (_told(title, words.LEAD, told, buttons, way.cautions),)
        if not way.more:
            return (replace(self._view(title, way.prediction, told), buttons=buttons),)
        both = ((way.after_first, words.FIRST_STEP), (way.prediction, words.TOGETHER))
        views = []
        for found, which in both:
            view = self._view(title, found, told)
            lead = f"{which.format(changes=self._said(found))} {view.lead}"
            views.append(replace(view, lead=lead, buttons=(OTHER, *buttons)))
        return tuple(views)

    def _asked(self, ask: Ask, title: str, back: Callable[[], Sheet]) -> Answer:
        waited = _told(title, words.LEAD, (words.WAITING,), (BACK,))
        return Answer(EstimateSheet(self, waited, back, waiting=ask), ask)

    def _amounts(self, adjustment: Adjustment) -> ChoiceSheet:
        """How far and which way: no more than is ever advised at once."""

        def answer(amount: float) -> Answer:
            ask = Ask(PREDICT, {"changes": {adjustment.name: amount}})
            changes = words.changes_words(ask.args["changes"], [adjustment])
            back = lambda: self._amounts(adjustment)  # noqa: E731
            return self._asked(ask, words.OF_CHANGES.format(changes=changes), back)

        steps = [step for step in adjustment.steps if step <= adjustment.largest_advised]
        return ChoiceSheet(
            words.AMOUNT_TITLE.format(part=adjustment.title),
            ask_words.AMOUNT_LEAD,
            amount_rows(adjustment, answer, steps),
            back=self.begin,
        )

    def _said(self, found: Estimate) -> str:
        return words.changes_words(found.changes, self.definitions.adjustments)

    def _view(self, title: str, found: Estimate, told: Sequence[str] = ()) -> SheetView:
        by_key = {(row.measure, row.event, row.side): row for row in found.rows}
        short = [
            words.SHORT.format(
                side=words.SIDE[each.side], limb=each.limb, crank=each.crank_deg, by=each.by
            )
            for each in found.short
        ]
        sides = [side for side in ("L", "R") if any(row.side == side for row in found.rows)]
        rows = [self._row(row, sides, by_key) for row in self.rows] if found.changes else []
        table = EstimateTable(
            (*told, *short, *(f"{sentence(each)}." for each in found.not_predicted)),
            (*(words.HEAD_SIDE[side] for side in sides), words.HEAD_BY),
            tuple(rows),
            tuple(found.cautions),
        )
        lead = words.said_by_words(found.said_by) if rows else words.LEAD
        buttons = (AGAIN, INSIDE, BACK)
        return SheetView(title, lead, (), buttons=buttons, estimate=table)

    def _row(
        self,
        row: RowView,
        sides: Sequence[str],
        by_key: Mapping[tuple[str, str, str], EstimatedRow],
    ) -> RowEstimate:
        measure = self.definitions.measure(row.measure)
        there = sides if "B" not in sides_of(measure) else ()
        found = [by_key.get((row.measure, row.event, side)) for side in there]
        said = [each for each in found if each is not None and each.by is not None]
        own = bool(said) and all(each.source == "this rider" for each in said)
        return RowEstimate(
            row.short,
            row.event_short,
            tuple(_side(each, row.band) for each in found),
            words.BY[own] if said else words.CANNOT,
        )


def estimate_sheet(definitions: Definitions, rows: Sequence[RowView]) -> ChoiceSheet:
    """The first sheet: which part would be moved."""
    return Estimating(definitions, tuple(rows)).begin()


def _told(
    title: str,
    lead: str,
    sentences: tuple[str, ...],
    buttons: tuple[Button, ...],
    cautions: Sequence[str] = (),
) -> SheetView:
    """Sentences without a table."""
    table = EstimateTable(sentences, cautions=tuple(cautions))
    return SheetView(title, lead, (), buttons=buttons, estimate=table)


def _estimated(measure: Measure) -> bool:
    """Whether an estimate is made of a measure at all: not of cadence, nor of the pelvis."""
    return measure.kind != "cadence" and measure.sides == "each"


def _side(row: EstimatedRow | None, band: tuple[float, float] | None) -> SideEstimate:
    degree = "°" if row is not None and row.unit == "deg" else ""
    if row is None or row.now is None or row.by is None or row.low is None or row.high is None:
        now = "" if row is None or row.now is None else format_value(row.now, 0) + degree
        return SideEstimate(now, "", "", "", VERDICTS["no_data"])
    return SideEstimate(
        format_value(row.now, 0) + degree,
        format_value(row.now + row.by, 1) + degree,
        format_value(row.now + row.by, 0) + degree,
        words.half_words((row.high - row.low) / 2),
        _verdict(row.now + row.low, row.now + row.high, band),
    )


def _verdict(low: float, high: float, band: tuple[float, float] | None) -> Verdict:
    """How an interval would stand to a band: as for measured means."""
    if band is None:
        return VERDICTS["no_band"]
    if high < band[0]:
        return VERDICTS["below"]
    if low > band[1]:
        return VERDICTS["above"]
    return VERDICTS["within" if band[0] <= low and high <= band[1] else "unsure"]
