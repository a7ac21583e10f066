"""The sheet on which measures are chosen for the fitter's table and for the rider's screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from livefit.definitions.models import Definitions, Event, Measure
from livefit.view import ask_words as words
from livefit.view.asking import ARROWS, ESC, Answer, Ask, Button, Cell, SheetView, clicked, moved
from livefit.view.rider import DEFAULT
from livefit.view.rider import MAX_MEASURES as RIDER_ROWS
from livefit.view.rider import SCREEN as RIDER
from livefit.view.table import MAX_ROWS
from livefit.view.table import SCREEN as FITTER

BUTTONS = (
    Button("Enter", words.FITTER, "Enter"),
    Button("R", words.RIDER, "R"),
    ESC,
)

Pair = tuple[str, str]


@dataclass(frozen=True)
class ChooseSheet:
    """Measures down, events across; Enter and R choose what the cursor is on.

    Every change is sent at once.
    """

    measures: tuple[Measure, ...]
    events: tuple[Event, ...]
    fitter: tuple[Pair, ...]
    rider: tuple[Pair, ...]
    cursor: tuple[int, int]
    note: str = ""

    @property
    def view(self) -> SheetView:
        """All measures at all events at which they are taken."""
        rows = tuple(
            tuple(self._cell(r, c) if there else None for c, there in enumerate(row))
            for r, row in enumerate(self._there())
        )
        return SheetView(
            words.CHOOSE_TITLE,
            self.note or words.CHOOSE_LEAD,
            rows,
            row_titles=tuple(measure.title for measure in self.measures),
            heads=tuple(event.short for event in self.events),
            buttons=BUTTONS,
        )

    def press(self, key: str) -> Answer:
        """Move, choose or close; a click moves the cursor, and where it is already, chooses."""
        if key in ("Esc", "Backspace"):
            return Answer(None)
        if key in ARROWS:
            return Answer(replace(self, cursor=moved(self.cursor, key, self._there()), note=""))
        at = clicked(key)
        if at is not None and at != self.cursor:
            return Answer(replace(self, cursor=at, note=""))
        if key == "Enter" or at is not None:
            return self._toggle_fitter()
        return self._toggle_rider() if key == "R" else Answer(self)

    def following(self, fitter: Sequence[Pair], rider: Sequence[Pair]) -> ChooseSheet:
        """The sheet with what is chosen by now, here or at another window."""
        now = tuple(fitter), _for_rider(self.measures, rider)
        return (
            self if now == (self.fitter, self.rider) else replace(self, fitter=now[0], rider=now[1])
        )

    def _toggle_fitter(self) -> Answer:
        rows = _toggled(self.fitter, self._pair(*self.cursor))
        if not rows:
            return Answer(replace(self, note=words.LAST_ROW))
        if len(rows) > MAX_ROWS:
            return Answer(replace(self, note=words.FULL_TABLE.format(most=MAX_ROWS)))
        return Answer(replace(self, fitter=rows, note=""), _choose(FITTER, rows))

    def _toggle_rider(self) -> Answer:
        rows = _toggled(self.rider, self._pair(*self.cursor))
        if not rows:
            return Answer(replace(self, note=words.LAST_ROW))
        if len(rows) > RIDER_ROWS:
            return Answer(replace(self, note=words.FULL_RIDER.format(most=RIDER_ROWS)))
        return Answer(replace(self, rider=rows, note=""), _choose(RIDER, rows))

    def _cell(self, row: int, column: int) -> Cell:
        pair = self._pair(row, column)
        marks = [n for n, rows in ((FITTER, self.fitter), (RIDER, self.rider)) if pair in rows]
        return Cell("", "", f"@{row},{column}", (row, column) == self.cursor, tuple(marks))

    def _pair(self, row: int, column: int) -> Pair:
        return (self.measures[row].name, self.events[column].name)

    def _there(self) -> list[list[bool]]:
        """Where a measure is taken; any exact crank angle goes for all but cadence."""
        chosen = {*self.fitter, *self.rider}
        return [
            [e.name in m.events or (m.name, e.name) in chosen for e in self.events]
            for m in self.measures
        ]


def choose_sheet(
    definitions: Definitions, fitter: Sequence[Pair], rider: Sequence[Pair]
) -> ChooseSheet:
    """The sheet with the cursor on the first row of the table.

    Where nothing is chosen for the rider, what the rider's screen shows by itself is.
    """
    rider = _for_rider(definitions.measures, rider)
    used = {event for measure in definitions.measures for event in measure.events}
    events = [event for event in definitions.events if event.name in used]
    named = {event.name for event in events}
    free = dict.fromkeys(event for _, event in (*fitter, *rider) if event not in named)
    events += [definitions.event(name) for name in free]
    measures = tuple(definitions.measures)
    row = [m.name for m in measures].index(fitter[0][0])
    column = [e.name for e in events].index(fitter[0][1])
    return ChooseSheet(measures, tuple(events), tuple(fitter), rider, (row, column))


class Choices:
    """What is chosen for a screen: what the node says, and until it says it what it was asked for.

    So that a choice goes on from the one before, whichever window and whichever sheet that was
    made at.
    """

    def __init__(self) -> None:
        self._told: dict[str, tuple[Pair, ...]] = {}
        self._asked: dict[str, list[tuple[Pair, ...]]] = {}

    def now(self, screen: str, told: Sequence[Pair]) -> tuple[Pair, ...]:
        """What is chosen, with ``told`` by the node's newest snapshot."""
        asked, rows = self._asked.get(screen, []), tuple(told)
        if rows in asked:
            del asked[: asked.index(rows) + 1]
        elif rows != self._told.get(screen):
            asked.clear()
        self._told[screen] = rows
        return asked[-1] if asked else rows

    def ask(self, ask: Ask) -> None:
        """Take note of a request that goes to the node."""
        if ask.op == "choose":
            rows = tuple((pair[0], pair[1]) for pair in ask.args["rows"])
            self._asked.setdefault(ask.args["screen"], []).append(rows)

    def refused(self, ask: Ask) -> None:
        """Forget what was asked for a screen: the node has refused it, or did not answer."""
        if ask.op == "choose":
            self._asked.pop(ask.args["screen"], None)


def _for_rider(measures: Sequence[Measure], chosen: Sequence[Pair]) -> tuple[Pair, ...]:
    """What the rider sees: the choice as far as it is defined, else the screen's own."""
    defined = {(m.name, event) for m in measures for event in m.events}
    found = tuple(pair for pair in chosen if pair in defined)
    return found or tuple(pair for pair in DEFAULT if pair in defined)


def _toggled(rows: tuple[Pair, ...], pair: Pair) -> tuple[Pair, ...]:
    return tuple(row for row in rows if row != pair) if pair in rows else (*rows, pair)


def _choose(screen: str, rows: tuple[Pair, ...]) -> Ask:
    return Ask("choose", {"screen": screen, "rows": [list(pair) for pair in rows]})
