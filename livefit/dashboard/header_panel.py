"""The two lines on top: the ride and its data, and below what is to be said of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.visuals import Fonts
from livefit.view import words
from livefit.view.header import SECOND, AgeView, Readout

LEAST = 40.0
"""Type where less would do to be read from afar."""
PAD = 18.0
AGE_EM = 4.0
"""Room for the age and its shape, em."""
GAP, WORD_GAP = 0.62, 0.22
"""Between two read-outs and between a number and its word, em."""
NAME_MOST, NAME_LEAST = 0.5, 4.0
"""A name takes no more than this share of a line, and is cut to no less than so many em."""
LINES_Y = (0.211, 0.697)
"""Middle of the two lines, over the height of the header."""
AGE_SHAPE: dict[str, words.Shape] = {
    "fresh": "disc", "old": "diamond", "held": "diamond", "lost": "up",
}  # fmt: skip
AGE_LEVEL: dict[str, words.Level] = {"old": "care", "held": "care", "lost": "bad"}
MESSAGE_SHAPE: dict[str, words.Shape] = {"note": "disc", "care": "diamond", "bad": "up"}


class HeaderPanel:
    """Draws the read-outs as far as there is room, those that matter most first.

    The second line is for a notice or a message; while there is neither, for what can wait.
    """

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        self.layer = Layer(parent, fonts, order=1)
        self.legible = 1.0
        """Least size of the type, px: what can be read from where the fitter is."""
        self._rect, self._unit, self._scale = Rect(0, 0, 1, 1), 1.0, 1.0
        self._shown: object = None

    def place(self, rect: Rect, unit: float, pixel_scale: float) -> None:
        """Take ``rect``; ``unit`` px is one unit of the theme."""
        self._rect, self._unit, self._scale = rect, unit, pixel_scale
        self._shown = None

    def refresh(self, model: DashboardModel) -> None:
        """Draw what has changed."""
        view = (model.header, model.age, model.message, model.notice)
        if view != self._shown:
            self._shown = view
            self.layer.clear()
            self._draw(*view)
            self.layer.show(self._scale)

    @property
    def _size(self) -> float:
        return max(self.legible, LEAST * self._unit)

    def _draw(
        self,
        readouts: tuple[Readout, ...],
        age: AgeView,
        message: words.Message | None,
        notice: str | None,
    ) -> None:
        u, size, rect = self._unit, self._size, self._rect
        left, right = rect.x + PAD * u, rect.right - PAD * u
        first, second = (rect.y + share * rect.h for share in LINES_Y)
        age_left = right - AGE_EM * size
        self._age(age, age_left, first)
        now = [readout for readout in readouts if readout.rank < SECOND]
        rest = self._line(now, left, age_left - GAP * size, first)
        if notice is not None:
            self.layer.text(notice, left, second, size, theme.TEXT, weight=theme.BOLD,
                            room=right - left)  # fmt: skip
        elif message is not None:
            self._message(message, left, right, second)
        else:
            self._line([*rest, *(r for r in readouts if r.rank >= SECOND)], left, right, second)

    def _line(
        self, readouts: Sequence[Readout], left: float, right: float, y: float
    ) -> list[Readout]:
        """Draw those that matter most, in the order in which they come; what had no room."""
        size, room = self._size, right - left
        chosen: dict[Readout, tuple[Readout, float]] = {}
        for readout in sorted(readouts, key=lambda r: r.rank):
            told = readout
            width = min(self._width(told), NAME_MOST * (right - left))
            if width > room and readout.spare:
                told = replace(readout, unit="")
                width = self._width(told)
            if width > room >= NAME_LEAST * size and readout.rank >= SECOND:
                width = room
            if width <= room:
                chosen[readout] = told, width
                room -= width + GAP * size
        for readout in readouts:
            if readout in chosen:
                told, width = chosen[readout]
                self._readout(told, left, y, width)
                left += width + GAP * size
        return [readout for readout in readouts if readout not in chosen]

    def _parts(self, readout: Readout) -> list[tuple[str, bool]]:
        """The words of a read-out, and whether they are what it says."""
        value = f"! {readout.value}" if readout.care else readout.value
        parts = ((readout.lead, False), (value, True), (readout.unit, False))
        return [part for part in parts if part[0]]

    def _width(self, readout: Readout) -> float:
        parts, width = self._parts(readout), self.layer.fonts.width
        words_wide = sum(width(text, self._size) for text, _ in parts)
        return words_wide + WORD_GAP * self._size * (len(parts) - 1)

    def _readout(self, readout: Readout, x: float, y: float, room: float) -> None:
        size, right = self._size, x + room + 1e-3
        said = theme.LEVEL["care"] if readout.care else theme.TEXT
        for text, strong in self._parts(readout):
            x += self.layer.text(
                text, x, y, size, said if strong else theme.QUIET,
                weight=theme.BOLD if strong else 0.0, room=right - x,
            ) + WORD_GAP * size  # fmt: skip

    def _message(self, message: words.Message, left: float, right: float, y: float) -> None:
        u, size, rect, layer = self._unit, self._size, self._rect, self.layer
        color, width = theme.LEVEL[message.level], self.layer.fonts.width
        top = rect.center[1]
        layer.rect(Rect(rect.x, top, rect.w, rect.bottom - top),
                   theme.mixed(color, theme.PANEL, theme.MESSAGE_TINT))  # fmt: skip
        layer.rect(Rect(rect.x, top, 8 * u, rect.bottom - top), color)
        mark = size * theme.CAP_HEIGHT
        layer.shape(MESSAGE_SHAPE[message.level], (left + mark / 2, y), mark, color)
        left += 1.4 * mark
        detail, gap = message.short or message.detail, GAP * size
        if left + width(message.title, size) + gap + width(detail, size) > right:
            right -= layer.text(words.IN_FULL, right, y, size, theme.TEXT, align="right") + gap
        left += layer.text(
            message.title, left, y, size, color, weight=theme.BOLD, room=right - left
        ) + gap  # fmt: skip
        layer.text(detail, left, y, size, theme.TEXT, room=max(right - left, 0.0))

    def _age(self, age: AgeView, x: float, y: float) -> None:
        level = AGE_LEVEL.get(age.state)
        color = theme.WITHIN if level is None else theme.LEVEL[level]
        size, mark = self._size, self._size * theme.CAP_HEIGHT
        self.layer.shape(AGE_SHAPE[age.state], (x + mark / 2, y), mark, color)
        self.layer.text(age.text, x + 1.3 * mark, y, size, color, weight=theme.BOLD,
                        room=AGE_EM * size - 1.3 * mark)  # fmt: skip
