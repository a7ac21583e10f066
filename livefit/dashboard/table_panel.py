"""The measures against their bands: one row each, left and right on one scale."""

from __future__ import annotations

from dataclasses import dataclass, replace
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

CAPTIONS = 28.0
ROW_GAP = 6.0
ROW_MAX = 170.0
NAME, LETTER, VALUE, SPREAD, CHANGE = 326.0, 44.0, 170.0, 122.0, 202.0
SHAPE, WORD = 46.0, 194.0
DIGITS = 0.527
"""Size of the values over the height of a row."""
CENTERS = {1: (0.48,), 2: (0.243, 0.712)}
"""Of the lines of a row, over its height."""
MORE_LINE = 1.1
"""Height of the selected row's third line over the size of its type."""
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
    spread: float
    change: float
    shape: float
    word: float
    word_room: float


def columns(rect: Rect, unit: float, value: float) -> Columns:
    """Columns of the table in ``rect``: all fixed but the scale, which takes the rest.

    Values are ``value`` px wide at most.
    """
    pad = 18 * unit
    left, right = rect.x + pad, rect.right - pad
    word = right - WORD * unit
    shape = word - SHAPE * unit
    spread = shape - (CHANGE + SPREAD) * unit
    letter = left + NAME * unit
    return Columns(
        name=left,
        name_room=(NAME - 12) * unit,
        letter=letter,
        scale_left=letter + LETTER * unit,
        scale_right=spread - max(VALUE * unit, value + 54 * unit),
        value=spread - 10 * unit,
        spread=spread,
        change=shape - 16 * unit,
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
        """Least size of the type, px: what can be read from where the fitter is."""
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
        cols = columns(rect, u, self._widest(rows))
        top, gap = rect.y + CAPTIONS * u, ROW_GAP * u
        more = MORE_LINE * self.legible if any(row.selected for row in rows) else 0.0
        room = rect.bottom - top + gap - more
        most = max(int(room / (ROW_LEAST * self.legible + gap)), 1)
        shown = self._page(rows, most)
        pitch = min(room / max(len(shown), 1), ROW_MAX * u)
        self._rows.clear()
        self.layer.rect(Rect(rect.x, rect.y, rect.w, top - rect.y), theme.GROUND)
        self._captions(rows, cols)
        self._which(len(shown), len(rows), cols)
        end = top
        for number, row in enumerate(shown, self._first):
            inner = Rect(rect.x, end, rect.w, pitch - gap)
            place = replace(inner, h=inner.h + more) if row.selected else inner
            self._rows.append((place, number))
            if row.selected:
                self.layer.frame(place, 3 * u, theme.BAND_EDGE)
            self._row(row, inner, cols)
            if row.selected:
                self._rest(row, place.bottom - more / 2 - 3 * u, cols)
            end = place.bottom + gap
            self.layer.rect(Rect(rect.x, place.bottom, rect.w, gap), theme.GROUND)
        self.layer.rect(Rect(rect.x, end, rect.w, max(rect.bottom - end, 0)), theme.GROUND)

    def _widest(self, rows: tuple[RowView, ...]) -> float:
        """Width of the widest value as it is set at least, whatever its digits are."""
        texts = {
            "".join("0" if char.isdigit() else char for char in cell.value_text)
            for row in rows
            for cell in row.cells
        }
        return max((self.layer.fonts.width(text, self.legible) for text in texts), default=0.0)

    def _page(self, rows: tuple[RowView, ...], most: int) -> tuple[RowView, ...]:
        """As many rows as can be read, the selected one among them; they move no more than that."""
        selected = next((i for i, row in enumerate(rows) if row.selected), 0)
        first = min(max(self._first, selected - most + 1), selected)
        self._first = max(min(first, len(rows) - most), 0)
        return rows[self._first : self._first + most]

    def _which(self, shown: int, count: int, cols: Columns) -> None:
        """Say which rows are shown where there are more; a click there brings the next ones."""
        u, rect, last = self._unit, self._rect, self._first + shown
        y, size = rect.y + CAPTIONS * u / 2 - 2 * u, theme.CAPTION * u
        if shown == count:
            self._caption(words.COLUMN_MEASURE, cols.name, y, cols.name_room)
            return
        text = words.ROWS_SHOWN.format(first=self._first + 1, last=last, count=count)
        width = self.layer.text(
            text, cols.name, y, size, theme.TEXT, weight=theme.BOLD, room=cols.name_room, close=True
        )
        x, mark = cols.name + width + CAPTIONS * u, 0.8 * CAPTIONS * u
        ways: list[words.Shape] = ["up"] if self._first > 0 else []
        ways += ["down"] if last < count else []
        for way in ways:
            self.layer.shape(way, (x, y), mark, theme.TEXT)
            x += 1.3 * mark
        self._rows.append((Rect(rect.x, rect.y, rect.w, CAPTIONS * u), last % count))

    def _captions(self, rows: tuple[RowView, ...], cols: Columns) -> None:
        u = self._unit
        y, gap = self._rect.y + CAPTIONS * u / 2 - 2 * u, 14 * u
        scale_room = cols.scale_right + gap - cols.scale_left
        self._caption(words.COLUMN_SCALE, cols.scale_left, y, scale_room)
        self._caption(words.COLUMN_MEAN, cols.value, y, (VALUE - 20) * u, right=True)
        self._caption(words.COLUMN_SPREAD, cols.spread, y, SPREAD * u)
        self._caption(_change_caption(rows), cols.change, y, CHANGE * u - gap, right=True)
        self._caption(words.COLUMN_VERDICT, cols.shape, y, cols.word + cols.word_room - cols.shape)

    def _caption(self, text: str, x: float, y: float, room: float, *, right: bool = False) -> None:
        self.layer.text(
            text, x, y, theme.CAPTION * self._unit, theme.QUIET, room=room, close=True,
            align="right" if right else "left",
        )  # fmt: skip

    def _row(self, row: RowView, rect: Rect, cols: Columns) -> None:
        u, h = self._unit, rect.h
        self._name(row, rect, cols)
        if row.scale is not None and row.band is not None:
            self._band(row.band, row.scale, rect, cols)
        for cell, share in zip(row.cells, CENTERS[len(row.cells)], strict=True):
            self._cell(cell, row, rect.y + share * h, min(theme.VALUE * u, DIGITS * h), cols)

    def _name(self, row: RowView, rect: Rect, cols: Columns) -> None:
        """Measure and event, each in one line, by its short name where it is too long."""
        layer = self.layer
        size = min(self.legible, rect.h / ROW_LEAST)
        names = (
            (row.title, words.sentence(row.short), theme.TEXT, theme.BOLD),
            (row.event_words, row.event_short, theme.QUIET, 0.0),
        )
        for share, (long, short, color, weight) in zip(CENTERS[2], names, strict=True):
            text = long if layer.fonts.width(long, size) <= cols.name_room else short
            y = rect.y + share * rect.h
            layer.text(text, cols.name, y, size, color, weight=weight, room=cols.name_room)

    def _band(self, band: tuple[float, float], scale: Scale, rect: Rect, cols: Columns) -> None:
        top, bottom = rect.y + 0.06 * rect.h, rect.y + 0.94 * rect.h
        left, right = (_place(scale, edge, cols) for edge in band)
        self.layer.rect(Rect(left, top, right - left, bottom - top), theme.BAND)
        for edge in (left, right):
            self.layer.line((edge, top), (edge, bottom), 3 * self._unit, theme.BAND_EDGE)

    def _rest(self, row: RowView, y: float, cols: Columns) -> None:
        """The third line, of the selected row alone: when it holds, its band, its other change."""
        size, layer = self.legible, self.layer
        layer.text(row.needed_text, cols.name, y, size, theme.QUIET, room=cols.name_room)
        left = cols.scale_right + 14 * self._unit
        wide = layer.fonts.width(row.mark_text, size)
        right = cols.change if wide <= cols.change - left else cols.word + cols.word_room
        layer.text(row.mark_text, right, y, size, theme.QUIET, align="right", room=right - left)
        if row.scale is None:
            return
        scale = row.scale
        marks = (scale.low, scale.high) if row.band is None else row.band
        texts = [format_value(mark, 0) + ("°" if row.unit == "deg" else "") for mark in marks]
        widths = [layer.fonts.width(text, size) for text in texts]
        # Each centred on its mark, but never into the other nor off the scale.
        low, high, gap = cols.letter, left - 0.3 * size, 0.35 * size
        at = [
            min(max(_place(scale, mark, cols) - w / 2, low), high - w)
            for mark, w in zip(marks, widths, strict=True)
        ]
        lacking = max(at[0] + widths[0] + gap - at[1], 0.0)
        first = max(at[0] - lacking / 2, low)
        second = min(max(at[1], first + widths[0] + gap), high - widths[1])
        first = min(first, second - gap - widths[0])
        for text, x in zip(texts, (first, second), strict=True):
            layer.text(text, x, y, size, theme.QUIET)

    def _cell(self, cell: Cell, row: RowView, y: float, size: float, cols: Columns) -> None:
        u, layer = self._unit, self.layer
        color = theme.QUIET if row.stale else theme.VERDICT[cell.verdict.key]
        strong = theme.QUIET if row.stale or cell.mean is None else theme.TEXT
        read = min(max(self.legible, theme.SMALL * u), size)
        letter = words.SIDE_LETTER[cell.side]
        layer.text(letter, cols.letter, y, read, theme.QUIET, weight=theme.BOLD)
        self._track(cell, row, y, size, cols)
        room = cols.value - cols.scale_right - 14 * u
        value = max(min(size, room / max(layer.fonts.width(cell.value_text, 1.0), 0.1)), read)
        layer.text(cell.value_text, cols.value, y, value, strong, align="right", weight=theme.BOLD)
        layer.text(cell.half_text, cols.spread, y, read, theme.QUIET, room=SPREAD * u)
        self._change(cell, y, read, strong, cols)
        mark = size * theme.CAP_HEIGHT * 0.9
        layer.shape(cell.verdict.shape, (cols.shape + mark / 2, y), mark, color)
        judged = cell.verdict.shape != "none"
        left = cols.word if judged else cols.shape
        layer.text(
            cell.verdict.word, left, y, size if judged else read, color,
            weight=theme.BOLD if judged else 0.0, room=cols.word + cols.word_room - left,
        )  # fmt: skip

    def _change(self, cell: Cell, y: float, size: float, color: Color, cols: Columns) -> None:
        """The change; one that may be chance with a question mark, if there is room."""
        room, bare = (CHANGE - 14) * self._unit, cell.change_text.partition(" ")[0]
        texts = [cell.change_text, bare]
        if not cell.change_told:
            texts = [f"{cell.change_text}?", f"{bare}?", bare]
            color = theme.QUIET
        width = self.layer.fonts.width
        text = next((text for text in texts if width(text, size) <= room), bare)
        self.layer.text(text, cols.change, y, size, color, align="right", room=room)

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
