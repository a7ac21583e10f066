"""What all charts are drawn with: layers, styles of the sides, frames with ticks, a legend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from livefit.dashboard import theme
from livefit.dashboard.charts.ink import Ink, along
from livefit.dashboard.layer import Layer, Point, Rect
from livefit.dashboard.theme import Color
from livefit.definitions.models import Side
from livefit.frames import FloatArray
from livefit.view import chart_words as words
from livefit.view.axis import Axis

PAD = 18.0
LEGEND = 38.0
GAP = 10.0
"""Between an axis and its numbers."""

Style = Literal["mean", "last", "baseline"]
Sample = Literal["mean", "last", "baseline", "spread", "dots", "band"]
"""What a legend shows a sample of."""
LegendItem = tuple[Sample, str]
"""A sample and its words."""
WIDTH: dict[Style, float] = {"mean": 5.0, "last": 2.5, "baseline": 4.5}
STRENGTH: dict[Style, float] = {"mean": 1.0, "last": 0.85, "baseline": 0.85}
DASHES: dict[tuple[Style, bool], tuple[float, float]] = {
    ("mean", True): (20.0, 12.0),
    ("last", True): (9.0, 7.0),
}
"""On and off, by style and whether it is the right side."""
DOTS_APART = 12.0
SPREAD = 0.3
"""How much of its colour a ribbon takes on."""


@dataclass(frozen=True)
class Sheet:
    """Where and with what a chart is drawn; from the bottom up: frame, ink, top.

    ``size`` px is the type of what is read from afar.
    """

    rect: Rect
    unit: float
    size: float
    frame: Layer
    ink: Ink
    top: Layer
    close: bool = False
    """Whether the numbers at the axes are read close to the screen."""

    @property
    def head(self) -> float:
        """Height of title and legend."""
        return 1.15 * self.size + LEGEND * self.unit

    @property
    def below(self) -> float:
        """Height of the numbers below a plot."""
        return 1.25 * self.size + 6 * self.unit

    def ticks_left(self, axis: Axis, unit: str) -> float:
        """Width of the numbers beside an upright axis, with what is free on either side."""
        widest = max(
            self.frame.fonts.width(words.tick_words(value, unit), self.size) for value in axis.ticks
        )
        return widest + (GAP + 10) * self.unit


@dataclass(frozen=True)
class Plot:
    """A rectangle of the canvas and the numbers at its ends; x may run to the left."""

    rect: Rect
    x_left: float
    x_right: float
    y: Axis

    def place(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Canvas px (n, 2)."""
        px = np.empty((len(x), 2))
        px[:, 0] = self.rect.x + (x - self.x_left) / (self.x_right - self.x_left) * self.rect.w
        px[:, 1] = self.rect.bottom - self.y.fraction(y) * self.rect.h
        return px

    def point(self, x: float, y: float) -> Point:
        """Canvas px of one point."""
        px = self.place(np.array([x]), np.array([y]))
        return (float(px[0, 0]), float(px[0, 1]))


def side_color(side: Side) -> Color:
    """The side's colour; its line and letter tell it, too."""
    return theme.CRANK if side == "R" else theme.NEAR


def curve(sheet: Sheet, points: FloatArray, side: Side, style: Style) -> None:
    """A line in the style of a side: left solid and of discs, right dashed and of diamonds."""
    u, dashes = sheet.unit, DASHES.get((style, side == "R"))
    color = theme.mixed(side_color(side), theme.PANEL, STRENGTH[style])
    if style == "baseline":
        dots, _ = along(points, 0.0, DOTS_APART * u)
        marks(sheet, dots, dots, side, WIDTH[style] * u, color)
    elif dashes is None:
        sheet.ink.line(points, WIDTH[style] * u, color)
    else:
        on, off = (length * u for length in dashes)
        sheet.ink.dashes(points, WIDTH[style] * u, color, on=on, off=off)


def marks(
    sheet: Sheet, a: FloatArray, b: FloatArray, side: Side, size: float, color: Color
) -> None:
    """Discs of the left side or diamonds of the right, drawn out from ``a`` to ``b``."""
    if side == "R":
        sheet.ink.diamonds(a, b, 1.5 * size, color)
    else:
        sheet.ink.pieces(a, b, size, color)


