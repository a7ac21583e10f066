"""The end of touching: every dimension with its uncertainty, the chosen one drawn and defined."""

from __future__ import annotations

import math
from itertools import pairwise

from livefit.bicycle.change import Difference
from livefit.bicycle.geometry import COVERING, Measured
from livefit.dashboard import theme
from livefit.dashboard.bicycle_picture import draw_bicycle
from livefit.dashboard.layer import Layer, Point, Rect
from livefit.view import bicycle_drawing as drawing
from livefit.view import touch_words as words
from livefit.view.numbers import format_value, signed
from livefit.view.touching import TouchModel
from livefit.view.words import NOTHING, UNIT_WORD

MARGIN = 24.0
KEPT = 1e-6
"""A change known so well is of what was not touched again."""
ROWS = 24
"""So many can be read; of more those about the chosen one are shown."""
FOOT = 330.0
"""Units below the drawing, for the chosen dimension's words."""


def draw_sheet(
    layer: Layer, model: TouchModel, left: Rect, right: Rect, u: float, type_px: float, saved: str
) -> None:
    """Draw the sheet: the bicycle on the left, the table on the right."""
    geometry = model.geometry
    if geometry is None:
        return
    names = list(geometry.measured)
    chosen = names[model.selected % len(names)]
    points = {name: (float(p[0]), float(p[1]), float(p[2])) for name, p in geometry.points.items()}
    lines = drawing.dimension_lines(chosen, points)
    area = Rect(left.x, left.y, left.w, left.h - FOOT * u).inset(MARGIN * u, 1.5 * MARGIN * u)
    _bicycle(layer, points, lines, area, u)
    _words(layer, model, geometry.measured[chosen], Rect(
        area.x, left.bottom - FOOT * u, area.w, FOOT * u), u, type_px)  # fmt: skip
    _table(layer, model, names, chosen, right.inset(MARGIN * u, MARGIN / 2 * u), u, saved)


def _bicycle(
    layer: Layer,
    points: dict[str, drawing.Place],
    lines: drawing.DimensionLines | None,
    area: Rect,
    u: float,
) -> None:
    plane: drawing.Plane = "side" if lines is None else lines.plane
    also = () if lines is None else (*lines.span, *lines.arc)
    place = draw_bicycle(layer, points, area, u, plane=plane, faint=True, also=also)
    if lines is None:
        return
    for a, b in lines.helpers:
        layer.dashes(place(a), place(b), 3 * u, theme.BAND_EDGE, 10 * u)
    for a, b in pairwise(lines.arc):
        layer.line(place(a), place(b), 8 * u, theme.CARE, round_ends=True)
    if lines.span:
        one, two = place(lines.span[0]), place(lines.span[1])
        layer.line(one, two, 8 * u, theme.CARE)
        for end, other in ((one, two), (two, one)):
            _tick(layer, end, other, u)


def _tick(layer: Layer, end: Point, other: Point, u: float) -> None:
    """A short stroke square to the dimension line at its end."""
    length = max(math.dist(end, other), 1e-9)
    across = (-(other[1] - end[1]) / length * 16 * u, (other[0] - end[0]) / length * 16 * u)
    layer.line(
        (end[0] - across[0], end[1] - across[1]), (end[0] + across[0], end[1] + across[1]), 5 * u,
        theme.CARE,
    )  # fmt: skip


def _words(
    layer: Layer, model: TouchModel, measured: Measured, rect: Rect, u: float, type_px: float
) -> None:
    """The chosen dimension: what it is called, how large, what it means."""
    dimension = measured.dimension
    y = rect.y + 0.6 * type_px
    text = f"{dimension.title}: {value_text(measured)}"
    size = min(type_px, type_px * rect.w / layer.fonts.width(text, type_px))
    layer.text(text, rect.x, y, size, theme.TEXT, weight=theme.BOLD)
    y += 1.1 * type_px
    for line in layer.fonts.wrap(dimension.sentence, theme.TITLE * u, rect.w, 3):
        layer.text(line, rect.x, y, theme.TITLE * u, theme.TEXT)
        y += 1.3 * theme.TITLE * u
    stance = model.geometry.stance.text if model.geometry else ""
    for line in layer.fonts.wrap(f"{words.HALF_WIDTH} {stance}", theme.SMALL * u, rect.w, 2):
        layer.text(line, rect.x, y + 8 * u, theme.SMALL * u, theme.QUIET)
        y += 1.3 * theme.SMALL * u


def _table(
    layer: Layer, model: TouchModel, names: list[str], chosen: str, rect: Rect, u: float, saved: str
) -> None:
    measured = model.geometry.measured if model.geometry else {}
    changes = bool(model.differences)
    first = min(max(names.index(chosen) - ROWS // 2, 0), max(len(names) - ROWS, 0))
    shown = names[first : first + ROWS]
    row = min(33 * u, (rect.h - 190 * u) / (len(shown) + 1))
    size = 0.78 * row
    columns = (rect.x + (0.72 if changes else 1.0) * rect.w, rect.right)
    y = rect.y + row / 2
    title = words.SHEET_TITLE
    if len(shown) < len(names):
        title += words.SHEET_PART.format(first=first + 1, last=first + ROWS, all=len(names))
    layer.text(title, rect.x, y, 1.1 * size, theme.TEXT, weight=theme.BOLD)
    if changes:
        layer.text(words.SHEET_CHANGE, columns[1], y, 1.1 * size, theme.TEXT, align="right",
                   weight=theme.BOLD)  # fmt: skip
    for name in shown:
        y += row
        color = theme.TEXT
        if name == chosen:
            layer.rect(Rect(rect.x - 8 * u, y - row / 2, rect.w + 16 * u, row), theme.BAND)
        layer.text(measured[name].dimension.title, rect.x, y, size, color, room=0.46 * rect.w)
        layer.text(value_text(measured[name]), columns[0], y, size, color, align="right")
        if name in model.differences:
            found = model.differences[name]
            tone = theme.CARE if found.sure else theme.QUIET
            layer.text(change_text(found), columns[1], y, size, tone, align="right")
    y += row + 12 * u
    findings = model.findings
    color = theme.BAD if findings else theme.WITHIN
    title = words.FINDINGS_TITLE if findings else words.NO_FINDINGS
    layer.text(title, rect.x, y, theme.BODY * u, color, weight=theme.BOLD, room=rect.w)
    bottom = rect.bottom - 22 * u
    for text in findings:
        for line in layer.fonts.wrap(text, theme.CAPTION * u, rect.w, 3):
            y += 1.25 * theme.CAPTION * u
            if y < bottom - theme.SMALL * u:
                layer.text(line, rect.x, y, theme.CAPTION * u, theme.TEXT)
    layer.text(saved, rect.x, bottom, theme.SMALL * u, theme.QUIET, room=rect.w)


def value_text(measured: Measured) -> str:
    """``720.3 ± 0.6 mm``; a dash where points coincide."""
    if not math.isfinite(measured.value):
        return NOTHING
    half = format_value(COVERING * measured.se, 1)
    unit = UNIT_WORD[measured.dimension.unit]
    return f"{format_value(measured.value, 1)} {words.PLUS_MINUS} {half}{unit}"


def change_text(found: Difference) -> str:
    """``+5.1 ± 0.7``; a dash for what was not touched again."""
    if not found.sure and found.half_width < KEPT:
        return NOTHING
    half = format_value(found.half_width, 1)
    return f"{signed(found.value, 1)} {words.PLUS_MINUS} {half}"
