"""Every dimension on one sheet: drawn, defined in a sentence, and measured if it was (SVG)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from html import escape
from textwrap import wrap

from livefit.bicycle.dimensions import DIMENSIONS, Dimension
from livefit.session.models import SetUp
from livefit.view import bicycle_drawing as drawing
from livefit.view import touch_words as words
from livefit.view.numbers import format_value
from livefit.view.words import UNIT_WORD

COLUMNS = 4
CELL_W, CELL_H, DRAWN_H = 460.0, 390.0, 250.0
HEAD_H, MARGIN = 90.0, 20.0
INK, QUIET, LINE, MARK = "#141B26", "#36495D", "#6C7A90", "#AA4100"
WIDTH: Mapping[drawing.Role, float] = {"wheel": 1.0, "far": 1.5, "part": 2.0, "frame": 3.0}
TITLE_LETTERS = 36
"""Of a title in its cell; a longer one is set smaller."""
LETTERS = 56
"""Of a sentence in a line."""


def bicycle_sheet(
    points: Mapping[str, drawing.Place] | None = None,
    set_up: SetUp | None = None,
    stance: str = "",
) -> str:
    """An SVG document with one drawing for each dimension.

    Parameters
    ----------
    points
        The bicycle's points, mm in its own axes; None: those of a typical one.
    set_up
        The dimensions as measured; None: the sheet only defines them.
    stance
        How the bicycle stood.
    """
    rows = math.ceil(len(DIMENSIONS) / COLUMNS)
    width, height = COLUMNS * CELL_W + 2 * MARGIN, rows * CELL_H + HEAD_H + MARGIN
    day = f", {set_up.taken:%Y-%m-%d %H:%M}" if set_up else ""
    under = f"{words.HALF_WIDTH} {stance}" if set_up else words.LEVEL
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" '
        f'font-family="sans-serif" fill="{INK}">',
        f"<title>{escape(words.SHEET_TITLE + day)}</title>",
        f'<rect width="{width:.0f}" height="{height:.0f}" fill="#FFFFFF"/>',
        _text(MARGIN, 42, words.SHEET_TITLE + day, 28, bold=True),
        _text(MARGIN, 70, under, 16, QUIET),
    ]
    for k, dimension in enumerate(DIMENSIONS):
        x = MARGIN + (k % COLUMNS) * CELL_W
        y = HEAD_H + (k // COLUMNS) * CELL_H
        there = drawing.typical(dimension.needs) if points is None else points
        parts += _cell(dimension, there, set_up, x, y)
    return "\n".join([*parts, "</svg>", ""])


def _cell(
    dimension: Dimension,
    points: Mapping[str, drawing.Place],
    set_up: SetUp | None,
    x: float,
    y: float,
) -> list[str]:
    taken = set_up.dimensions.get(dimension.name) if set_up else None
    title = dimension.title
    if taken is not None:
        half = "" if taken.half_width is None else f" {words.PLUS_MINUS} {taken.half_width:.1f}"
        title += f": {format_value(taken.value, 1)}{half}{UNIT_WORD[dimension.unit]}"
    parts = [_text(x, y + 20, title, 19 if len(title) <= TITLE_LETTERS else 16, bold=True)]
    parts += _drawn(dimension.name, points, x, y + 30)
    for k, line in enumerate(wrap(dimension.sentence, LETTERS)):
        parts.append(_text(x, y + DRAWN_H + 52 + 19 * k, line, 15, QUIET))
    return parts


def _drawn(name: str, points: Mapping[str, drawing.Place], x: float, y: float) -> list[str]:
    lines = drawing.dimension_lines(name, points)
    plane = lines.plane if lines else "side"
    strokes = (
        drawing.strokes(points, wheels=True, cranks=True)
        if plane == "side"
        else drawing.front_strokes(points)
    )
    ends = [end for stroke in strokes for end in (stroke.a, stroke.b)]
    ends += [] if lines is None else [*lines.span, *lines.arc]
    low = [min(end[k] for end in ends) for k in (0, 1)]
    high = [max(end[k] for end in ends) for k in (0, 1)]
    scale = min((CELL_W - 60) / (high[0] - low[0]), (DRAWN_H - 20) / (high[1] - low[1]))

    def place(point: drawing.Point) -> drawing.Point:
        return (
            x + (CELL_W - 40) / 2 + (point[0] - (low[0] + high[0]) / 2) * scale,
            y + DRAWN_H / 2 - (point[1] - (low[1] + high[1]) / 2) * scale,
        )

    order = [*WIDTH]
    parts = [
        _line(place(s.a), place(s.b), WIDTH[s.role], LINE if s.role in order[:2] else QUIET)
        for s in sorted(strokes, key=lambda s: order.index(s.role))
    ]
    if lines is None:
        return parts
    parts += [_line(place(a), place(b), 1.2, MARK, dashed=True) for a, b in lines.helpers]
    if lines.arc:
        path = " ".join(f"{px:.1f},{py:.1f}" for px, py in map(place, lines.arc))
        parts.append(f'<polyline points="{path}" fill="none" stroke="{MARK}" stroke-width="3.5"/>')
    if lines.span:
        one, two = place(lines.span[0]), place(lines.span[1])
        parts.append(_line(one, two, 3.5, MARK))
        length = max(math.dist(one, two), 1e-9)
        across = ((one[1] - two[1]) / length * 7, (two[0] - one[0]) / length * 7)
        parts += [
            _line((e[0] - across[0], e[1] - across[1]), (e[0] + across[0], e[1] + across[1]), 2.5,
                  MARK)
            for e in (one, two)
        ]  # fmt: skip
    return parts


def _line(
    a: drawing.Point, b: drawing.Point, width: float, color: str, *, dashed: bool = False
) -> str:
    dash = ' stroke-dasharray="6 5"' if dashed else ""
    return (
        f'<line x1="{a[0]:.1f}" y1="{a[1]:.1f}" x2="{b[0]:.1f}" y2="{b[1]:.1f}" '
        f'stroke="{color}" stroke-width="{width:g}" stroke-linecap="round"{dash}/>'
    )


def _text(x: float, y: float, text: str, size: int, color: str = INK, *, bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    place = f'x="{x:.0f}" y="{y:.0f}" font-size="{size}"'
    return f'<text {place} fill="{color}"{weight}>{escape(text)}</text>'
