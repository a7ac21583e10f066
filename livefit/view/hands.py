"""What a fitter does at the window: keys in, requests and commands out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

from livefit.view import words
from livefit.view.amending import amend_sheet
from livefit.view.asking import Ask, Sheet
from livefit.view.banding import band_sheet
from livefit.view.choosing import Choices, ChooseSheet, Pair, choose_sheet
from livefit.view.estimating import EstimateSheet, estimate_sheet
from livefit.view.noting import NoteSheet
from livefit.view.rider import SCREEN as RIDER
from livefit.view.sheets import discipline_sheet, mark_sheet, offer_sheet, window_sheet
from livefit.view.table import SCREEN as FITTER
from livefit.view.table import TableModel

Command = Literal[
    "hold", "views", "sides", "chart", "longer", "shorter", "theme", "picture", "full_screen",
    "quit",
]  # fmt: skip
COMMANDS: tuple[Command, ...] = get_args(Command)


@dataclass(frozen=True)
class Action:
    """A key, a short word for it, and what it does: a command, a request, or a sheet or the help.

    ``other`` keys do the same.
    """

    key: str
    word: str
    meaning: str
    does: str
    other: tuple[str, ...] = ()


ACTIONS = tuple(
    Action(key, word, meaning, does, tuple(other))
    for key, word, meaning, does, *other in words.ACTIONS
)


class Hands:
    """Takes keys and clicks.

    Parameters
    ----------
    model
        What the window shows.
    """

    def __init__(self, model: TableModel) -> None:
        self._model = model
        self._sheet: Sheet | None = None
        self._choices = Choices()
        self.help_shown = False
        self._by_key = {key: a.does for a in ACTIONS for key in (a.key, *a.other)}

    @property
    def sheet(self) -> Sheet | None:
        """The question on screen."""
        chosen = self._chosen()
        if isinstance(self._sheet, ChooseSheet):
            self._sheet = self._sheet.following(*chosen)
        return self._sheet

    @sheet.setter
    def sheet(self, sheet: Sheet | None) -> None:
        self._sheet = sheet

    @property
    def typing(self) -> bool:
        """Whether keys are letters of a text, not what they mean elsewhere."""
        return isinstance(self.sheet, NoteSheet)

    def press(self, key: str) -> Ask | Command | None:
        """Take a key: a capital letter, another character, or a name such as ``Up``."""
        sheet = self.sheet
        if sheet is not None and not key.startswith("Ctrl+"):
            answer = sheet.press(key)
            self.sheet = answer.sheet
            if answer.ask is not None:
                self._choices.ask(answer.ask)
            return answer.ask
        if key in ("Up", "Down"):
            present = self._model.selected
            self._model.select(0 if present is None else present + (1 if key == "Down" else -1))
        elif key == "Esc":
            self.help_shown = False
        return self._do(self._by_key.get(key, ""))

    def tap(self, key: str) -> Ask | Command | None:
        """Take a click on the word of an action: a question on screen is put away first."""
        self.sheet = None
        return self.press(key)

    def hear(self, ask: Ask, result: Mapping[str, Any], error: str | None) -> None:
        """Put an answer on the sheet that waits for it; one that nobody waits for is dropped."""
        if error is not None:
            self._choices.refused(ask)
        sheet = self._sheet
        if isinstance(sheet, EstimateSheet) and sheet.waiting == ask:
            self.sheet = sheet.hear(result, error)

    def _do(self, does: str) -> Ask | Command | None:
        if does == "help":
            self.help_shown = not self.help_shown
        elif does.startswith("ask "):
            self.help_shown = False
            self.sheet = self._asked(does.removeprefix("ask "))
        elif does in words.REQUESTED:
            return Ask(does)
        return next((command for command in COMMANDS if command == does), None)

    def _chosen(self) -> tuple[tuple[Pair, ...], tuple[Pair, ...]]:
        """What is chosen for the fitter's table and for the rider's screen."""
        told = (FITTER, self._model.chosen), (RIDER, self._model.rider_chosen)
        fitter, rider = (self._choices.now(screen, rows) for screen, rows in told)
        return fitter, rider

    def _asked(self, what: str) -> Sheet | None:
        model = self._model
        if what == "mark":
            return mark_sheet(model.definitions.adjustments, model.measured)
        if what == "amend":
            return amend_sheet(model.marks, model.definitions.adjustments)
        if what == "estimate":
            return estimate_sheet(model.definitions, model.rows)
        if what == "offer":
            offer = model.offer
            known = model.definitions.adjustments
            return None if offer is None else offer_sheet(offer, known, model.measured)
        if what == "window":
            return window_sheet(model.window)
        if what == "discipline":
            return discipline_sheet(model.definitions.disciplines, model.discipline)
        if what == "rows":
            return choose_sheet(model.definitions, *self._chosen())
        return None if model.selected is None else band_sheet(model.rows[model.selected])
