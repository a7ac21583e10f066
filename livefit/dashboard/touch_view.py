"""The scene of guided touching: binds its model to a vispy canvas."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from livefit.dashboard import theme
from livefit.dashboard.bicycle_picture import draw_bicycle
from livefit.dashboard.layer import Layer, Point, Rect
from livefit.dashboard.touch_lens import draw_lens, neighbours
from livefit.dashboard.touch_sheet import draw_sheet
from livefit.dashboard.visuals import Box, Fonts
from livefit.definitions.bicycle import TouchPoint
from livefit.definitions.models import Screen
from livefit.view import bicycle_drawing as drawing
from livefit.view import touch_words as words
from livefit.view.screens import type_size_px
from livefit.view.touching import TouchModel
from livefit.view.words import Shape

MARGIN, HINTS, HEAD = 24.0, 52.0, 100.0
SHARE = 0.58
"""How much of the width the drawing takes."""
SIGN_H = 150.0
CAUTION = 90.0
SHIFT = {"left": -11.0, "right": 11.0, None: 0.0}
"""Left and right lie on one spot as seen from the side: half a step apart, both are seen."""
SHAPES: dict[str, Shape] = {"bad": "up", "care": "diamond", "note": "down", "done": "disc"}


class TouchView:
    """Drawing, sign, instruction and keys on ``canvas``; drawn anew when something has changed.

    Parameters
    ----------
    canvas
        A vispy ``SceneCanvas`` made with ``dpi=96``.
    model
        What is to be shown.
    screen
        How large the screen is and how far from the person with the pointer.
    """

    def __init__(self, canvas: Any, model: TouchModel, screen: Screen) -> None:
        self._canvas = canvas
        self.model = model
        self._screen = screen
        self.screen_px: tuple[float, float] | None = None
        """Size of the whole screen; None: the canvas fills it."""
        self._layer = Layer(canvas.scene, Fonts(), order=0)
        self._shown: object = None
        self._targets: list[tuple[Rect, str]] = []
        self.type_px = 0.0
        """Size of the words that are read from afar, px."""
        self.saved = ""
        """What became of the file, in words."""

    def refresh(self) -> None:
        """Bring the scene up to the model, the theme and the size of the canvas."""
        model = self.model
        shown = (
            *self._canvas.size, self._canvas.pixel_scale, self.screen_px, theme.in_use, id(model),
            model.measured_times, model.sign, model.instruction, model.detail, model.problem,
            model.selected, self.saved,
        )  # fmt: skip
        if shown == self._shown:
            return
        self._shown = shown
        width, height = self._canvas.size
        u = min(width / 1920, height / 1080)
        self.type_px = type_size_px(
            self._screen, self.screen_px or (width, height), cap_share=theme.CAP_HEIGHT,
            least=theme.VALUE * u, most=theme.VALUE * 1.5 * u,
        )  # fmt: skip
        self._canvas.bgcolor = theme.GROUND
        self._layer.clear()
        hints = Rect(0, height - HINTS * u, width, HINTS * u)
        left = Rect(0, 0, SHARE * width, hints.y)
        right = Rect(left.right, 0, width - left.right, hints.y)
        if model.complete:
            draw_sheet(self._layer, model, left, right, u, self.type_px, self.saved)
        else:
            self._bicycle(left, u)
            self._guide(right, u)
        self._hints(hints, u)
        self._layer.show(self._canvas.pixel_scale)

    def boxes(self) -> list[Box]:
        """Where the ink of every text lies."""
        return self._layer.boxes()

    def pixels(self) -> NDArray[np.uint8]:
        """The scene as it is drawn, (height, width, 3)."""
        return np.ascontiguousarray(self._canvas.render(alpha=False))

    def key_at(self, x: float, y: float) -> str | None:
        """Key of the word at a point of the canvas."""
        return next((key for rect, key in self._targets if rect.holds(x, y)), None)

    def _bicycle(self, rect: Rect, u: float) -> None:
        model, layer = self.model, self._layer
        now = model.guide.now if model.turning is None else None
        area = Rect(rect.x, HEAD * u, rect.w, rect.h - HEAD * u).inset(MARGIN * u, MARGIN * u)
        if now is not None:
            layer.text(
                now.title, area.x, HEAD / 2 * u, self.type_px, theme.TEXT, weight=theme.BOLD,
                room=area.w,
            )  # fmt: skip
        points = drawing.typical([point.name for point in model.guide.points])
        place = draw_bicycle(layer, points, area, u)
        for point in model.guide.points:
            if point is not now:
                self._mark(point, place(points[point.name][:2]), u)
        if now is None:
            return
        near = neighbours(now.name, points, [point.name for point in model.guide.points])
        if near:
            magnified = draw_lens(layer, points[now.name], points, place, u)
            for point in model.guide.points:
                if point.name in near:
                    self._mark(point, magnified(points[point.name][:2]), u)
            at = magnified(points[now.name][:2])
            layer.circle((at[0] + SHIFT[now.side] * u, at[1]), 15 * u, 7 * u, theme.CARE)
        self._present(now, place(points[now.name][:2]), u)

    def _mark(self, point: TouchPoint, at: Point, u: float) -> None:
        guide, layer = self.model.guide, self._layer
        at = (at[0] + SHIFT[point.side] * u, at[1])
        if point.name in guide.touches:
            layer.disc(at, 22 * u, theme.WITHIN)
        elif point.name in guide.skipped:
            layer.disc(at, 18 * u, theme.GROUND)
            layer.line((at[0] - 9 * u, at[1]), (at[0] + 9 * u, at[1]), 4 * u, theme.QUIET)
        else:
            layer.disc(at, 18 * u, theme.GROUND)
            layer.circle(at, 8 * u, 3 * u, theme.QUIET)

    def _present(self, point: TouchPoint, at: Point, u: float) -> None:
        layer = self._layer
        layer.disc(at, 84 * u, theme.GROUND)
        layer.circle(at, 40 * u, 9 * u, theme.CARE)
        letter = {"left": "L", "right": "R", None: ""}[point.side]
        if letter:
            layer.text(letter, at[0], at[1], 56 * u, theme.CARE, align="center", weight=theme.BOLD)
        else:
            layer.disc(at, 22 * u, theme.CARE)

    def _guide(self, rect: Rect, u: float) -> None:
        model, layer, size = self.model, self._layer, self.type_px
        sign = Rect(rect.x, MARGIN * u, rect.w - MARGIN * u, SIGN_H * u)
        self._sign(sign, u)
        x, room = rect.x + 8 * u, rect.w - (MARGIN + 16) * u
        y = sign.bottom + 0.95 * size
        if model.turning is None and model.guide.now is not None:
            count = words.COUNT.format(now=model.guide.index + 1, all=len(model.guide.points))
            layer.text(count, x, y, size, theme.QUIET, weight=theme.BOLD)
            y += 1.4 * size
        for line in layer.fonts.wrap(model.instruction, size, room, 5):
            layer.text(line, x, y, size, theme.TEXT)
            y += 1.2 * size
        y += 0.2 * size
        text = model.problem or model.detail
        color = theme.BAD if model.problem or not model.last_good else theme.QUIET
        small = max(min(size, 34 * u), theme.BODY * u)
        lines = max(int((rect.bottom - CAUTION * u - y) / (1.25 * small)), 0)
        for line in layer.fonts.wrap(text, small, room, lines) if lines else []:
            layer.text(line, x, y, small, color)
            y += 1.25 * small
        y = rect.bottom - (CAUTION - 24) * u
        for line in layer.fonts.wrap(words.SAFETY, theme.TITLE * u, room, 2):
            layer.text(line, x, y, theme.TITLE * u, theme.QUIET)
            y += 1.3 * theme.TITLE * u

    def _sign(self, rect: Rect, u: float) -> None:
        layer = self._layer
        kind, text = words.SIGN[self.model.sign]
        color = {"bad": theme.BAD, "care": theme.CARE, "note": theme.BELOW, "done": theme.WITHIN}[
            kind
        ]
        layer.rect(rect, theme.mixed(color, theme.GROUND, 0.22))
        layer.rect(Rect(rect.x, rect.y, 14 * u, rect.h), color)
        mark = 0.55 * rect.h
        at = (rect.x + 40 * u + mark / 2, rect.center[1])
        layer.shape(SHAPES[kind], at, mark, color)
        left = at[0] + mark / 2 + 26 * u
        room = rect.right - left - 12 * u
        size = min(1.15 * self.type_px, self.type_px * room / layer.fonts.width(text, self.type_px))
        layer.text(text, left, rect.center[1], size, color, weight=theme.BOLD, room=room)

    def _hints(self, rect: Rect, u: float) -> None:
        layer, size = self._layer, theme.BODY * u
        self._targets.clear()
        layer.rect(rect, theme.PANEL)
        actions = [
            (key, word) for key, word, does, _ in words.ACTIONS
            if does != "again" or self.model.findings
        ]  # fmt: skip
        widths = [layer.fonts.width(f"{key}  {word}", size) for key, word in actions]
        gap = (rect.w - 2 * MARGIN * u - sum(widths)) / max(len(actions) - 1, 1)
        x, y = rect.x + MARGIN * u, rect.center[1]
        for (key, word), width in zip(actions, widths, strict=True):
            self._targets.append((Rect(x - gap / 2, rect.y, width + gap, rect.h), key))
            wide = layer.text(key, x, y, size, theme.TEXT, weight=theme.BOLD)
            layer.text(word, x + wide + 10 * u, y, size, theme.QUIET)
            x += width + gap
