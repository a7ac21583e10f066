"""Draws closed ways: joint against joint, and the knee from the front."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from livefit.dashboard import theme
from livefit.dashboard.charts import sheet as s
from livefit.dashboard.layer import Rect
from livefit.frames import FloatArray
from livefit.view import chart_words as words
from livefit.view.round_crank import QUARTER_ROWS, Path, PathPlot, Paths

BELOW = 26.0
"""Height of what the axis below means."""
RIGHT = 20.0
DOT, TOP_DOT = 18.0, 26.0


def draw_paths(sheet: s.Sheet, chart: Paths) -> None:
    """The plots side by side; their numbers are for those who come up to the screen."""
    u, rect = sheet.unit, sheet.rect
    spread = f"{chart.window} {words.SPREAD}"
    items: list[s.LegendItem] = [
        ("spread", spread) if chart.front else ("mean", chart.window), ("last", words.LATEST),
    ]  # fmt: skip
    if any(path.baseline is not None for plot in chart.plots for path in plot.paths):
        items.append(("baseline", words.BASELINE))
    s.legend(sheet, items)
    axes = replace(sheet, size=theme.SMALL * u, close=True)
    heading = sheet.size if chart.front else axes.size
    top = rect.y + sheet.head + 1.15 * heading + 0.7 * axes.size
    height = rect.bottom - axes.below - BELOW * u - top
    for i, plot in enumerate(chart.plots):
        pitch = rect.w / len(chart.plots)
        place = Rect(rect.x + i * pitch, top, pitch, height)
        _plot(sheet, axes, plot, place, front=chart.front)


def _plot(sheet: s.Sheet, axes: s.Sheet, model: PathPlot, place: Rect, *, front: bool) -> None:
    u, layer, size = sheet.unit, sheet.frame, axes.size
    ticks = axes.ticks_left(model.y_axis, model.y_unit)
    area = Rect(place.x + ticks, place.y, place.w - ticks - RIGHT * u, place.h)
    # Facing the rider, outward on the rider's right side is to the left.
    mirrored = front and model.paths[0].side == "R"
    x, y = model.x_axis, model.y_axis
    plot = s.Plot(area, x.high if mirrored else x.low, x.low if mirrored else x.high, y)
    s.frame(axes, plot, model.y_unit)
    s.across(axes, plot, [(value, words.tick_words(value, model.x_unit)) for value in x.ticks],
             (place.x + 6 * u, place.right - 6 * u))  # fmt: skip
    left = place.x + s.PAD * u
    room = place.right - 8 * u - left
    above, bottom = area.y - 0.7 * size, area.bottom + axes.below + 10 * u
    if front:
        heading = words.FRONT_SIDE[model.paths[0].side]
        layer.text(heading, left, above - 0.55 * sheet.size, sheet.size, theme.TEXT, room=room)
        _foot(axes, plot, bottom, mirrored=mirrored)
    else:
        heading = model.y_title + words.unit_words(model.y_unit)
        layer.text(heading, left, above - 0.55 * size, size, theme.TEXT, room=room, close=True)
        text = model.x_title + words.unit_words(model.x_unit)
        layer.text(text, place.center[0], bottom, size, theme.TEXT, align="center", room=room,
                   close=True)  # fmt: skip
    ways = [(path, plot.place(*path.mean.T)) for path in model.paths]
    for path, way in ways:
        if front:
            _spread(sheet, plot, path, way)
    for path, way in ways:
        if path.baseline is not None:
            s.curve(sheet, plot.place(*path.baseline.T), path.side, "baseline")
        s.curve(sheet, plot.place(*path.last.T), path.side, "last")
        s.curve(sheet, way, path.side, "mean")
    _quarters(sheet, plot, ways, named=front)


def _foot(sheet: s.Sheet, plot: s.Plot, y: float, *, mirrored: bool) -> None:
    """The line over the foot, and which way is out."""
    u, layer, area, size = sheet.unit, sheet.frame, plot.rect, sheet.size
    x = plot.point(0.0, plot.y.low)[0]
    layer.line((x, area.y), (x, area.bottom), 3 * u, theme.LINE)
    ends = (words.OUT, words.IN) if mirrored else (words.IN, words.OUT)
    layer.text(ends[0], area.x, y, size, theme.TEXT, close=True)
    layer.text(ends[1], area.right, y, size, theme.TEXT, align="right", close=True)
    taken = max(layer.fonts.width(end, size) for end in ends) + 10 * u
    fits = layer.fonts.width(words.FROM_FOOT, size) <= area.w - 2 * taken
    text = words.FROM_FOOT if fits else words.FROM_FOOT_SHORT
    layer.text(text, area.center[0], y, size, theme.TEXT, align="center", close=True)


def _spread(sheet: s.Sheet, plot: s.Plot, path: Path, way: FloatArray) -> None:
    """A ribbon as wide across the way as strokes spread; the two directions taken as unrelated."""
    scale = (plot.rect.w / (plot.x_right - plot.x_left), plot.rect.h / (plot.y.high - plot.y.low))
    along = np.roll(way[:-1], -1, axis=0) - np.roll(way[:-1], 1, axis=0)
    along = np.vstack([along, along[:1]])
    length = np.maximum(np.hypot(*along.T), 1e-9)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1) / length[:, None]
    wide = 2 * np.hypot(*(across * path.sd * scale).T)
    color = theme.mixed(s.side_color(path.side), theme.PANEL, s.SPREAD)
    sheet.ink.pieces(way[:-1], way[1:], wide[:-1], color, width_b=wide[1:])


def _quarters(
    sheet: s.Sheet, plot: s.Plot, ways: list[tuple[Path, FloatArray]], *, named: bool
) -> None:
    """The four quarter points; the top bears its name and the side's letter."""
    u, size = sheet.unit, (theme.SMALL if named else theme.TITLE) * sheet.unit
    others = [line for path, _ in ways for line in (path.last, path.baseline) if line is not None]
    obstacles = s.dense(*(way for _, way in ways), *(plot.place(*line.T) for line in others))
    taken: list[Rect] = []
    for path, way in ways:
        color = s.side_color(path.side)
        for row in QUARTER_ROWS:
            if not np.isfinite(way[row]).all():
                continue
            at = (float(way[row, 0]), float(way[row, 1]))
            top = row == QUARTER_ROWS[0]
            for less, shade in ((0, theme.PANEL), (4, color), (10, theme.PANEL)):
                sheet.top.disc(at, ((TOP_DOT if top else DOT) - less) * u, shade)
            if top:
                text = words.TOP if named else path.side
                box = (sheet.top.fonts.width(text, size) + 8 * u, size)
                place = s.free_place(at, box, obstacles, plot.rect, taken, 14 * u)
                taken.append(place)
                s.tag(sheet, text, place.center, color, size, close=True)
