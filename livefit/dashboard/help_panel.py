"""The help that lies over everything while it is asked for."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.visuals import Fonts
from livefit.view import words
from livefit.view.hands import ACTIONS

LINE = 39.0
WIDTH, HEIGHT = 1900.0, 1060.0
PAD, GUTTER = 40.0, 24.0
KEYS, SIGNS = 690.0, 626.0
"""Width of the columns of keys and of signs; the third has the rest."""
MOST_LINES = 12
"""Of one paragraph of what is to be said now."""


class HelpPanel:
    """Keys, signs and all that is to be said at this moment, on a sheet over the window."""

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        self.layer = Layer(parent, fonts, order=9)
        self.layer.visible = False
        self._canvas, self._unit, self._scale = Rect(0, 0, 1, 1), 1.0, 1.0
        self._shown: object = None

    def place(self, canvas: Rect, unit: float, pixel_scale: float) -> None:
        """Draw in the middle of ``canvas``; ``unit`` px is one unit of the theme."""
        self._canvas, self._unit, self._scale = canvas, unit, pixel_scale
        self._shown = None

    def refresh(self, model: DashboardModel, *, shown: bool) -> None:
        """Show it, with what is to be said now in full, or put it away."""
        self.layer.visible = shown
        said = (model.message, model.loads, model.missing, model.header) if shown else None
        if said is not None and said != self._shown:
            self.layer.clear()
            self._draw(model)
            self.layer.show(self._scale)
        self._shown = said

    def _draw(self, model: DashboardModel) -> None:
        u, layer, middle = self._unit, self.layer, self._canvas.center
        sheet = Rect(middle[0] - WIDTH * u / 2, middle[1] - HEIGHT * u / 2, WIDTH * u, HEIGHT * u)
        layer.rect(self._canvas, theme.faded(theme.GROUND, 0.8))
        layer.rect(sheet, theme.LINE)
        layer.rect(sheet.inset(2 * u, 2 * u), theme.PANEL)
        top, left = sheet.y + 52 * u, sheet.x + PAD * u
        self._keys(left, top, left + KEYS * u)
        left += (KEYS + GUTTER) * u
        self._signs(left, top, left + SIGNS * u)
        left += (SIGNS + GUTTER) * u
        self._now(model, Rect(left, top, sheet.right - PAD * u - left, sheet.bottom - top))

    def _keys(self, left: float, y: float, end: float) -> None:
        u = self._unit
        y = self._title(words.HELP_TITLE, left, y)
        keys = [(" ".join((a.key, *a.other)), a.meaning) for a in ACTIONS]
        for key, meaning in (*keys, words.SELECT_KEYS):
            self._text(key, left, y, strong=True)
            self._text(meaning, left + 150 * u, y, room=end - left - 150 * u)
            y += LINE * u

    def _signs(self, left: float, y: float, end: float) -> None:
        u, layer, size = self._unit, self.layer, theme.BODY * self._unit
        y = self._title(words.HELP_SIGNS_TITLE, left, y)
        for key, meaning in words.MEANINGS.items():
            verdict, color = words.VERDICTS[key], theme.VERDICT[key]
            layer.shape(verdict.shape, (left + size / 2, y), size, color)
            layer.text(verdict.word, left + 2 * size, y, size, color, weight=theme.BOLD, close=True)
            y = self._wrapped(meaning, left + 160 * u, y, end - left - 160 * u, 2) + 6 * u
        y += 16 * u
        for name, meaning in words.HELP_SIGNS:
            self._text(name, left, y, strong=True, room=end - left)
            y = self._wrapped(meaning, left, y + 34 * u, end - left, 2, quiet=True) + 11 * u

    def _now(self, model: DashboardModel, rect: Rect) -> None:
        """What the window says in short, in full: as much as there is room for."""
        u, size, width = self._unit, theme.BODY * self._unit, self.layer.fonts.width
        y = self._title(words.HELP_NOW_TITLE, rect.x, rect.y)
        said = [] if model.message is None else [(model.message.title, model.message.detail)]
        if model.missing:
            said.append((words.HELP_MISSING, ", ".join(model.missing)))
        if model.loads:
            said.append((words.HELP_LOADS, model.loads))
        for title, text in said:
            lines = self.layer.fonts.wrap(text, size, rect.w, MOST_LINES)
            if y + (34 * len(lines) + 30) * u > rect.bottom:
                return
            self._text(title, rect.x, y, strong=True, room=rect.w)
            y = self._wrapped(text, rect.x, y + 34 * u, rect.w, MOST_LINES, quiet=True) + 10 * u
        for readout in model.header:
            if y > rect.bottom - 68 * u:
                return
            self._text(readout.caption, rect.x, y, quiet=True, room=rect.w)
            text = f"{'! ' if readout.care else ''}{readout.value} {readout.unit}".strip()
            left = 0.44 * rect.w
            if width(readout.caption, size) > left or width(text, size) > rect.w - left:
                y += 34 * u
                left = 24 * u
            self._text(text, rect.x + left, y, room=rect.w - left)
            y += 34 * u

    def _wrapped(
        self, text: str, x: float, y: float, room: float, lines: int, *, quiet: bool = False
    ) -> float:
        """Draw a paragraph; where the next one may begin."""
        for line in self.layer.fonts.wrap(text, theme.BODY * self._unit, room, lines):
            self._text(line, x, y, quiet=quiet)
            y += 34 * self._unit
        return y

    def _text(
        self,
        text: str,
        x: float,
        y: float,
        *,
        strong: bool = False,
        quiet: bool = False,
        room: float | None = None,
    ) -> None:
        self.layer.text(
            text, x, y, theme.BODY * self._unit, theme.QUIET if quiet else theme.TEXT,
            weight=theme.BOLD if strong else 0.0, room=room, close=True,
        )  # fmt: skip

    def _title(self, text: str, x: float, y: float) -> float:
        size = theme.TITLE * 1.2 * self._unit
        self.layer.text(text, x, y, size, theme.QUIET, weight=theme.BOLD, close=True)
        return y + 54 * self._unit