def title(sheet: Sheet, text: str) -> None:
    """The chart's title."""
    u, rect, size = sheet.unit, sheet.rect, sheet.size
    sheet.frame.text(text, rect.x + PAD * u, rect.y + 0.62 * size, size, theme.TEXT,
                     weight=theme.BOLD, room=rect.w - 2 * PAD * u)  # fmt: skip


def legend(sheet: Sheet, items: Sequence[LegendItem], note: str = "") -> None:
    """Samples of the lines with their words, as many as there is room for, and a note behind."""
    u, rect, layer = sheet.unit, sheet.rect, sheet.frame
    x, size, wide = rect.x + PAD * u, theme.SMALL * u, 34 * u
    y = rect.y + sheet.head - LEGEND / 2 * u
    right = rect.right - PAD * u
    for kind, text in items:
        text_left = x + wide + 8 * u
        end = text_left + layer.fonts.width(text, size)
        if end > right:
            return
        _sample(sheet, kind, x, y, wide)
        layer.text(text, text_left, y, size, theme.QUIET, close=True)
        x = end + 20 * u
    if note and x + layer.fonts.width(note, size) <= right:
        layer.text(note, x, y, size, theme.QUIET, close=True)


def _sample(sheet: Sheet, kind: Sample, x: float, y: float, wide: float) -> None:
    u, layer = sheet.unit, sheet.frame
    if kind == "band":
        band(layer, Rect(x, y - 9 * u, wide, 18 * u), u)
    elif kind == "dots":
        layer.disc((x + 0.25 * wide, y), 9 * u, side_color("L"))
        layer.shape("diamond", (x + 0.75 * wide, y), 11 * u, side_color("R"))
    else:
        if kind == "spread":
            ground = theme.mixed(theme.NEAR, theme.PANEL, SPREAD)
            layer.rect(Rect(x, y - 9 * u, wide, 18 * u), ground)
        ends = np.array([[x, y], [x + wide, y]])
        curve(sheet, ends, "L", "mean" if kind == "spread" else kind)


def band(layer: Layer, rect: Rect, unit: float) -> None:
    """A band lying in ``rect``, from its low edge to its high one."""
    layer.rect(rect, theme.BAND)
    for y in (rect.y, rect.bottom):
        layer.line((rect.x, y), (rect.right, y), 3 * unit, theme.BAND_EDGE)


def frame(sheet: Sheet, plot: Plot, unit: str) -> None:
    """Grid and numbers of the upright axis."""
    u, layer, rect, size = sheet.unit, sheet.frame, plot.rect, sheet.size
    grid = theme.mixed(theme.LINE, theme.PANEL, 0.35)
    ticks = plot.y.ticks
    every = thinned(len(ticks), rect.h, 1.3 * size)
    for i, value in enumerate(ticks):
        y = rect.bottom - plot.y.fraction(value) * rect.h
        layer.line((rect.x, y), (rect.right, y), 1.5 * u, grid)
        if i % every == 0:
            text = words.tick_words(value, unit)
            layer.text(text, rect.x - GAP * u, y, size, theme.QUIET, align="right",
                       close=sheet.close)  # fmt: skip


def across(
    sheet: Sheet, plot: Plot, ticks: Sequence[tuple[float, str]], bounds: tuple[float, float]
) -> None:
    """Numbers or words below the plot with their grid lines, the last one among them."""
    u, layer, rect, size = sheet.unit, sheet.frame, plot.rect, sheet.size
    grid = theme.mixed(theme.LINE, theme.PANEL, 0.35)
    widest = max((layer.fonts.width(text, size) for _, text in ticks), default=0.0)
    every = thinned(len(ticks), rect.w, widest + 10 * u)
    for i, (value, text) in enumerate(ticks):
        x = plot.point(value, plot.y.low)[0]
        layer.line((x, rect.y), (x, rect.bottom), 1.5 * u, grid)
        if (len(ticks) - 1 - i) % every == 0:
            half = layer.fonts.width(text, size) / 2
            at = min(max(x, bounds[0] + half), bounds[1] - half)
            layer.text(text, at, rect.bottom + 0.85 * size, size, theme.QUIET, align="center",
                       close=sheet.close)  # fmt: skip


