"""The measures against their bands: one row each, left and right on one scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.theme import Color
from livefit.dashboard.visuals import Fonts
from livefit.view import words
from livefit.view.numbers import format_value
from livefit.view.rows import Cell, RowView
from livefit.view.scale import Scale

CAPTIONS = 32.0
ROW_GAP = 6.0
ROW_MAX = 170.0
NAME, LETTER, VALUE, CHANGE, SPREAD = 320.0, 38.0, 180.0, 148.0, 124.0
SHAPE, WORD = 52.0, 206.0
DIGITS = 0.483
"""Size of the values over the height of a row."""
CHANGE_SIZE, CHANGE_ALONE, CHANGE_LEAST = 0.63, 0.73, 0.55
"""Of the change over that of the value: above a note, without one, and where it is long."""
LETTER_SIZE = 0.72
NO_VERDICT = 42.0
NAME_LINE = 1.1
ROW_LEAST = 2.14
"""Height of a row over the size of its name, which takes two lines: more rows are not shown."""


@dataclass(frozen=True)
class Columns:
    """Where the columns of a row begin, px; ``value`` and ``change`` are right edges of numbers."""

    name: float
    name_room: float
    letter: float
    scale_left: float
    scale_right: float
    value: float
    change: float
    spread: float
    shape: float
    word: float
    word_room: float


def columns(rect: Rect, unit: float) -> Columns:
    """Columns of the table in ``rect``: all fixed but the scale, which takes the rest."""
    pad = 18 * unit
    left, right = rect.x + pad, rect.right - pad
    word = right - WORD * unit
    shape = word - SHAPE * unit
    spread = shape - SPREAD * unit
    change = spread - CHANGE * unit
    letter = left + NAME * unit
    return Columns(
        name=left,
        name_room=(NAME - 16) * unit,
        letter=letter,
        scale_left=letter + LETTER * unit,
        scale_right=change - VALUE * unit,
        value=change - 10 * unit,
        change=spread - 16 * unit,
        spread=spread,
        shape=shape,
        word=word,
        word_room=right - word,
    )


class TablePanel:
    """Draws the rows."""

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        self.layer = Layer(parent, fonts, order=1)
        self._rect, self._unit, self._scale = Rect(0, 0, 1, 1), 1.0, 1.0
        self.legible = 1.0
        """Size of the type of names, px: what can be read from where the fitter is."""
        self._shown: tuple[RowView, ...] | None = None
        self._first = 0
        self._rows: list[tuple[Rect, int]] = []

    def row_at(self, x: float, y: float) -> int | None:
        """Number of the row at a point of the canvas; above the rows: of the next not shown."""
        return next((number for rect, number in self._rows if rect.holds(x, y)), None)

    def place(self, rect: Rect, unit: float, pixel_scale: float) -> None:
        """Take ``rect``; ``unit`` px is one unit of the theme."""
        self._rect, self._unit, self._scale = rect, unit, pixel_scale
        self._shown = None

    def refresh(self, model: DashboardModel) -> None:
        """Draw what has changed."""
        rows = model.rows
        if rows != self._shown:
            self._shown = rows
            self.layer.clear()
            self._draw(rows)
            self.layer.show(self._scale)

    def _draw(self, rows: tuple[RowView, ...]) -> None:
        rect, u = self._rect, self._unit
        cols = columns(rect, u)
        top, gap = rect.y + CAPTIONS * u, ROW_GAP * u
        room = rect.bottom - top + gap
        most = max(int(room / (ROW_LEAST * self.legible + gap)), 1)
        shown = self._page(rows, most)
        pitch = min(room / max(len(shown), 1), ROW_MAX * u)
        self._rows.clear()
        self.layer.rect(Rect(rect.x, rect.y, rect.w, top - rect.y), theme.GROUND)
        self._captions(rows, cols)
        self._which(len(shown), len(rows), cols)
        end = top
        for number, row in enumerate(shown, self._first):
            place = Rect(rect.x, end, rect.w, pitch - gap)
            self._rows.append((place, number))
            if row.selected:
                self.layer.frame(place, 3 * u, theme.BAND_EDGE)
            self._row(row, place, cols)
            end += pitch
            self.layer.rect(Rect(rect.x, place.bottom, rect.w, gap), theme.GROUND)
        self.layer.rect(Rect(rect.x, end, rect.w, max(rect.bottom - end, 0)), theme.GROUND)

    def _page(self, rows: tuple[RowView, ...], most: int) -> tuple[RowView, ...]:
        """As many rows as can be read, the selected one among them; they move no more than that."""
        selected = next((i for i, row in enumerate(rows) if row.selected), 0)
        first = min(max(self._first, selected - most + 1), selected)
        self._first = max(min(first, len(rows) - most), 0)
        return rows[self._first : self._first + most]

    def _which(self, shown: int, count: int, cols: Columns) -> None:
        """Say which rows are shown where there are more; a click there brings the next ones."""
        u, rect, last = self._unit, self._rect, self._first + shown
        y, size = rect.y + CAPTIONS * u / 2 - 3 * u, theme.CAPTION * u
        if shown == count:
            self.layer.text(words.COLUMN_MEASURE, cols.name, y, size, theme.QUIET,
                            room=cols.name_room)  # fmt: skip
            return
        text, size = (
            words.ROWS_SHOWN.format(first=self._first + 1, last=last, count=count),
            theme.BODY * u,
        )
        self.layer.text(text, cols.name, y, size, theme.TEXT, weight=theme.BOLD,
                        room=cols.name_room)  # fmt: skip
        self._rows.append((Rect(rect.x, rect.y, rect.w, CAPTIONS * u), last % count))

    def _captions(self, rows: tuple[RowView, ...], cols: Columns) -> None:
        u, layer = self._unit, self.layer
        y, size = self._rect.y + CAPTIONS * u / 2 - 3 * u, theme.CAPTION * u
        scale_room = cols.scale_right - cols.scale_left
        value_room = (VALUE - 20) * u
        layer.text(words.COLUMN_SCALE, cols.scale_left, y, size, theme.QUIET, room=scale_room)
        layer.text(
            words.COLUMN_MEAN, cols.value, y, size, theme.QUIET, align="right", room=value_room
        )
        layer.text(
            _change_caption(rows), cols.change, y, size,
            theme.QUIET, align="right", room=(CHANGE - 14) * u,
        )  # fmt: skip
        layer.text(
            words.COLUMN_VERDICT, cols.shape, y, size, theme.QUIET,
            room=cols.word + cols.word_room - cols.shape,
        )  # fmt: skip

    def _row(self, row: RowView, rect: Rect, cols: Columns) -> None:
        u, h = self._unit, rect.h
        self._name(row, rect, cols)
        centers = [rect.y + f * h for f in ((0.25, 0.67) if len(row.cells) == 2 else (0.46,))]
        if row.scale is not None:
            self._band(row, row.scale, rect, cols)
        for cell, y in zip(row.cells, centers, strict=True):
            self._cell(cell, row, y, min(theme.VALUE * u, DIGITS * h), cols)

    def _name(self, row: RowView, rect: Rect, cols: Columns) -> None:
        """Measure and event, each in one line, by its short name where it is too long."""
        layer = self.layer
        size = min(self.legible, rect.h / ROW_LEAST)
        y = rect.center[1] - NAME_LINE / 2 * size
        for long, short, color, weight in (
            (row.title, words.sentence(row.short), theme.TEXT, theme.BOLD),
            (row.event_words, row.event_short, theme.QUIET, 0.0),
        ):
            text = long if layer.fonts.width(long, size) <= cols.name_room else short
            layer.text(text, cols.name, y, size, color, weight=weight, room=cols.name_room)
            y += NAME_LINE * size

    def _band(self, row: RowView, scale: Scale, rect: Rect, cols: Columns) -> None:
        u, layer = self._unit, self.layer
        top, bottom = rect.y + 0.06 * rect.h, rect.y + 0.82 * rect.h
        number = min(theme.SMALL * u, 0.18 * rect.h)
        y = rect.bottom - number * 0.48
        if row.band is None:
            marks = (scale.low, scale.high)
        else:
            marks = row.band
            left, right = (_place(scale, edge, cols) for edge in row.band)
            layer.rect(Rect(left, top, right - left, bottom - top), theme.BAND)
            for edge in (left, right):
                layer.line((edge, top), (edge, bottom), 3 * u, theme.BAND_EDGE)
        texts = [format_value(mark, 0) + ("°" if row.unit == "deg" else "") for mark in marks]
        wide = [layer.fonts.width(text, number) for text in texts]
        # Each centred on its mark, but never into the other nor off the scale.
        left, right = (
            min(max(_place(scale, mark, cols) - w / 2, cols.scale_left), cols.scale_right - w)
            for mark, w in zip(marks, wide, strict=True)
        )
        lacking = max(left + wide[0] + 0.4 * number - right, 0.0)
        left = max(left - lacking / 2, cols.scale_left)
        right = min(max(right, left + wide[0] + 0.4 * number), cols.scale_right - wide[1])
        for text, x in zip(texts, (left, right), strict=True):
            layer.text(text, x, y, number, theme.QUIET)

    def _cell(self, cell: Cell, row: RowView, y: float, size: float, cols: Columns) -> None:
        u, layer = self._unit, self.layer
        color = theme.QUIET if row.stale else theme.VERDICT[cell.verdict.key]
        strong = theme.QUIET if row.stale or cell.mean is None else theme.TEXT
        small = min(theme.SMALL * u, size * 0.4)
        letter = words.SIDE_LETTER[cell.side]
        layer.text(letter, cols.letter, y, size * LETTER_SIZE, theme.QUIET, weight=theme.BOLD)
        self._track(cell, row, y, size, cols)
        layer.text(cell.value_text, cols.value, y, size, strong, align="right", weight=theme.BOLD)
        self._change(cell, y, size, strong, cols)
        layer.text(cell.spread_text, cols.spread, y - 0.2 * size, small, theme.QUIET)
        count = f"{cell.count_text} {cell.needed_text}".strip()
        layer.text(count, cols.spread, y + 0.2 * size, small, theme.QUIET,
                   room=(SPREAD - 8) * u)  # fmt: skip
        mark = size * theme.CAP_HEIGHT * 0.9
        layer.shape(cell.verdict.shape, (cols.shape + mark / 2, y), mark, color)
        judged = cell.verdict.shape != "none"
        word_size = size if judged else min(NO_VERDICT * u, size)
        left = cols.word if judged else cols.shape
        layer.text(
            cell.verdict.word, left, y, word_size, color, weight=theme.BOLD if judged else 0.0,
            room=cols.word + cols.word_room - left,
        )  # fmt: skip

    def _change(self, cell: Cell, y: float, size: float, color: Color, cols: Columns) -> None:
        room = (CHANGE - 22) * self._unit
        note = min(theme.SMALL * self._unit, size * 0.34)
        width = max(self.layer.fonts.width(cell.change_text, 1.0), 0.1)
        share = CHANGE_SIZE if cell.change_note else CHANGE_ALONE
        large = max(min(size * share, room / width), size * CHANGE_LEAST)
        if not cell.change_told:
            color = theme.QUIET
        self.layer.text(
            cell.change_text, cols.change, y - (0.19 * size if cell.change_note else 0.0), large,
            color, align="right", room=room,
        )  # fmt: skip
        self.layer.text(
            cell.change_note, cols.change, y + 0.27 * size, note, theme.QUIET, align="right",
            room=room,
        )  # fmt: skip

    def _track(self, cell: Cell, row: RowView, y: float, size: float, cols: Columns) -> None:
        u, layer = self._unit, self.layer
        layer.line((cols.scale_left, y), (cols.scale_right, y), 2 * u, theme.LINE)
        if row.scale is None:
            return
        for value in cell.recent:
            x = _place(row.scale, value, cols)
            layer.line((x, y - 0.17 * size), (x, y + 0.17 * size), 2 * u, theme.LINE)
        if cell.baseline is not None:
            x = _place(row.scale, cell.baseline, cols)
            layer.circle((x, y), 0.2 * size, 3 * u, theme.TEXT)
        if cell.mean is None:
            return
        color = theme.QUIET if row.stale else theme.TEXT
        x = _place(row.scale, cell.mean, cols)
        if cell.ci is not None:
            low, high = (_place(row.scale, edge, cols) for edge in cell.ci)
            layer.line((low, y), (high, y), 0.2 * size, color)
        layer.line((x, y - 0.26 * size), (x, y + 0.26 * size), 5 * u, color)
        if not row.scale.holds(cell.mean):
            self._beyond(x, y, size, cell.mean > row.scale.high, cols)

    def _beyond(self, x: float, y: float, size: float, above: bool, cols: Columns) -> None:
        """An arrow at the end of the scale: the value lies farther out."""
        reach = 0.3 * size
        inner = x - reach if above else x + reach
        for end in (-0.3, 0.3):
            self.layer.line((inner, y + end * size), (x, y), 6 * self._unit, theme.TEXT)


def _change_caption(rows: tuple[RowView, ...]) -> str:
    cells = [cell for row in rows for cell in row.cells]
    if any(cell.baseline is not None for cell in cells):
        return words.COLUMN_CHANGE_BASELINE
    if any(cell.before is not None for cell in cells):
        return words.COLUMN_CHANGE_MARK
    return words.COLUMN_CHANGE


def _place(scale: Scale, value: float, cols: Columns) -> float:
    return cols.scale_left + scale.fraction(value) * (cols.scale_right - cols.scale_left)
