"""The help that lies over everything while it is asked for."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.visuals import Fonts
from livefit.view import words
from livefit.view.hands import ACTIONS

LINE = 39.0
WIDTH, HEIGHT = 1480.0, 1060.0
PAD = 44.0


class HelpPanel:
    """Keys and signs, on a sheet in the middle of the window."""

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        self.layer = Layer(parent, fonts, order=9)
        self.layer.visible = False

    def place(self, canvas: Rect, unit: float, pixel_scale: float) -> None:
        """Draw in the middle of ``canvas``; ``unit`` px is one unit of the theme."""
        u, layer = unit, self.layer
        layer.clear()
        middle = canvas.center
        sheet = Rect(middle[0] - WIDTH * u / 2, middle[1] - HEIGHT * u / 2, WIDTH * u, HEIGHT * u)
        layer.rect(canvas, theme.faded(theme.GROUND, 0.8))
        layer.rect(sheet, theme.LINE)
        layer.rect(sheet.inset(2 * u, 2 * u), theme.PANEL)
        top, left = sheet.y + 52 * u, sheet.x + PAD * u
        self._keys(left, top, sheet.x + 0.5 * sheet.w - 20 * u, u)
        self._signs(sheet.x + 0.5 * sheet.w + 10 * u, top, sheet.right - PAD * u, u)
        layer.show(pixel_scale)

    def _keys(self, left: float, y: float, end: float, u: float) -> None:
        layer, size = self.layer, theme.BODY * u
        y = self._title(words.HELP_TITLE, left, y, u)
        keys = [(" ".join((a.key, *a.other)), a.meaning) for a in ACTIONS]
        for key, meaning in (*keys, words.SELECT_KEYS):
            layer.text(key, left, y, size, theme.TEXT, weight=theme.BOLD)
            layer.text(meaning, left + 150 * u, y, size, theme.TEXT, room=end - left - 150 * u)
            y += LINE * u

    def _signs(self, left: float, y: float, end: float, u: float) -> None:
        layer, size = self.layer, theme.BODY * u
        y = self._title(words.HELP_SIGNS_TITLE, left, y, u)
        for key, meaning in words.MEANINGS.items():
            verdict, color = words.VERDICTS[key], theme.VERDICT[key]
            layer.shape(verdict.shape, (left + size / 2, y), size, color)
            layer.text(verdict.word, left + 2 * size, y, size, color, weight=theme.BOLD)
            for line in layer.fonts.wrap(meaning, size, end - left - 190 * u, 2):
                layer.text(line, left + 190 * u, y, size, theme.TEXT)
                y += 34 * u
            y += 14 * u
        y += 20 * u
        for name, meaning in words.HELP_SIGNS:
            layer.text(name, left, y, size, theme.TEXT, weight=theme.BOLD, room=end - left)
            y += 34 * u
            for line in layer.fonts.wrap(meaning, size, end - left, 2):
                layer.text(line, left, y, size, theme.QUIET)
                y += 32 * u
            y += 12 * u

    def _title(self, text: str, x: float, y: float, u: float) -> float:
        self.layer.text(text, x, y, theme.TITLE * 1.2 * u, theme.QUIET, weight=theme.BOLD)
        return y + 54 * u