def thinned(count: int, length: float, needed: float) -> int:
    """Every how many-th of ``count`` ticks along ``length`` px may bear a text."""
    spacing = length / max(count - 1, 1)
    return next((n for n in range(1, count) if n * spacing >= needed), max(count, 1))


def spaced(at: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """The places moved as little as needed to lie ``gap`` apart between ``low`` and ``high``."""
    if not len(at):
        return []
    order = np.argsort(at, kind="stable")
    steps = gap * np.arange(len(at))
    # With the gaps taken away the order must only not fall: pool neighbours that would cross.
    pools: list[list[float]] = []
    for value in np.asarray(at, dtype=np.float64)[order] - steps:
        pools.append([float(value)])
        while len(pools) > 1 and np.mean(pools[-2]) > np.mean(pools[-1]):
            last = pools.pop()
            pools[-1] += last
    flat = np.concatenate([np.full(len(pool), np.mean(pool)) for pool in pools])
    moved = np.clip(flat, low, max(high - steps[-1], low)) + steps
    out = np.empty(len(at))
    out[order] = moved
    return [float(value) for value in out]


def tag(
    sheet: Sheet, text: str, at: Point, color: Color, size: float, *, close: bool = False
) -> None:
    """A bold word over the curves, on ground of its own."""
    layer, u = sheet.top, sheet.unit
    width = layer.fonts.width(text, size)
    ground = Rect(at[0] - width / 2 - 4 * u, at[1] - 0.5 * size, width + 8 * u, size)
    layer.rect(ground, theme.faded(theme.PANEL, 0.8))
    layer.text(text, *at, size, color, align="center", weight=theme.BOLD, close=close)


def dense(*lines: FloatArray) -> FloatArray:
    """Points (n, 2) of the lines and those half-way between them, less the unknown."""
    points = np.concatenate([np.zeros((0, 2)), *lines, *((a[1:] + a[:-1]) / 2 for a in lines)])
    known: FloatArray = points[np.isfinite(points).all(axis=1)]
    return known


_ROUND = np.array([(np.cos(turn), np.sin(turn)) for turn in np.arange(8) * np.pi / 4])


def free_place(
    anchor: Point, size: tuple[float, float], obstacles: FloatArray, bounds: Rect,
    taken: Sequence[Rect], reach: float,
) -> Rect:  # fmt: skip
    """Where a box of this size lies best: near the anchor, clear of points and other boxes.

    Of sixteen places round the anchor the one whose nearest obstacle (n, 2) is farthest, counted
    up to ``reach`` px, less a little for the outer ones; the anchor itself where all are taken.
    """
    half, at = np.array(size) / 2, np.array(anchor)
    places = at + np.concatenate([_ROUND * (half + reach), _ROUND * (half + 2 * reach)])
    low = np.array([bounds.x, bounds.y]) + half
    places = np.clip(places, low, np.maximum(low, (bounds.right, bounds.bottom) - half))
    near = obstacles[(np.abs(obstacles - at) < 2 * half + 3 * reach).all(axis=1)]
    away = np.maximum(np.abs(near - places[:, None]) - half, 0.0)
    clear = np.sqrt((away**2).sum(axis=2).min(axis=1, initial=reach**2))
    clear[8:] -= 0.1 * reach
    for i in np.argsort(-clear, kind="stable"):
        box = _box(places[i], size)
        if not any(_overlap(box, other) for other in taken):
            return box
    return _box(at, size)


def _box(center: FloatArray, size: tuple[float, float]) -> Rect:
    return Rect(float(center[0]) - size[0] / 2, float(center[1]) - size[1] / 2, *size)


def _overlap(a: Rect, b: Rect) -> bool:
    return min(a.right, b.right) > max(a.x, b.x) and min(a.bottom, b.bottom) > max(a.y, b.y)
