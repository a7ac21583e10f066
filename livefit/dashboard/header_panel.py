"""The line on top: cadence, strokes, the state of the stream and the age of the data."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.visuals import Fonts
from livefit.view import words
from livefit.view.table import AgeView, Readout

WIDTHS = (240.0, 330.0, 200.0, 260.0, 180.0, 390.0)
"""Of the read-outs, in the order of the model; the age of the data takes the rest."""
AGE_SHAPE: dict[str, words.Shape] = {
    "fresh": "disc", "old": "diamond", "held": "diamond", "lost": "up",
}  # fmt: skip
AGE_COLOR = {
    "fresh": theme.WITHIN,
    "old": theme.LEVEL["care"],
    "held": theme.LEVEL["care"],
    "lost": theme.LEVEL["bad"],
}


class HeaderPanel:
    """Draws the read-outs of the header."""

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        self.layer = Layer(parent, fonts, order=1)
        self._rect, self._unit, self._scale = Rect(0, 0, 1, 1), 1.0, 1.0
        self._shown: tuple[tuple[Readout, ...], AgeView] | None = None

    def place(self, rect: Rect, unit: float, pixel_scale: float) -> None:
        """Take ``rect``; ``unit`` px is one unit of the theme."""
        self._rect, self._unit, self._scale = rect, unit, pixel_scale
        self._shown = None

    def refresh(self, model: DashboardModel) -> None:
        """Draw what has changed."""
        view = (model.header, model.age)
        if view != self._shown:
            self._shown = view
            self.layer.clear()
            self._draw(*view)
            self.layer.show(self._scale)

    def _draw(self, readouts: tuple[Readout, ...], age: AgeView) -> None:
        rect, u = self._rect, self._unit
        pad = 18 * u
        widths = [w * u for w in WIDTHS]
        spare = rect.w - 2 * pad - sum(widths) - 280 * u
        widths[-1] += max(spare, 0.0)
        x = rect.x + pad
        for readout, width in zip(readouts, widths, strict=True):
            self._readout(readout, x, width - 20 * u)
            x += width
        self._age(age, x, rect.right - pad - x)

    def _readout(self, readout: Readout, x: float, room: float) -> None:
        u, y = self._unit, self._rect.y
        color = theme.LEVEL["care"] if readout.care else theme.TEXT
        self.layer.text(readout.caption, x, y + 22 * u, theme.CAPTION * u, theme.QUIET, room=room)
        value = f"! {readout.value}" if readout.care else readout.value
        unit_width = self.layer.fonts.width(readout.unit, theme.BODY * u)
        gap = 8 * u if readout.unit else 0.0
        width = self.layer.text(
            value, x, y + 63 * u, theme.READOUT * u, color,
            weight=theme.BOLD, room=room - unit_width - gap,
        )  # fmt: skip
        baseline_shift = (theme.READOUT - theme.BODY) * theme.CAP_HEIGHT / 2 * u
        self.layer.text(
            readout.unit, x + width + gap, y + 63 * u + baseline_shift, theme.BODY * u, theme.QUIET
        )

    def _age(self, age: AgeView, x: float, room: float) -> None:
        u, y = self._unit, self._rect.y
        color = AGE_COLOR[age.state]
        self.layer.text(words.AGE, x, y + 22 * u, theme.CAPTION * u, theme.QUIET, room=room)
        size = theme.READOUT * theme.CAP_HEIGHT * u
        self.layer.shape(AGE_SHAPE[age.state], (x + size / 2, y + 63 * u), size, color)
        left = x + size + 12 * u
        width = self.layer.text(
            age.text, left, y + 63 * u, theme.READOUT * u, color, weight=theme.BOLD
        )
        left += width + 12 * u
        shift = (theme.READOUT - theme.BODY) * theme.CAP_HEIGHT / 2 * u
        self.layer.text(
            age.word, left, y + 63 * u + shift, theme.BODY * u, color, room=x + room - left
        )
