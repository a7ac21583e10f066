"""The line at the bottom: every key with a word, to click on."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.visuals import Fonts
from livefit.view.hands import ACTIONS

PAD = 10.0
BETWEEN = 5.0
"""Between a key and its word."""
LEAST_GAP = 8.0
"""Between two actions; what is left over widens it."""


class HintsPanel:
    """Draws the actions and knows which of them lies where."""

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        self.layer = Layer(parent, fonts, order=1)
        self._targets: list[tuple[Rect, str]] = []

    def place(self, rect: Rect, unit: float, pixel_scale: float) -> None:
        """Draw in ``rect``; ``unit`` px is one unit of the theme."""
        u, layer = unit, self.layer
        layer.clear()
        self._targets.clear()
        room = rect.w - 2 * PAD * u - LEAST_GAP * u * (len(ACTIONS) - 1)
        widths = [self._width(action.key, action.word, u) for action in ACTIONS]
        shrink = min(1.0, room / sum(widths))
        size, between = theme.SMALL * u * shrink, BETWEEN * u * shrink
        gap = (rect.w - 2 * PAD * u - shrink * sum(widths)) / (len(ACTIONS) - 1)
        x, y = rect.x + PAD * u, rect.center[1]
        for action, width in zip(ACTIONS, widths, strict=True):
            self._targets.append(
                (Rect(x - gap / 2, rect.y, shrink * width + gap, rect.h), action.key)
            )
            key = layer.text(action.key, x, y, size, theme.TEXT, weight=theme.BOLD, close=True)
            layer.text(action.word, x + key + between, y, size, theme.QUIET, close=True)
            x += shrink * width + gap
        layer.show(pixel_scale)

    def key_at(self, x: float, y: float) -> str | None:
        """Key of the action at a point of the canvas."""
        return next((key for rect, key in self._targets if rect.holds(x, y)), None)

    def _width(self, key: str, word: str, u: float) -> float:
        width, size = self.layer.fonts.width, theme.SMALL * u
        return width(key, size) + BETWEEN * u + width(word, size)
