"""Draws a measure stroke by stroke against time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from livefit.dashboard import theme
from livefit.dashboard.charts import sheet as s
from livefit.dashboard.layer import Rect
from livefit.view import chart_words as words
from livefit.view.over_time import OverTime, TimeTrack

MARK_ROW = 1.15
"""Height of a row of marks over the size of their words."""
MARK_ROWS = 2
ROWS_FROM = 8.0
"""Height of the chart over the size of its type, below which marks have one row."""
DOT = 7.0
DOT_STRENGTH = 0.6
HALO = 7.0
"""How much wider the ground is on which the mean lines lie among the dots."""


@dataclass(frozen=True)
class MarkPlace:
    """Where the words of a mark stand, px; ``row`` counts from the plot upwards."""

    line: float
    left: float
    width: float
    row: int

    @property
    def over(self) -> bool:
        """Whether the words lie over their line, which then ends below them."""
        return self.left < self.line < self.left + self.width

    def clear_of(self, other: MarkPlace, gap: float) -> bool:
        """Whether neither the words nor the lines below their rows meet."""
        upper, lower = (self, other) if self.row > other.row else (other, self)
        if upper.row > lower.row:
            return not lower.left - gap < upper.line < lower.left + lower.width + gap
        return not (
            self.left - gap < other.left + other.width and other.left - gap < self.left + self.width
        )


def mark_places(
    marks: Sequence[tuple[float, float]], left: float, right: float, gap: float,
    rows: int = MARK_ROWS,
) -> list[MarkPlace | None]:  # fmt: skip
    """Places for the words of marks (x of the line, width of the words), the newest served first.

    Words stand right of their line or else left of it, those too long for either over it; those
    that find no room have None.
    """
    out: list[MarkPlace | None] = []
    for x, width in reversed(marks):
        taken = [place for place in out if place is not None]
        beside = [at for at in (x, x - width) if left <= at and at + width <= right]
        starts = beside or ([max(left, x - width)] if width <= right - left else [])
        tries = (MarkPlace(x, start, width, row) for start in starts for row in range(rows))
        free = (t for t in tries if all(t.clear_of(place, gap) for place in taken))
        out.append(next(free, None))
    return out[::-1]


def draw_over_time(sheet: s.Sheet, chart: OverTime) -> None:
    """Dots of the strokes, the rolling mean, the band behind and the marks."""
    u, rect = sheet.unit, sheet.rect
    items: list[s.LegendItem] = [("dots", words.EACH_STROKE), ("mean", chart.window)]
    s.legend(sheet, [*items, ("band", words.BAND)] if chart.band else items,
             words.span_words(chart.span_s))  # fmt: skip
    if chart.axis is None:
        return
    size = sheet.size
    left = rect.x + sheet.ticks_left(chart.axis, chart.unit)
    right = rect.right - size - 6 * u
    places = _places(sheet, chart, left, right)
    rows = max((place.row + 1 for place in places if place is not None), default=0)
    top = rect.y + sheet.head + max(rows * MARK_ROW, 0.45) * size
    area = Rect(left, top, right - left, rect.bottom - sheet.below - top)
    plot = s.Plot(area, -chart.span_s, 0.0, chart.axis)
    if chart.band is not None:
        low, high = (plot.point(0.0, edge)[1] for edge in chart.band)
        s.band(sheet.frame, Rect(area.x, high, area.w, low - high), u)
    s.frame(sheet, plot, chart.unit)
    ticks = [(-before, words.time_words(before)) for before in chart.ticks_s]
    s.across(sheet, plot, ticks, (rect.x + 6 * u, rect.right - 6 * u))
    _marks(sheet, plot, chart, places)
    for track in chart.tracks:
        _dots(sheet, plot, track, chart.latest_t)
    for track in chart.tracks:
        line = plot.place(track.mean_t - chart.latest_t, track.mean)
        sheet.ink.line(line, (s.WIDTH["mean"] + HALO) * u, theme.PANEL)
        s.curve(sheet, line, track.side, "mean")
    _letters(sheet, plot, chart)


def _dots(sheet: s.Sheet, plot: s.Plot, track: TimeTrack, latest: float) -> None:
    u = sheet.unit
    color = theme.mixed(s.side_color(track.side), theme.PANEL, DOT_STRENGTH)
    low, high = (np.clip(v, plot.y.low, plot.y.high) for v in (track.low, track.high))
    a, b = (plot.place(track.t - latest, value) for value in (low, high))
    s.marks(sheet, a, b, track.side, DOT * u, color)
    outside = (track.low > plot.y.high) | (track.high < plot.y.low)
    for x, y, above in zip(*a[outside].T, track.low[outside] > plot.y.high, strict=True):
        sheet.top.shape("up" if above else "down", (x, y), 16 * u, s.side_color(track.side))


def _places(sheet: s.Sheet, chart: OverTime, left: float, right: float) -> list[MarkPlace | None]:
    u, fonts = sheet.unit, sheet.frame.fonts
    pace = (right - left) / chart.span_s
    marks = [
        (
            right - (chart.latest_t - mark.t) * pace,
            min(fonts.width(mark.words, sheet.size) + 12 * u, sheet.rect.right - 8 * u - left),
        )
        for mark in chart.marks
    ]
    rows = MARK_ROWS if sheet.rect.h > ROWS_FROM * sheet.size else 1
    return mark_places(marks, left, sheet.rect.right - 8 * u, 6 * u, rows)


def _marks(
    sheet: s.Sheet, plot: s.Plot, chart: OverTime, places: Sequence[MarkPlace | None]
) -> None:
    u, area, layer, size = sheet.unit, plot.rect, sheet.frame, sheet.size
    for mark, place in zip(chart.marks, places, strict=True):
        x = plot.point(mark.t - chart.latest_t, plot.y.low)[0]
        above = 0.0 if place is None else (place.row + 1) * MARK_ROW * size
        end = above if place is None or not place.over else above - MARK_ROW * size
        layer.line((x, area.y - end), (x, area.bottom), 3 * u, theme.TEXT)
        if place is not None:
            y = area.y - above + 0.42 * MARK_ROW * size
            layer.text(mark.words, place.left + 6 * u, y, size, theme.TEXT,
                       room=place.width - 6 * u)  # fmt: skip


def _letters(sheet: s.Sheet, plot: s.Plot, chart: OverTime) -> None:
    """The side's letter where its line ends."""
    ends = [(track.side, track.mean[np.isfinite(track.mean)]) for track in chart.tracks]
    known = [(side, plot.point(0.0, mean[-1])[1]) for side, mean in ends if len(mean)]
    size = sheet.size
    ys = s.spaced([y for _, y in known], size, plot.rect.y, plot.rect.bottom)
    for (side, _), y in zip(known, ys, strict=True):
        if side != "B":
            x = plot.rect.right + 0.5 * size + 3 * sheet.unit
            sheet.top.text(side, x, y, size, s.side_color(side), align="center", weight=theme.BOLD)
