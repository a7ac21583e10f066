"""What a fitter must know first, and below it the rider, moving, from the side and the front."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.figure import FigureView
from livefit.dashboard.figure_drawing import MARGIN, UNDER, FigureDrawing
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.visuals import Fonts
from livefit.view import words

MESSAGE_HEAD = 86.0
"""Height of a message's title."""
DETAIL_SIZES, DETAIL_LEADING = (34.0, 30.0, 26.0), 1.27
"""Type of the lines below it: the largest with which all is said; and their height over it."""
MESSAGE_LINES = 3
CAPTION = 34.0
FOOT = 40.0
LOADS_SIZE, LOADS_LINES = 42.0, 3
"""Type and most lines of how cadence and workload differ."""
BOTH_LEAST = 200.0
"""Height below which one figure is all that can be told apart."""
BETWEEN_MM = 80.0
"""Between the figure from the side and that from the front."""
MESSAGE_SHAPE: dict[str, words.Shape] = {"note": "disc", "care": "diamond", "bad": "up"}


class FigurePanel:
    """Draws the figures, the message above them and the markers out of sight below."""

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        self.layer = Layer(parent, fonts, order=1)
        self.figure_layer = Layer(parent, fonts, order=2)
        self._drawings = {
            "side": FigureDrawing(self.figure_layer, "side"),
            "front": FigureDrawing(self.figure_layer, "front"),
        }
        self._rect, self._unit, self._scale = Rect(0, 0, 1, 1), 1.0, 1.0
        self._message_height = self._foot_height = 0.0
        self._words_shown: object = None
        self._figure_shown: object = None

    def place(self, rect: Rect, unit: float, pixel_scale: float) -> None:
        """Take ``rect``; ``unit`` px is one unit of the theme."""
        self._rect, self._unit, self._scale = rect, unit, pixel_scale
        self._words_shown = self._figure_shown = None
        for drawing in self._drawings.values():
            drawing.forget()

    def refresh(self, model: DashboardModel) -> None:
        """Draw what has changed."""
        texts = (model.message, model.missing_text, bool(model.missing), model.loads)
        if texts != self._words_shown:
            self._words_shown = texts
            self.layer.clear()
            height = 0.0 if model.message is None else self._message(model.message)
            foot = FOOT * self._unit + self._loads(model.loads)
            if (height, foot) != (self._message_height, self._foot_height):
                self._message_height, self._foot_height = height, foot
                self._figure_shown = None
            self._foot(model)
            self.layer.show(self._scale)
        shown = (model.figures, model.figure_stale, model.figure_text, model.notice)
        if shown != self._figure_shown:
            self._figure_shown = shown
            self.figure_layer.clear()
            self._caption(model)
            if model.figures:
                self._figures(model.figures, model.figure_stale)
            self.figure_layer.show(self._scale)

    def _message(self, message: words.Message) -> float:
        """Draw a message and return its height."""
        u, layer, color = self._unit, self.layer, theme.LEVEL[message.level]
        left, width = self._rect.x + 26 * u, self._rect.w - 42 * u
        for units in DETAIL_SIZES:
            detail, leading = units * u, DETAIL_LEADING * units * u
            lines = layer.fonts.wrap(message.detail, detail, width, MESSAGE_LINES)
            if " ".join(lines) == message.detail:
                break
        height = MESSAGE_HEAD * u + leading * len(lines)
        rect = Rect(self._rect.x, self._rect.y, self._rect.w, height)
        layer.rect(rect, theme.faded(color, theme.MESSAGE_TINT))
        layer.rect(Rect(rect.x, rect.y, 8 * u, rect.h), color)
        mark = theme.MESSAGE * theme.CAP_HEIGHT * u
        y = rect.y + 42 * u
        layer.shape(MESSAGE_SHAPE[message.level], (left + mark / 2, y), mark, color)
        title_left = left + mark + 16 * u
        room = left + width - title_left
        size = theme.MESSAGE * u
        needed = layer.fonts.width(message.title, size)
        size = max(min(size, size * room / needed), theme.BODY * u)
        layer.text(message.title, title_left, y, size, color, weight=theme.BOLD, room=room)
        for i, line in enumerate(lines):
            y = rect.y + MESSAGE_HEAD * u + leading * (i + 0.3)
            layer.text(line, left, y, detail, theme.TEXT)
        return rect.h

    def _loads(self, text: str) -> float:
        """Draw how cadence and workload differ, above the foot, and return the height."""
        u, layer, rect = self._unit, self.layer, self._rect
        if not text:
            return 0.0
        size, color = LOADS_SIZE * u, theme.LEVEL["care"]
        mark = size * theme.CAP_HEIGHT
        left = rect.x + 8 * u + mark + 8 * u
        lines = layer.fonts.wrap(text, size, rect.right - 8 * u - left, LOADS_LINES)
        height = len(lines) * 1.2 * size + 8 * u
        top = rect.bottom - FOOT * u - height
        layer.rect(Rect(rect.x, top, rect.w, height), theme.faded(color, theme.MESSAGE_TINT))
        y = top + 4 * u + 0.6 * size
        layer.shape("diamond", (left - 8 * u - mark / 2, y), mark, color)
        for line in lines:
            layer.text(line, left, y, size, theme.TEXT)
            y += 1.2 * size
        return height

    def _foot(self, model: DashboardModel) -> None:
        u, layer, rect = self._unit, self.layer, self._rect
        left, room = rect.x + 18 * u, rect.w - 36 * u
        y = rect.bottom - 21 * u
        if model.missing:
            mark = theme.BODY * theme.CAP_HEIGHT * u
            layer.shape("up", (left + mark / 2, y), mark, theme.LEVEL["care"])
            room -= mark + 10 * u
            size = theme.BODY * u
            size = max(min(size, size * room / layer.fonts.width(model.missing_text, size)),
                       theme.CAPTION * u)  # fmt: skip
            layer.text(
                model.missing_text, left + mark + 10 * u, y, size, theme.LEVEL["care"],
                weight=theme.BOLD, room=room,
            )  # fmt: skip
        else:
            layer.text(model.missing_text, left, y, theme.BODY * u, theme.QUIET, room=room)

    def _caption(self, model: DashboardModel) -> None:
        u, rect, size = self._unit, self._rect, theme.SMALL * self._unit
        y = rect.y + self._message_height + CAPTION / 2 * u
        if model.notice is not None:
            self.figure_layer.text(
                model.notice, rect.x + 18 * u, y, theme.BODY * u, theme.TEXT, weight=theme.BOLD,
                room=rect.w - 36 * u,
            )  # fmt: skip
            return
        color = theme.LEVEL["care"] if model.figure_stale else theme.QUIET
        left, right = rect.x + 18 * u, rect.right - 18 * u
        width = self.figure_layer.text(model.figure_text, left, y, size, color)
        if any(figure.ghost for figure in model.figures):
            room = right - left - width - 24 * u
            self.figure_layer.text(
                words.FIGURE_BASELINE, right, y, size, theme.QUIET, align="right", room=room
            )

    def _figures(self, figures: tuple[FigureView, ...], stale: bool) -> None:
        """Draw the figures beside each other at one scale, as large as they go."""
        u, rect = self._unit, self._rect
        top = self._message_height + CAPTION * u
        area = Rect(rect.x, rect.y + top, rect.w, rect.h - top - self._foot_height - UNDER * u)
        area = area.inset(14 * u, 6 * u)
        if area.h < BOTH_LEAST * u:
            figures = figures[:1]
        bottom = min(figure.extent[2] for figure in figures)
        high = max(figure.extent[3] for figure in figures)
        widths = [figure.extent[1] - figure.extent[0] + BETWEEN_MM for figure in figures]
        drawings = [self._drawings[figure.plane] for figure in figures]
        margins = [MARGIN[f.plane] * u if f.angles else 0.0 for f in figures]
        margin = sum(margins)
        scale = min((area.w - margin) / sum(widths), area.h / (high - bottom))
        spare = area.w - margin - scale * sum(widths)
        # What is left over goes to the figures that have numbers beside them.
        wide = [beside > 0.0 or margin == 0.0 for beside in margins]
        left = area.x
        for i, (figure, drawing) in enumerate(zip(figures, drawings, strict=True)):
            width = scale * widths[i] + margins[i] + wide[i] * spare / sum(wide)
            part = Rect(left, area.y, width, area.h)
            drawing.draw(
                figure,
                part,
                scale,
                u,
                stale=stale,
                ground=(bottom + high) / 2,
                named=figure is figures[0],
            )
            left = part.right
