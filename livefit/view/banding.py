"""The sheet on which the band of one row is edited."""

from __future__ import annotations

from dataclasses import dataclass, replace

from livefit.view import ask_words as words
from livefit.view.asking import ESC, Answer, Ask, Button, Cell, SheetView, clicked
from livefit.view.numbers import format_value
from livefit.view.rows import RowView
from livefit.view.scale import DEFAULT_WIDTH
from livefit.view.words import UNIT_WORD

STEP = 1.0
LESS, EDGE, MORE = 0, 1, 2
"""Columns of the sheet."""
BUTTONS = (
    Button("Tab", words.OTHER_EDGE, "Tab"),
    Button("Enter", words.SEND, "Enter"),
    Button("Backspace", words.RESET, "Backspace"),
    ESC,
)


@dataclass(frozen=True)
class BandSheet:
    """Arrows move one edge of a band by 1, Tab changes the edge, Enter sends the band."""

    row: RowView
    low: float
    high: float
    edge: int = 0
    """0 the low edge, 1 the high one."""

    @property
    def view(self) -> SheetView:
        """One row for each edge: less, the edge, more."""
        rows = tuple(
            (
                Cell(words.LESS, "", f"@{i},{LESS}"),
                Cell(self._text(value), "", f"@{i},{EDGE}", here=i == self.edge),
                Cell(words.MORE, "", f"@{i},{MORE}"),
            )
            for i, value in enumerate((self.low, self.high))
        )
        title = words.BAND_TITLE.format(measure=self.row.title, event=self.row.event_words.lower())
        lead = words.BAND_LEAD.format(low=self._text(self.low), high=self._text(self.high))
        return SheetView(title, lead, rows, row_titles=(words.LOW, words.HIGH), buttons=BUTTONS)

    def press(self, key: str) -> Answer:
        """Move an edge, change to the other, send, take all edits back, or close."""
        at = clicked(key)
        if at is not None:
            edge, column = at
            return Answer(replace(self, edge=edge)._moved(STEP * (column - EDGE)))
        if key in ("Up", "Right"):
            return Answer(self._moved(STEP))
        if key in ("Down", "Left"):
            return Answer(self._moved(-STEP))
        if key == "Tab":
            return Answer(replace(self, edge=1 - self.edge))
        if key == "Enter":
            row = self.row
            band = {"measure": row.measure, "event": row.event, "low": self.low, "high": self.high}
            return Answer(None, Ask("set_band", band))
        if key == "Backspace":
            return Answer(None, Ask("reset_bands"))
        return Answer(None if key == "Esc" else self)

    def _moved(self, by: float) -> BandSheet:
        """The sheet with the present edge moved, but never past the other."""
        if self.edge == 0:
            return replace(self, low=min(self.low + by, self.high - STEP))
        return replace(self, high=max(self.high + by, self.low + STEP))

    def _text(self, value: float) -> str:
        decimals = 0 if value == round(value) else 1
        return format_value(value, decimals) + UNIT_WORD[self.row.unit]


def band_sheet(row: RowView) -> BandSheet:
    """The sheet of a row; where it has no band yet, one round its mean is begun with."""
    if row.band is not None:
        return BandSheet(row, *row.band)
    width = DEFAULT_WIDTH[row.unit]
    means = [cell.mean for cell in row.cells if cell.mean is not None]
    low = round(sum(means) / max(len(means), 1) - width / 2)
    return BandSheet(row, float(low), low + width)
