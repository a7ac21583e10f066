"""The estimate of the next change, over the whole window: a table to be read from afar."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.buttons import draw_buttons
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.visuals import Box, Fonts
from livefit.view import estimate_words as words
from livefit.view.asking import SheetView
from livefit.view.estimate_table import EstimateTable, RowEstimate, SideEstimate

EDGE, PAD = 16.0, 40.0
HEAD, FOOT = 132.0, 84.0
BETWEEN = 12.0
"""Between the rows and the cautions."""
HEADS = 44.0
"""Height of title and lead, of the buttons, of the names of the columns."""
SIZES = (42.0, 38.0, 34.0, 30.0, 26.0)
"""Of sentences and cautions: the largest that leaves the rows their height."""
LEADING = 1.28
MOST_LINES = 12
PITCH_LEAST, PITCH_MOST = 1.28, 1.7
"""Height of a row over the size of its type."""
BY, BY_SIZE = 165.0, 34.0
NAME_SHARE = 0.34
"""Of the width: the most that names take."""
NOW, THEN, HALF, SHAPE, WORD, SIDE = 2.4, 5.5, 5.62, 7.75, 8.45, 11.3
"""Columns of a side, em: right edges of the numbers, then left edges, then the width of all."""


@dataclass(frozen=True)
class _Texts:
    """Lines of the sentences and of the cautions, and their size."""

    size: float
    told: list[str]
    cautions: list[str]

    def height(self, lines: list[str]) -> float:
        return len(lines) * LEADING * self.size


class EstimatePanel:
    """Draws an estimate, and knows which key a click on it stands for."""

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        self.layer = Layer(parent, fonts, order=8)
        self.layer.visible = False
        self._canvas, self._unit, self._scale = Rect(0, 0, 1, 1), 1.0, 1.0
        self.legible = 1.0
        """Least size of the type of names and numbers, px, while there is room."""
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
        size = theme.MESSAGE * u
        size = max(min(size, size * inner.w / layer.fonts.width(sheet.title, size)), 0.6 * size)
        layer.text(sheet.title, inner.x, inner.y + 48 * u, size, theme.TEXT, weight=theme.BOLD,
                   room=inner.w)  # fmt: skip
        layer.text(sheet.lead, inner.x, inner.y + 102 * u, SIZES[1] * u, theme.QUIET, room=inner.w)
        heads = HEADS * u if table.rows else 0.0
        room = inner.h - (HEAD + FOOT + BETWEEN) * u - heads
        texts = self._fitting(table, inner.w, room)
        y = inner.y + HEAD * u
        y = self._lines(texts.told, texts.size, inner.x, y, strong=True)
        if table.rows:
            free = room - texts.height(texts.told) - texts.height(texts.cautions)
            pitch = min(free / len(table.rows), PITCH_MOST * self.legible)
            self._table(table, Rect(inner.x, y, inner.w, heads + pitch * len(table.rows)), pitch)
        bottom = inner.bottom - FOOT * u
        top = bottom - texts.height(texts.cautions) + 4 * u
        self._lines(texts.cautions, texts.size, inner.x, top, strong=False)
        self._targets = draw_buttons(layer, sheet.buttons, inner.x, bottom + FOOT / 2 * u, u)

    def _fitting(self, table: EstimateTable, width: float, room: float) -> _Texts:
        """The texts as large as they go: the rows come first."""
        wrap = self.layer.fonts.wrap
        for units in SIZES:
            size = units * self._unit
            told = [
                line for text in table.sentences for line in wrap(text, size, width, MOST_LINES)
            ]
            texts = _Texts(size, told, wrap(" ".join(table.cautions), size, width, MOST_LINES))
            rows = PITCH_LEAST * self.legible * len(table.rows)
            if room - texts.height(texts.told) - texts.height(texts.cautions) >= rows:
                break
        return texts

    def _lines(self, lines: list[str], size: float, x: float, y: float, *, strong: bool) -> float:
        for line in lines:
            color = theme.TEXT if strong else theme.LEVEL["care"]
            self.layer.text(line, x, y + LEADING / 2 * size, size, color)
            y += LEADING * size
        return y

    def _table(self, table: EstimateTable, rect: Rect, pitch: float) -> None:
        u, layer = self._unit, self.layer
        sides = len(table.heads) - 1
        by = BY * u if len({row.said_by for row in table.rows} - {words.CANNOT}) > 1 else 0.0
        size = min(self.legible, pitch / PITCH_LEAST)
        widest = max(self._name_width(row, size) for row in table.rows) + 28 * u
        name = min(widest, NAME_SHARE * rect.w)
        names, size = size, min(size, (rect.w - name - by) / max(sides, 1) / SIDE)
        lefts = [rect.x + name + i * SIDE * size for i in range(sides)]
        y = rect.y + HEADS / 2 * u
        head = theme.BODY * u
        for left, text in zip(lefts, table.heads, strict=False):
            layer.text(text, left, y, head, theme.QUIET, room=HALF * size - 12 * u)
            layer.text(words.HALF_WIDTH, left + HALF * size, y, head, theme.QUIET,
                       room=(SIDE - HALF) * size)  # fmt: skip
        if by:
            layer.text(table.heads[-1], rect.right - by, y, head, theme.QUIET, room=by)
        y = rect.y + HEADS * u
        for row in table.rows:
            layer.line((rect.x, y), (rect.right, y), 1.5 * u, theme.LINE)
            self._name(row, rect.x, y + pitch / 2, names, name - 28 * u)
            for left, side in zip(lefts, row.sides, strict=False):
                self._side(side, left, y + pitch / 2, size)
            if by:
                layer.text(row.said_by, rect.right - by, y + pitch / 2, BY_SIZE * u, theme.QUIET,
                           room=by)  # fmt: skip
            y += pitch

    def _name_width(self, row: RowEstimate, size: float) -> float:
        return self.layer.fonts.width(f"{row.short} {row.event_short}", size)

    def _name(self, row: RowEstimate, x: float, y: float, size: float, room: float) -> None:
        layer, gap = self.layer, 0.3 * size
        needed = layer.fonts.width(row.short, size) + gap + layer.fonts.width(row.event_short, size)
        size *= min(1.0, room / needed)
        left = layer.text(row.short, x, y, size, theme.TEXT, weight=theme.BOLD) + gap
        layer.text(row.event_short, x + left, y, size, theme.QUIET)

    def _side(self, side: SideEstimate, x: float, y: float, size: float) -> None:
        layer, small = self.layer, 0.8 * size
        layer.text(
            side.now, x + NOW * size, y, self._fit(side.now, small, NOW * size), theme.QUIET,
            align="right",
        )  # fmt: skip
        if not side.then:
            layer.text(words.CANNOT, x + (NOW + 0.3) * size, y, small, theme.QUIET)
            return
        layer.text(
            side.then, x + THEN * size, y, self._fit(side.then, size, (THEN - NOW - 0.1) * size),
            theme.TEXT, align="right", weight=theme.BOLD,
        )  # fmt: skip
        layer.text(
            side.half, x + HALF * size, y,
            self._fit(side.half, 0.5 * size, (SHAPE - HALF - 0.1) * size), theme.QUIET,
        )  # fmt: skip
        color = theme.VERDICT[side.verdict.key]
        mark = size * theme.CAP_HEIGHT * 0.8
        layer.shape(side.verdict.shape, (x + SHAPE * size + mark / 2, y), mark, color)
        judged = side.verdict.shape != "none"
        left = WORD if judged else SHAPE
        layer.text(
            side.verdict.word, x + left * size, y, small, color,
            weight=theme.BOLD if judged else 0.0, room=(SIDE - left) * size,
        )  # fmt: skip

    def _fit(self, text: str, size: float, room: float) -> float:
        """The size, or a smaller one at which the text is no wider than ``room`` px."""
        return min(size, room / max(self.layer.fonts.width(text, 1.0), 0.1))
