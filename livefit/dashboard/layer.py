"""A sheet to draw on: strokes and texts are gathered, then shown at once."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

from livefit.dashboard.theme import CAP_HEIGHT, Color
from livefit.dashboard.visuals import Box, Fonts, Label, Labels, Segment, Segments
from livefit.view.words import Shape

Point = tuple[float, float]
Align = Literal["left", "center", "right"]


@dataclass(frozen=True)
class Rect:
    """A rectangle of the canvas, px, y down."""

    x: float
    y: float
    w: float
    h: float

    @property
    def right(self) -> float:
        """Right edge."""
        return self.x + self.w

    @property
    def bottom(self) -> float:
        """Lower edge."""
        return self.y + self.h

    @property
    def center(self) -> Point:
        """Middle."""
        return (self.x + self.w / 2, self.y + self.h / 2)

    def holds(self, x: float, y: float) -> bool:
        """Whether a point lies inside."""
        return self.x <= x < self.right and self.y <= y < self.bottom

    def inset(self, dx: float, dy: float) -> Rect:
        """The rectangle less a margin."""
        return Rect(self.x + dx, self.y + dy, self.w - 2 * dx, self.h - 2 * dy)


@dataclass(frozen=True)
class Area:
    """An area of the canvas, and all that is drawn there: vispy visuals from the bottom up."""

    rect: Rect
    visuals: tuple[Any, ...]


class Layer:
    """One Segments and one Labels visual, and a pen for both.

    Parameters
    ----------
    parent
        Scene node that it hangs on.
    fonts
        The canvas's fonts.
    order
        Layers of a higher order lie above.
    """

    def __init__(self, parent: Any, fonts: Fonts, order: int) -> None:
        self.fonts = fonts
        self._segments = Segments(parent=parent)
        self._labels = Labels(fonts, parent=parent)
        self._segments.order = 2 * order
        self._labels.order = 2 * order + 1
        self._strokes: list[Segment] = []
        self._texts: list[Label] = []
        self.shows = 0
        """How often something new was put on screen."""

    @property
    def visuals(self) -> tuple[Any, ...]:
        """What is drawn, from the bottom up."""
        return self._segments, self._labels

    @property
    def visible(self) -> bool:
        """Whether the layer is drawn."""
        return bool(self._segments.visible)

    @visible.setter
    def visible(self, visible: bool) -> None:
        self._segments.visible = visible
        self._labels.visible = visible

    def clear(self) -> None:
        """Begin anew; what is on screen stays until ``show``."""
        self._strokes.clear()
        self._texts.clear()

    def show(self, pixel_scale: float = 1.0) -> None:
        """Put all that was drawn since ``clear`` on screen."""
        self.shows += 1
        self._segments.set_segments(self._strokes, pixel_scale)
        self._labels.set_labels(self._texts, pixel_scale)

    def line(
        self, a: Point, b: Point, width: float, color: Color, *, round_ends: bool = False
    ) -> None:
        """A straight line."""
        self._strokes.append(Segment(a, b, width, width, color, round_ends))

    def dashes(self, a: Point, b: Point, width: float, color: Color, dash: float) -> None:
        """A line of dashes about ``dash`` px long, as far apart, one at either end."""
        count = max(1, round((math.dist(a, b) / dash + 1) / 2))
        parts = 2 * count - 1
        for i in range(0, parts, 2):
            ends = [
                (a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share)
                for share in (i / parts, (i + 1) / parts)
            ]
            self.line(ends[0], ends[1], width, color)

    def rect(self, rect: Rect, color: Color) -> None:
        """A filled rectangle."""
        middle = rect.y + rect.h / 2
        self.line((rect.x, middle), (rect.right, middle), rect.h, color)

    def disc(self, at: Point, diameter: float, color: Color) -> None:
        """A filled disc."""
        self.line(at, at, diameter, color, round_ends=True)

    def circle(self, at: Point, radius: float, width: float, color: Color) -> None:
        """A ring of straight pieces too short to tell from round."""
        count = min(max(round(radius), 12), 48)
        turn = [2 * math.pi * i / count for i in range(count + 1)]
        ring = [(at[0] + radius * math.cos(t), at[1] + radius * math.sin(t)) for t in turn]
        for a, b in pairwise(ring):
            self.line(a, b, width, color, round_ends=True)

    def frame(self, rect: Rect, width: float, color: Color) -> None:
        """The edge of a rectangle, drawn on its inside."""
        half = width / 2
        left, right, top, bottom = (
            rect.x + half, rect.right - half, rect.y + half, rect.bottom - half,
        )  # fmt: skip
        self.line((rect.x, top), (rect.right, top), width, color)
        self.line((rect.x, bottom), (rect.right, bottom), width, color)
        self.line((left, rect.y + width), (left, rect.bottom - width), width, color)
        self.line((right, rect.y + width), (right, rect.bottom - width), width, color)

    def shape(self, shape: Shape, at: Point, size: float, color: Color) -> None:
        """The shape of a verdict in a square of ``size`` px round ``at``."""
        x, y = at
        half = size / 2
        if shape == "disc":
            self.disc(at, size * 0.92, color)
        elif shape == "diamond":
            d = half / 2
            self.line((x - d, y - d), (x + d, y + d), size * math.sqrt(0.5), color)
        elif shape in ("up", "down"):
            tip, base = (y - half, y + half) if shape == "up" else (y + half, y - half)
            self._strokes.append(Segment((x, base), (x, tip), size, 0.0, color))

    def text(
        self,
        text: str,
        x: float,
        y: float,
        size: float,
        color: Color,
        *,
        align: Align = "left",
        weight: float = 0.0,
        room: float | None = None,
    ) -> float:
        """A text whose capitals are centred on ``y``; elided to ``room``. Returns its width."""
        if room is not None:
            text = self.fonts.elide(text, size, room)
        width = self.fonts.width(text, size)
        left = x - width * {"left": 0.0, "center": 0.5, "right": 1.0}[align]
        if text:
            baseline = y + size * CAP_HEIGHT / 2
            self._texts.append(Label(text, left, baseline, size, color, weight))
        return width

    def boxes(self) -> list[Box]:
        """Where the ink of every text lies."""
        out = []
        for label in self._texts:
            left, top, right, bottom = (label.size * e for e in self.fonts.layout(label.text).ink)
            out.append(
                Box(
                    label.text, label.x + left, label.y + top, label.x + right, label.y + bottom,
                    label.size,
                )
            )  # fmt: skip
        return out
