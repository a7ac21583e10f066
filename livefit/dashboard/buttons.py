"""Keys with their meaning, to click on."""

from __future__ import annotations

from collections.abc import Sequence

from livefit.dashboard import theme
from livefit.dashboard.layer import Layer, Rect
from livefit.view.asking import Button

HEIGHT = 56.0
BETWEEN = 16.0


def draw_buttons(
    layer: Layer, buttons: Sequence[Button], x: float, y: float, unit: float
) -> list[tuple[Rect, str]]:
    """Draw buttons from ``x`` on, centred on ``y``; where each lies, and the key it stands for."""
    u, size, places = unit, theme.BODY * unit, []
    for button in buttons:
        width = button_width(layer, button, u)
        rect = Rect(x, y - HEIGHT / 2 * u, width, HEIGHT * u)
        places.append((rect, button.press))
        layer.frame(rect, 1.5 * u, theme.LINE)
        left = x + 18 * u
        left += layer.text(button.key, left, y, size, theme.TEXT, weight=theme.BOLD,
                           close=True) + 12 * u  # fmt: skip
        layer.text(button.text, left, y, size, theme.QUIET, close=True)
        x += width + BETWEEN * u
    return places


def buttons_width(layer: Layer, buttons: Sequence[Button], unit: float) -> float:
    """Width of buttons beside each other, px."""
    return sum(button_width(layer, button, unit) + BETWEEN * unit for button in buttons)


def button_width(layer: Layer, button: Button, unit: float) -> float:
    """Width of one button, px."""
    width, size = layer.fonts.width, theme.BODY * unit
    return width(button.key, size) + width(button.text, size) + 48 * unit
