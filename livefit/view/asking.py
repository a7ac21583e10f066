"""What a fitter is asked before something is done: sheets that take keys and give requests.

A sheet is a value: a key makes another sheet of it, or none, and perhaps a request to the node.
Keys are single characters or the names ``Up``, ``Down``, ``Left``, ``Right``, ``Enter``, ``Esc``,
``Backspace`` and ``Tab``; ``@2,0`` is a click on the cell in row 2, column 0.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from livefit.view import ask_words as words
from livefit.view.estimate_table import EstimateTable

ARROWS = {"Up": (-1, 0), "Down": (1, 0), "Left": (0, -1), "Right": (0, 1)}


@dataclass(frozen=True)
class Ask:
    """A request to the node."""

    op: str
    args: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Cell:
    """One thing to choose: ``press`` is the key that a click on it stands for."""

    text: str
    key: str = ""
    press: str = ""
    here: bool = False
    """The cursor is on it."""
    marks: tuple[str, ...] = ()
    """Names of the screens that it is chosen for, or ``now`` for what holds at present."""


@dataclass(frozen=True)
class Button:
    """A key with its meaning, to click on."""

    key: str
    text: str
    press: str


@dataclass(frozen=True)
class SheetView:
    """What is drawn of a sheet: a table of cells, with titles where it needs them."""

    title: str
    lead: str
    rows: tuple[tuple[Cell | None, ...], ...]
    row_titles: tuple[str, ...] = ()
    heads: tuple[str, ...] = ()
    buttons: tuple[Button, ...] = ()
    estimate: EstimateTable | None = None
    """In place of cells."""


class Sheet(Protocol):
    """A question on screen."""

    @property
    def view(self) -> SheetView:
        """What is drawn of it."""

    def press(self, key: str) -> Answer:
        """What a key makes of it."""


@dataclass(frozen=True)
class Answer:
    """What comes after a key: the sheet to be shown, if any, and what the node is asked."""

    sheet: Sheet | None
    ask: Ask | None = None


ESC = Button("Esc", words.CLOSE, "Esc")
BACK = Button("Esc", words.BACK, "Esc")


@dataclass(frozen=True)
class Choice:
    """A cell of a `ChoiceSheet` and what it leads to."""

    text: str
    key: str
    answer: Answer
    now: bool = False


@dataclass(frozen=True)
class ChoiceSheet:
    """One of a table of choices, by its key, by cursor and Enter, or by a click.

    Parameters
    ----------
    rows
        The choices; all rows are equally long, None stands for no choice.
    back
        Makes the sheet before this one, if it is not the first.
    """

    title: str
    lead: str
    rows: tuple[tuple[Choice | None, ...], ...]
    row_titles: tuple[str, ...] = ()
    back: Callable[[], Sheet] | None = None
    cursor: tuple[int, int] = (0, 0)

    @property
    def view(self) -> SheetView:
        """The choices as cells."""
        cells = tuple(
            tuple(
                None
                if choice is None
                else Cell(
                    choice.text,
                    choice.key,
                    f"@{r},{c}",
                    (r, c) == self.cursor,
                    ("now",) if choice.now else (),
                )
                for c, choice in enumerate(row)
            )
            for r, row in enumerate(self.rows)
        )
        return SheetView(
            self.title, self.lead, cells, self.row_titles,
            buttons=(ESC if self.back is None else BACK,),
        )  # fmt: skip

    def press(self, key: str) -> Answer:
        """Choose, move the cursor, or go back."""
        if key in ("Esc", "Backspace"):
            return Answer(None if self.back is None else self.back())
        if key in ARROWS:
            there = [[choice is not None for choice in row] for row in self.rows]
            return Answer(replace(self, cursor=moved(self.cursor, key, there)))
        at = clicked(key) or (self.cursor if key == "Enter" else None)
        for r, row in enumerate(self.rows):
            for c, choice in enumerate(row):
                if choice is not None and (choice.key == key or (r, c) == at):
                    return choice.answer
        return Answer(self)


def clicked(key: str) -> tuple[int, int] | None:
    """Row and column of the cell that a click means, if the key is one."""
    if not key.startswith("@"):
        return None
    row, _, column = key[1:].partition(",")
    return (int(row), int(column))


def moved(at: tuple[int, int], arrow: str, there: list[list[bool]]) -> tuple[int, int]:
    """Where the cursor is after an arrow key: cells that are not there are passed over.

    Up and down take the nearest cell of the next row that has any.

    Examples
    --------
    >>> moved((0, 2), "Down", [[True, True, True], [True, False, False]])
    (1, 0)
    >>> moved((0, 0), "Left", [[True, True]])
    (0, 0)
    """
    row, column = at
    down, right = ARROWS[arrow]
    if right:
        columns = [c for c, ok in enumerate(there[row]) if ok and (c - column) * right > 0]
        return (row, min(columns, key=lambda c: abs(c - column), default=column))
    row += down
    while 0 <= row < len(there):
        columns = [c for c, ok in enumerate(there[row]) if ok]
        if columns:
            return (row, min(columns, key=lambda c: abs(c - column)))
        row += down
    return at
