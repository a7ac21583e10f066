"""A sheet to draw on: strokes and texts are gathered, then shown at once."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from livefit.dashboard.damage import bands, differing
from livefit.dashboard.theme import CAP_HEIGHT, Color
from livefit.dashboard.visuals import SEGMENT_COLUMNS, Box, Fonts, Label, Labels, Segments
from livefit.view.words import Shape

Point = tuple[float, float]
Align = Literal["left", "center", "right"]
_Stroke = tuple[float, ...]
"""A row of a segments' table: two ends, half width at either, round ends, colour."""


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

    def covers(self, other: Rect) -> bool:
        """Whether another rectangle lies inside."""
        return (
            self.x <= other.x and other.right <= self.right
            and self.y <= other.y and other.bottom <= self.bottom
        )  # fmt: skip

    def inset(self, dx: float, dy: float) -> Rect:
        """The rectangle less a margin."""
        return Rect(self.x + dx, self.y + dy, self.w - 2 * dx, self.h - 2 * dy)


@dataclass(frozen=True)
class Area:
    """An area of the canvas, and all that is drawn there: vispy visuals from the bottom up.

    None named: everything.
    """

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
        self._strokes: list[_Stroke] = []
        self._texts: list[Label] = []
        self._strokes_shown: list[_Stroke] = []
        self._texts_shown: list[Label] = []
        self._table = np.zeros((0, SEGMENT_COLUMNS), np.float32)
        self._pixel_scale = 0.0
        self._damage: list[NDArray[np.float64]] = []

    @property
    def visuals(self) -> tuple[Any, ...]:
        """What is drawn, from the bottom up."""
        return tuple(each for each in (self._segments, self._labels) if not each.empty)

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
        anew = pixel_scale != self._pixel_scale
        self._pixel_scale = pixel_scale
        before, now = differing(self._strokes_shown, self._strokes)
        if anew or before or now:
            table = np.array(self._strokes, np.float32).reshape(-1, SEGMENT_COLUMNS)
            self._damage += [_edges(self._table[before]), _edges(table[now])]
            self._table, self._strokes_shown = table, self._strokes.copy()
            self._segments.set_table(table, pixel_scale)
        before, now = differing(self._texts_shown, self._texts)
        if anew or before or now:
            changed = [self._texts_shown[i] for i in before] + [self._texts[i] for i in now]
            inks = [self._ink(label) for label in changed]
            self._damage.append(np.array(inks, np.float64).reshape(-1, 4))
            self._texts_shown = self._texts.copy()
            self._labels.set_labels(self._texts, pixel_scale)

    def take_damage(self) -> list[Rect]:
        """Where the screen has changed since the last call."""
        found = bands(np.concatenate([np.zeros((0, 4)), *self._damage])).tolist()
        self._damage.clear()
        return [Rect(left, top, right - left, bottom - top) for left, top, right, bottom in found]

    def line(
        self, a: Point, b: Point, width: float, color: Color, *, round_ends: bool = False
    ) -> None:
        """A straight line."""
        half = width / 2
        self._strokes.append((*a, *b, half, half, round_ends, *color))

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
        unit = _round(min(max(round(radius), 12), 48))
        ring = [(at[0] + radius * x, at[1] + radius * y) for x, y in unit]
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
            self._strokes.append((x, base, x, tip, half, 0.0, False, *color))

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
        close: bool = False,
    ) -> float:
        """A text whose capitals are centred on ``y``; elided to ``room``. Returns its width.

        ``close``: it is for somebody who has come up to the screen.
        """
        if room is not None:
            text = self.fonts.elide(text, size, room)
        width = self.fonts.width(text, size)
        left = x - width * {"left": 0.0, "center": 0.5, "right": 1.0}[align]
        if text:
            baseline = y + size * CAP_HEIGHT / 2
            self._texts.append(Label(text, left, baseline, size, color, weight, close))
        return width

    def boxes(self) -> list[Box]:
        """Where the ink of every text lies."""
        return [Box(t.text, *self._ink(t), t.size, t.close) for t in self._texts]

    def _ink(self, label: Label) -> tuple[float, float, float, float]:
        left, top, right, bottom = (label.size * e for e in self.fonts.layout(label.text).ink)
        return (label.x + left, label.y + top, label.x + right, label.y + bottom)


def _edges(table: NDArray[np.float32]) -> NDArray[np.float64]:
    """Left, top, right, bottom of strokes, (n, 11) to (n, 4) px."""
    a, b, reach = table[:, :2], table[:, 2:4], table[:, 4:6].max(axis=1, keepdims=True)
    span = np.abs(b - a)
    length = np.hypot(span[:, :1], span[:, 1:])
    along = np.where(length > 0, span / np.maximum(length, 1e-6), np.array([1, 0], np.float32))
    out = reach * np.where(table[:, 6:7] > 0, 1.0, along[:, ::-1])
    edges = np.hstack([np.minimum(a, b) - out, np.maximum(a, b) + out])
    return edges.astype(np.float64)


@cache
def _round(count: int) -> list[Point]:
    """Corners of a regular polygon of radius 1, the first once more at the end."""
    turn = [2 * math.pi * i / count for i in range(count + 1)]
    return [(math.cos(t), math.sin(t)) for t in turn]
