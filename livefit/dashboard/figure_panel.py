"""The rider, moving, from the side and the front, and below what is not as it should be."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.figure import FigureView
from livefit.dashboard.figure_drawing import MARGIN, UNDER, FigureDrawing
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.visuals import Fonts
from livefit.view import words

CAPTION = 30.0
LINE = 1.06
"""Height of a line below the figure, over the size of its type."""
BOTH_LEAST = 200.0
"""Height below which one figure is all that can be told apart."""
BETWEEN_MM = 80.0
"""Between the figure from the side and that from the front."""


class FigurePanel:
    """Draws the figures, and below them what is not as it should be."""

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        self.layer = Layer(parent, fonts, order=1)
        self.figure_layer = Layer(parent, fonts, order=2)
        self._drawings = {
            "side": FigureDrawing(self.figure_layer, "side"),
            "front": FigureDrawing(self.figure_layer, "front"),
        }
        self.legible = 1.0
        """Least size of the type, px: what can be read from where the fitter is."""
        self._rect, self._unit, self._scale = Rect(0, 0, 1, 1), 1.0, 1.0
        self._foot_height = 0.0
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
        lines = (model.loads_short, model.missing_short)
        if lines != self._words_shown:
            self._words_shown = lines
            self.layer.clear()
            foot = self._foot(*lines)
            if foot != self._foot_height:
                self._foot_height, self._figure_shown = foot, None
            self.layer.show(self._scale)
        shown = (model.figures, model.figure_stale, model.figure_text, model.figure_age)
        if shown != self._figure_shown:
            self._figure_shown = shown
            self.figure_layer.clear()
            self._caption(model)
            if model.figures:
                self._figures(model.figures, model.figure_stale)
            self.figure_layer.show(self._scale)

    @property
    def _size(self) -> float:
        return max(self.legible, theme.BODY * self._unit)

    def _foot(self, loads: tuple[str, ...], missing: tuple[str, ...]) -> float:
        """Draw what is to be looked after, a line each, and return the height."""
        u, layer, rect, size = self._unit, self.layer, self._rect, self._size
        color, mark = theme.LEVEL["care"], size * theme.CAP_HEIGHT
        lines: list[tuple[words.Shape, str]] = [("diamond", text) for text in loads]
        room = rect.w - 18 * u - 1.25 * mark
        if missing:
            fitting = (text for text in missing if layer.fonts.width(text, size) <= room)
            lines.append(("up", next(fitting, missing[-1])))
        if not lines:
            return 0.0
        height = len(lines) * LINE * size + 6 * u
        layer.rect(Rect(rect.x, rect.bottom - height, rect.w, height),
                   theme.mixed(color, theme.PANEL, theme.MESSAGE_TINT))  # fmt: skip
        left = rect.x + 10 * u
        text_left = left + 1.25 * mark
        y = rect.bottom - height + u + 0.47 * size
        for shape, line in lines:
            layer.shape(shape, (left + mark / 2, y), mark, color)
            layer.text(line, text_left, y, size, theme.TEXT, room=room)
            y += LINE * size
        return height

    def _caption(self, model: DashboardModel) -> None:
        u, rect, size = self._unit, self._rect, theme.SMALL * self._unit
        left, right = rect.x + 18 * u, rect.right - 18 * u
        if model.figure_age:
            y = rect.y + LINE / 2 * self._size
            self.figure_layer.text(model.figure_age, left, y, self._size, theme.LEVEL["care"],
                                   room=right - left)  # fmt: skip
            return
        y = rect.y + CAPTION / 2 * u
        width = self.figure_layer.text(model.figure_text, left, y, size, theme.QUIET, close=True)
        if any(figure.ghost for figure in model.figures):
            room = right - left - width - 24 * u
            self.figure_layer.text(
                words.FIGURE_BASELINE, right, y, size, theme.QUIET, align="right", room=room,
                close=True,
            )  # fmt: skip

    def _figures(self, figures: tuple[FigureView, ...], stale: bool) -> None:
        """Draw the figures beside each other at one scale, as large as they go."""
        u, rect, size = self._unit, self._rect, self._size
        top = LINE * size if stale else CAPTION * u
        under = UNDER * size
        area = Rect(rect.x, rect.y + top, rect.w, rect.h - top - self._foot_height - under)
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
                size,
                stale=stale,
                ground=(bottom + high) / 2,
                named=figure is figures[0],
            )
            left = part.right
