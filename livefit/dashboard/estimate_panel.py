"""The estimate of the next change, over the whole window: a table to be read from afar."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.buttons import draw_buttons
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.theme import Color
from livefit.dashboard.visuals import Box, Fonts
from livefit.view import estimate_words as words
from livefit.view.asking import SheetView
from livefit.view.estimate_table import EstimateTable, RowEstimate, SideEstimate
from livefit.view.words import ROWS_SHOWN

EDGE, PAD = 6.0, 24.0
TITLE, FOOT = 70.0, 68.0
HEADS = 32.0
"""Height of the title, of the buttons, of the names of the columns."""
LEADING = 1.15
"""Height of a line over the size of its type."""
MOST_TOLD, MOST_LINES = 4, 8
"""Lines of the sentences, and of the cautions."""
PITCH_LEAST, PITCH_MOST = 1.22, 1.7
"""Height of a row over the size of its type."""
BY = 116.0
NOW, THEN, HALF, SHAPE, WORD, SIDE = 2.3, 5.55, 5.7, 7.85, 8.6, 12.05
"""Columns of a side, em: right edges of the numbers, then left edges, then the width of all."""


class EstimatePanel:
    """Draws an estimate, and knows which key a click on it stands for."""

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        self.layer = Layer(parent, fonts, order=8)
        self.layer.visible = False
        self._canvas, self._unit, self._scale = Rect(0, 0, 1, 1), 1.0, 1.0
        self.legible = 1.0
        """Least size of the type, px: what can be read from where the fitter is."""
        self._shown: SheetView | None = None
        self._targets: list[tuple[Rect, str]] = []

    def place(self, canvas: Rect, unit: float, pixel_scale: float) -> None:
        """Draw on ``canvas``; ``unit`` px is one unit of the theme."""
        self._canvas, self._unit, self._scale = canvas, unit, pixel_scale
        self._shown = None

    def refresh(self, sheet: SheetView | None) -> None:
        """Show the estimate of ``sheet``, or none."""
        table = None if sheet is None else sheet.estimate
        self.layer.visible = table is not None
        if sheet is not None and table is not None and sheet != self._shown:
            self.layer.clear()
            self._draw(sheet, table)
            self.layer.show(self._scale)
        self._shown = sheet

    def key_at(self, x: float, y: float) -> str | None:
        """Key that a click stands for."""
        return next((key for rect, key in self._targets if rect.holds(x, y)), None)

    def boxes(self) -> list[Box]:
        """Where the ink of every text lies."""
        return self.layer.boxes() if self.layer.visible else []

    def _draw(self, sheet: SheetView, table: EstimateTable) -> None:
        u, layer = self._unit, self.layer
        rect = self._canvas.inset(EDGE * u, EDGE * u)
        layer.rect(self._canvas, theme.faded(theme.GROUND, 0.75))
        layer.rect(rect, theme.LINE)
        layer.rect(rect.inset(2 * u, 2 * u), theme.PANEL)
        inner = Rect(rect.x + PAD * u, rect.y, rect.w - 2 * PAD * u, rect.h)
        size = self._size
        layer.text(sheet.title, inner.x, inner.y + 0.55 * TITLE * u, size, theme.TEXT,
                   weight=theme.BOLD, room=inner.w)  # fmt: skip
        y = inner.y + TITLE * u
        y = self._lines([sheet.lead], size, inner.x, y, inner.w, theme.QUIET, 1)
        y = self._lines(table.sentences, size, inner.x, y, inner.w, theme.TEXT, MOST_TOLD)
        bottom = inner.bottom - FOOT * u
        self._targets = draw_buttons(layer, sheet.buttons, inner.x, bottom + FOOT / 2 * u, u)
        bottom = self._cautions(table.cautions, inner, bottom)
        if table.rows:
            self._table(table, Rect(inner.x, y, inner.w, bottom - 6 * u - y))

    @property
    def _size(self) -> float:
        return max(self.legible, theme.BODY * self._unit)

    def _lines(
        self,
        texts: Sequence[str],
        size: float,
        x: float,
        y: float,
        room: float,
        color: Color,
        most: int,
    ) -> float:
        """Draw each text from ``y`` on, on ``most`` lines together; where they end."""
        wrap = self.layer.fonts.wrap
        for line in [line for text in texts for line in wrap(text, size, room, most)][:most]:
            self.layer.text(line, x, y + LEADING / 2 * size, size, color, room=room)
            y += LEADING * size
        return y

    def _cautions(self, cautions: Sequence[str], inner: Rect, bottom: float) -> float:
        """Draw what matters most of them, and all below for those who come up; where they begin."""
        if not cautions:
            return bottom
        layer, size, small = self.layer, self._size, theme.SMALL * self._unit
        short = layer.fonts.wrap(words.CAUTION, size, inner.w, MOST_LINES)
        full = layer.fonts.wrap(" ".join(cautions), small, inner.w, MOST_LINES)
        top = bottom - LEADING * (len(short) * size + len(full) * small)
        y = top
        for lines, each in ((short, size), (full, small)):
            for line in lines:
                layer.text(line, inner.x, y + LEADING / 2 * each, each, theme.LEVEL["care"],
                           close=each is small)  # fmt: skip
                y += LEADING * each
        return top

    def _table(self, table: EstimateTable, rect: Rect) -> None:
        """The rows, or as many of them as can be read."""
        u, layer, size = self._unit, self.layer, self._size
        heads, count = HEADS * u, len(table.rows)
        most = max(int((rect.h - heads) / (PITCH_LEAST * size)), 1)
        rows = table.rows[-most:] if table.last else table.rows[:most]
        pitch = min((rect.h - heads) / len(rows), PITCH_MOST * size)
        sides = len(table.heads) - 1
        by = BY * u if len({row.said_by for row in table.rows} - {words.CANNOT}) > 1 else 0.0
        name = rect.w - by - sides * SIDE * size
        if sides:
            name = min(name, max(self._name_width(row, size) for row in table.rows) + 28 * u)
        lefts = [rect.x + name + i * SIDE * size for i in range(sides)]
        y = rect.y + heads / 2
        if len(rows) < count:
            first = count - most if table.last else 0
            shown = ROWS_SHOWN.format(first=first + 1, last=first + most, count=count)
            self._head(shown, rect.x, y, name, strong=True)
        for left, text in zip(lefts, table.heads, strict=False):
            self._head(text, left, y, HALF * size - 12 * u)
            self._head(words.HALF_WIDTH, left + HALF * size, y, (SIDE - HALF) * size)
        if by:
            self._head(table.heads[-1], rect.right - by, y, by)
        y = rect.y + heads
        for row in rows:
            layer.line((rect.x, y), (rect.right, y), 1.5 * u, theme.LINE)
            self._name(row, rect.x, y + pitch / 2, size, name - 20 * u)
            for left, side in zip(lefts, row.sides, strict=False):
                self._side(side, left, y + pitch / 2, size)
            if by:
                layer.text(row.said_by, rect.right - by, y + pitch / 2, theme.SMALL * u,
                           theme.QUIET, room=by, close=True)  # fmt: skip
            y += pitch

    def _head(self, text: str, x: float, y: float, room: float, *, strong: bool = False) -> None:
        self.layer.text(
            text, x, y, theme.CAPTION * self._unit, theme.TEXT if strong else theme.QUIET,
            weight=theme.BOLD if strong else 0.0, room=room, close=True,
        )  # fmt: skip

    def _name_width(self, row: RowEstimate, size: float) -> float:
        return self.layer.fonts.width(f"{row.short} {row.event_short}", size)

    def _name(self, row: RowEstimate, x: float, y: float, size: float, room: float) -> None:
        """Measure and event; the event is cut short where there is no room for both."""
        layer, gap = self.layer, 0.3 * size
        left = layer.text(row.short, x, y, size, theme.TEXT, weight=theme.BOLD, room=room) + gap
        layer.text(row.event_short, x + left, y, size, theme.QUIET, room=max(room - left, 0.0))

    def _side(self, side: SideEstimate, x: float, y: float, size: float) -> None:
        layer = self.layer
        layer.text(side.now, x + NOW * size, y, size, theme.QUIET, align="right", room=NOW * size)
        if not side.then:
            layer.text(words.CANNOT, x + (NOW + 0.3) * size, y, size, theme.QUIET)
            return
        fits = layer.fonts.width(side.then, size) <= (THEN - NOW - 0.1) * size
        layer.text(
            side.then if fits else side.rough, x + THEN * size, y, size, theme.TEXT, align="right",
            weight=theme.BOLD,
        )  # fmt: skip
        layer.text(side.half, x + HALF * size, y, size, theme.QUIET, room=(SHAPE - HALF) * size)
        color = theme.VERDICT[side.verdict.key]
        mark = size * theme.CAP_HEIGHT * 0.8
        layer.shape(side.verdict.shape, (x + SHAPE * size + mark / 2, y), mark, color)
        judged = side.verdict.shape != "none"
        left = WORD if judged else SHAPE
        layer.text(
            side.verdict.word, x + left * size, y, size, color,
            weight=theme.BOLD if judged else 0.0, room=(SIDE - left) * size,
        )  # fmt: skip
