"""The line on top: cadence, strokes, the state of the stream and the age of the data."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.visuals import Fonts
from livefit.view import words
from livefit.view.header import AgeView, Readout

WIDTHS = {
    words.CADENCE: 146.0,
    words.WORKLOAD: 128.0,
    words.BATTERY: 118.0,
    words.RATE: 142.0,
    words.LOST: 172.0,
    words.DELAY: 140.0,
    words.RECORDING: 200.0,
}
STROKES, AGE = 330.0, 216.0
NUMBER = 42.0
CAPTION_Y, VALUE_Y = 19.0, 54.0
"""Middle of the two lines, from the top."""
AGE_SHAPE: dict[str, words.Shape] = {
    "fresh": "disc", "old": "diamond", "held": "diamond", "lost": "up",
}  # fmt: skip
AGE_LEVEL: dict[str, words.Level] = {"old": "care", "held": "care", "lost": "bad"}


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
        u = self._unit
        x, right = self._rect.x + 18 * u, self._rect.right - 18 * u - AGE * u
        widths = [_width(readout.caption) for readout in readouts]
        fixed = sum(width for width in widths if width is not None) * u
        # The bands and the mark have names of any length: they share what is left.
        rest = (right - x - fixed) / max(sum(width is None for width in widths), 1)
        for readout, known in zip(readouts, widths, strict=True):
            width = rest if known is None else known * u
            self._readout(readout, x, width - 20 * u)
            x += width
        self._age(age, right, AGE * u)

    def _readout(self, readout: Readout, x: float, room: float) -> None:
        u, y = self._unit, self._rect.y
        color = theme.LEVEL["care"] if readout.care else theme.TEXT
        self.layer.text(
            readout.caption, x, y + CAPTION_Y * u, theme.CAPTION * u, theme.QUIET, room=room
        )
        value = f"! {readout.value}" if readout.care else readout.value
        fonts, size, body = self.layer.fonts, NUMBER * u, theme.SMALL * u
        gap = 8 * u if readout.unit else 0.0
        # What stands behind a name may be cut short, but not a number.
        behind = min(fonts.width(readout.unit, body), 0.4 * room) + gap
        if fonts.width(value, size) > room - behind:
            size = max(size * (room - behind) / fonts.width(value, size), theme.BODY * u)
        width = self.layer.text(
            value, x, y + VALUE_Y * u, size, color, weight=theme.BOLD, room=room - behind
        )
        shift = (NUMBER - theme.SMALL) * theme.CAP_HEIGHT / 2 * u
        self.layer.text(
            readout.unit, x + width + gap, y + VALUE_Y * u + shift, body, theme.QUIET,
            room=room - width - gap,
        )  # fmt: skip

    def _age(self, age: AgeView, x: float, room: float) -> None:
        u, y = self._unit, self._rect.y
        level = AGE_LEVEL.get(age.state)
        color = theme.WITHIN if level is None else theme.LEVEL[level]
        self.layer.text(words.AGE, x, y + CAPTION_Y * u, theme.CAPTION * u, theme.QUIET, room=room)
        size = NUMBER * theme.CAP_HEIGHT * u
        self.layer.shape(AGE_SHAPE[age.state], (x + size / 2, y + VALUE_Y * u), size, color)
        left = x + size + 12 * u
        width = self.layer.text(
            age.text, left, y + VALUE_Y * u, NUMBER * u, color, weight=theme.BOLD
        )
        left += width + 12 * u
        shift = (NUMBER - theme.SMALL) * theme.CAP_HEIGHT / 2 * u
        self.layer.text(
            age.word, left, y + VALUE_Y * u + shift, theme.SMALL * u, color, room=x + room - left
        )


def _width(caption: str) -> float | None:
    if caption.startswith(words.STROKES):
        return STROKES
    return WIDTHS.get(caption)
