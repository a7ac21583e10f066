"""Draws a measure round the crank."""

from __future__ import annotations

import numpy as np

from livefit.dashboard import theme
from livefit.dashboard.charts import sheet as s
from livefit.dashboard.layer import Rect
from livefit.view import chart_words as words
from livefit.view.cycles import CRANK_DEG
from livefit.view.round_crank import CycleCurve, OverStroke
from livefit.view.words import Shape

RIGHT = 24.0
BAND_WIDE = 36.0
DOT = 17.0


def draw_over_stroke(sheet: s.Sheet, chart: OverStroke) -> None:
    """Mean cycle with its spread, the latest stroke, the baseline, and the judged event."""
    u, rect = sheet.unit, sheet.rect
    items: list[s.LegendItem] = [
        ("spread", f"{chart.window} {words.SPREAD}"),
        ("last", words.LATEST),
    ]
    if any(curve.cycle.baseline is not None for curve in chart.curves):
        items.append(("baseline", words.BASELINE))
    if chart.band is not None:
        items.append(("band", words.BAND))
    s.legend(sheet, items)
    if chart.axis is None:
        return
    left = rect.x + sheet.ticks_left(chart.axis, chart.unit)
    top = rect.y + sheet.head + 0.45 * sheet.size
    area = Rect(left, top, rect.right - RIGHT * u - left, rect.bottom - sheet.below - top)
    plot = s.Plot(area, 0.0, 360.0, chart.axis)
    if chart.band is not None and chart.band_everywhere:
        low, high = (plot.point(0.0, edge)[1] for edge in chart.band)
        s.band(sheet.frame, Rect(area.x, high, area.w, low - high), u)
    s.frame(sheet, plot, chart.unit)
    _quarters(sheet, plot)
    for curve in chart.curves:
        if curve.at is not None:
            x = plot.point(*curve.at)[0]
            sheet.frame.line((x, area.y), (x, area.bottom), 3 * u, theme.LINE)
        _spread(sheet, plot, curve)
    if chart.band is not None and not chart.band_everywhere:
        for crank_deg in {round(curve.at[0]) for curve in chart.curves if curve.at}:
            (x, low), (_, high) = (plot.point(crank_deg, edge) for edge in chart.band)
            wide = BAND_WIDE * u
            s.band(sheet.frame, Rect(x - wide / 2, high, wide, low - high), u)
    for curve in chart.curves:
        cycle = curve.cycle
        if cycle.baseline is not None:
            s.curve(sheet, plot.place(CRANK_DEG, cycle.baseline), curve.side, "baseline")
        s.curve(sheet, plot.place(CRANK_DEG, cycle.last), curve.side, "last")
        s.curve(sheet, plot.place(CRANK_DEG, cycle.mean), curve.side, "mean")
    for curve in chart.curves:
        _event(sheet, plot, curve)
    _letters(sheet, plot, chart)


def _quarters(sheet: s.Sheet, plot: s.Plot) -> None:
    names = [*words.QUARTERS, words.QUARTERS[0]]
    degrees = [f"{90 * i}°" for i in range(len(names))]
    both = [f"{at} {name}" for at, name in zip(degrees, names, strict=True)]

    def fits(texts: list[str]) -> bool:
        widest = max(sheet.frame.fonts.width(text, sheet.size) for text in texts)
        return widest * 1.1 <= plot.rect.w / 4

    texts = next((texts for texts in (both, names) if fits(texts)), degrees)
    bounds = (sheet.rect.x + 6 * sheet.unit, sheet.rect.right - 6 * sheet.unit)
    s.across(sheet, plot, [(90.0 * i, text) for i, text in enumerate(texts)], bounds)


def _spread(sheet: s.Sheet, plot: s.Plot, curve: CycleCurve) -> None:
    mean, sd = curve.cycle.mean, curve.cycle.sd
    upper, lower = (plot.place(CRANK_DEG, value) for value in (mean + sd, mean - sd))
    color = theme.faded(s.side_color(curve.side), s.SPREAD)
    sheet.ink.ribbon(upper[:, 0], upper[:, 1], lower[:, 1], color)


def _event(sheet: s.Sheet, plot: s.Plot, curve: CycleCurve) -> None:
    if curve.at is None:
        return
    u, (x, y) = sheet.unit, plot.point(*curve.at)
    shape: Shape = "diamond" if curve.side == "R" else "disc"
    sheet.top.shape(shape, (x, y), (DOT + 6) * u, theme.PANEL)
    sheet.top.shape(shape, (x, y), DOT * u, s.side_color(curve.side))


def _letters(sheet: s.Sheet, plot: s.Plot, chart: OverStroke) -> None:
    """Each side's letter where the sides differ most."""
    curves = [curve for curve in chart.curves if curve.side != "B"]
    means = np.stack([curve.cycle.mean for curve in curves]) if curves else np.zeros((0, 37))
    apart = means.max(axis=0, initial=-np.inf) - means.min(axis=0, initial=np.inf)
    apart[~np.isfinite(apart)] = -1.0
    # Away from the ends, where the plot has no room on one side.
    apart[[0, 1, -2, -1]] = -1.0
    if not curves or apart.max() < 0:
        return
    at = int(apart.argmax())
    points = [plot.place(CRANK_DEG, c.cycle.mean) for c in curves]
    obstacles = s.dense(*points, *(plot.place(CRANK_DEG, c.cycle.last) for c in curves))
    size = sheet.size
    taken: list[Rect] = []
    for curve, point in zip(curves, points, strict=True):
        anchor = (float(point[at, 0]), float(point[at, 1]))
        box = s.free_place(anchor, (size, size), obstacles, plot.rect, taken, 0.5 * size)
        taken.append(box)
        s.tag(sheet, curve.side, box.center, s.side_color(curve.side), size)
