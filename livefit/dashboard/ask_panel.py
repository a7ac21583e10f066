"""A question on a sheet in the middle of the window, drawn from its plain view."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.buttons import buttons_width, draw_buttons
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.visuals import Box, Fonts
from livefit.view.asking import Cell, SheetView

WIDEST, HIGHEST = 1560.0, 1040.0
PAD = 44.0
HEAD, HEADS, FOOT = 140.0, 44.0, 92.0
"""Height of title and lead, of the names of the columns, of the buttons."""
CELL, ALONE = (440.0, 104.0), 900.0
"""Largest width and height of a cell, and its width where there is one column."""
ROW_TITLE = 470.0
GAP = 6.0
TEXT_SHARE, CELL_TEXT = 0.42, 42.0
"""Size of type over the height of a cell, and at most."""


class AskPanel:
    """Draws a sheet, and knows which key a click on it stands for."""

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        self.layer = Layer(parent, fonts, order=8)
        self.layer.visible = False
        self._canvas, self._unit, self._scale = Rect(0, 0, 1, 1), 1.0, 1.0
        self._shown: SheetView | None = None
        self._sheet = Rect(0, 0, 0, 0)
        self._targets: list[tuple[Rect, str]] = []

    def place(self, canvas: Rect, unit: float, pixel_scale: float) -> None:
        """Draw in the middle of ``canvas``; ``unit`` px is one unit of the theme."""
        self._canvas, self._unit, self._scale = canvas, unit, pixel_scale
        self._shown = None

    def refresh(self, sheet: SheetView | None) -> None:
        """Show the cells of ``sheet``, or none."""
        if sheet is not None and sheet.estimate is not None:
            sheet = None
        self.layer.visible = sheet is not None
        if sheet is not None and sheet != self._shown:
            self.layer.clear()
            self._targets.clear()
            self._draw(sheet)
            self.layer.show(self._scale)
        self._shown = sheet

    def key_at(self, x: float, y: float) -> str | None:
        """Key that a click stands for; beside the sheet it puts the sheet away."""
        if not self._sheet.holds(x, y):
            return "Esc"
        return next((key for rect, key in self._targets if rect.holds(x, y)), None)

    def boxes(self) -> list[Box]:
        """Where the ink of every text lies."""
        return self.layer.boxes() if self.layer.visible else []

    def _draw(self, sheet: SheetView) -> None:
        u, layer = self._unit, self.layer
        columns = max(len(row) for row in sheet.rows)
        titles = ROW_TITLE * u if sheet.row_titles else 0.0
        heads = HEADS * u if sheet.heads else 0.0
        fixed = (HEAD + FOOT + PAD) * u + heads
        widest = ALONE if columns == 1 else CELL[0]
        cell_w = min(widest * u, ((WIDEST - 2 * PAD) * u - titles) / columns)
        cell_h = min(CELL[1] * u, (HIGHEST * u - fixed) / len(sheet.rows))
        inner = max(titles + cell_w * columns, self._least_width(sheet))
        width, height = inner + 2 * PAD * u, fixed + cell_h * len(sheet.rows)
        middle = self._canvas.center
        rect = self._sheet = Rect(middle[0] - width / 2, middle[1] - height / 2, width, height)
        layer.rect(self._canvas, theme.faded(theme.GROUND, 0.75))
        layer.rect(rect, theme.LINE)
        layer.rect(rect.inset(2 * u, 2 * u), theme.PANEL)
        left, top = rect.x + PAD * u, rect.y
        size = theme.READOUT * 0.9 * u
        layer.text(sheet.title, left, top + 54 * u, size, theme.TEXT, weight=theme.BOLD, room=inner,
                   close=True)  # fmt: skip
        layer.text(
            sheet.lead, left, top + 106 * u, theme.BODY * u, theme.QUIET, room=inner, close=True
        )
        top += HEAD * u
        for c, head in enumerate(sheet.heads):
            x = left + titles + (c + 0.5) * cell_w
            layer.text(head, x, top + heads / 2, theme.SMALL * u, theme.QUIET, align="center",
                       room=cell_w - GAP * u, close=True)  # fmt: skip
        top += heads
        text = min(CELL_TEXT * u, TEXT_SHARE * cell_h)
        for r, row in enumerate(sheet.rows):
            y = top + (r + 0.5) * cell_h
            if sheet.row_titles:
                layer.text(sheet.row_titles[r], left, y, min(text * 1.3, theme.TITLE * u),
                           theme.TEXT, room=titles - 20 * u, close=True)  # fmt: skip
            for c, cell in enumerate(row):
                if cell is not None:
                    place = Rect(left + titles + c * cell_w, top + r * cell_h, cell_w, cell_h)
                    self._cell(cell, place.inset(GAP / 2 * u, GAP / 2 * u), text)
        self._targets += draw_buttons(layer, sheet.buttons, left, rect.bottom - FOOT / 2 * u, u)

    def _cell(self, cell: Cell, rect: Rect, size: float) -> None:
        u, layer = self._unit, self.layer
        self._targets.append((rect, cell.press))
        if cell.here:
            layer.rect(rect, theme.mixed(theme.BAND, theme.PANEL, 0.7))
        layer.frame(
            rect, (4 if cell.here else 1.5) * u, theme.BAND_EDGE if cell.here else theme.LINE
        )
        left, y = rect.x + 18 * u, rect.center[1]
        if cell.key:
            left += 16 * u + layer.text(
                cell.key, left, y, size, theme.BAND_EDGE, weight=theme.BOLD, close=True
            )
        right = rect.right - 18 * u
        if "now" in cell.marks:
            mark = size * theme.CAP_HEIGHT
            layer.shape("disc", (right - mark / 2, y), mark, theme.WITHIN)
            right -= mark + 14 * u
        if cell.key or len(cell.text) > 4:
            room = right - left
            size = max(min(size, size * room / layer.fonts.width(cell.text, size)), 0.7 * size)
            layer.text(cell.text, left, y, size, theme.TEXT, room=room, close=True)
        else:
            layer.text(cell.text, rect.center[0], y, size, theme.TEXT, align="center", close=True)
        mark = min(0.5 * rect.h, 24 * u)
        if "fitter" in cell.marks:
            x = rect.center[0] - 0.8 * mark
            layer.rect(Rect(x - mark / 2, y - mark / 2, mark, mark), theme.WITHIN)
        if "rider" in cell.marks:
            layer.circle((rect.center[0] + 0.8 * mark, y), 0.45 * mark, 4 * u, theme.ABOVE)

    def _least_width(self, sheet: SheetView) -> float:
        u, width = self._unit, self.layer.fonts.width
        return max(
            buttons_width(self.layer, sheet.buttons, u),
            min(width(sheet.title, theme.READOUT * 0.9 * u), (WIDEST - 2 * PAD) * u),
            min(width(sheet.lead, theme.BODY * u), (WIDEST - 2 * PAD) * u),
        )
