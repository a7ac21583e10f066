"""The help that lies over everything while it is asked for."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.visuals import Fonts
from livefit.view import words

LINE = 46.0
WIDTH, HEIGHT = 1180.0, 800.0


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
        left, right = sheet.x + 50 * u, sheet.x + 300 * u
        room = sheet.right - 40 * u - right
        y = sheet.y + 56 * u
        y = self._title(words.HELP_TITLE, left, y, u)
        for key, meaning in words.HELP:
            layer.text(key, left, y, theme.BODY * u, theme.TEXT, weight=theme.BOLD)
            layer.text(meaning, right, y, theme.BODY * u, theme.TEXT, room=room)
            y += LINE * u
        y = self._title(words.HELP_SIGNS_TITLE, left, y + 28 * u, u)
        for key, meaning in words.MEANINGS.items():
            verdict, color = words.VERDICTS[key], theme.VERDICT[key]
            size = theme.BODY * u
            layer.shape(verdict.shape, (left + size / 2, y), size, color)
            layer.text(verdict.word, left + 2 * size, y, size, color, weight=theme.BOLD)
            layer.text(meaning, right, y, size, theme.TEXT, room=room)
            y += LINE * u
        layer.circle((left + theme.BODY * u / 2, y), 11 * u, 3 * u, theme.TEXT)
        layer.text(words.HELP_BASELINE, right, y, theme.BODY * u, theme.TEXT, room=room)
        layer.show(pixel_scale)

    def _title(self, text: str, x: float, y: float, u: float) -> float:
        self.layer.text(text, x, y, theme.TITLE * 1.2 * u, theme.QUIET, weight=theme.BOLD)
        return y + 54 * u
