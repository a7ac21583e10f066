"""A close-up of the drawing about the point whose turn it is, where others crowd round it."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping

from livefit.dashboard import theme
from livefit.dashboard.layer import Layer, Point
from livefit.view import bicycle_drawing as drawing

NEAR_MM = 75.0
"""Points nearer to each other than this are told apart in the close-up alone."""
ZOOM = 3.0
CENTRE: Point = (165.0, 765.0)
RADIUS_MM = 172.0
"""Where on the drawing it lies, mm: between saddle and bar, above the frame."""


def neighbours(now: str, points: Mapping[str, drawing.Place], asked: Collection[str]) -> list[str]:
    """The points asked for that crowd round this one, the other side of its pair among them."""
    at = drawing.project(points[now], "side")
    places = {name: drawing.project(points[name], "side") for name in asked if name != now}
    if not any(0.0 < math.dist(at, place) < NEAR_MM for place in places.values()):
        return []
    reach = 0.85 * RADIUS_MM / ZOOM
    return [name for name, place in places.items() if math.dist(at, place) < reach]


def draw_lens(
    layer: Layer,
    now: drawing.Place,
    points: Mapping[str, drawing.Place],
    place: Callable[[Point], Point],
    u: float,
) -> Callable[[Point], Point]:
    """Draw the lines about a point three times as large, and return how places come to px in it.

    Parameters
    ----------
    now
        The point in the middle.
    points
        The bicycle.
    place
        How places of the whole drawing come to px.
    """
    at = drawing.project(now, "side")
    centre = place(CENTRE)
    radius = place((CENTRE[0] + RADIUS_MM, CENTRE[1]))[0] - centre[0]
    whole = place(at)

    def magnified(point: Point) -> Point:
        x, y = place(point)
        return centre[0] + ZOOM * (x - whole[0]), centre[1] + ZOOM * (y - whole[1])

    away = math.dist(centre, whole)
    edge = tuple(c + (w - c) * radius / away for c, w in zip(centre, whole, strict=True))
    layer.line((edge[0], edge[1]), whole, 3 * u, theme.CARE)
    layer.disc(centre, 2 * radius, theme.PANEL)
    for stroke in drawing.strokes(points, wheels=False, cranks=False):
        seen = within(magnified(stroke.a), magnified(stroke.b), centre, radius)
        if seen is not None:
            color = theme.TEXT if stroke.role == "frame" else theme.QUIET
            layer.line(*seen, (14 if stroke.role == "frame" else 9) * u, color)
    layer.circle(centre, radius, 4 * u, theme.CARE)
    return magnified


def within(a: Point, b: Point, centre: Point, radius: float) -> tuple[Point, Point] | None:
    """The part of a line that lies in a circle."""
    along, off = (b[0] - a[0], b[1] - a[1]), (a[0] - centre[0], a[1] - centre[1])
    size = math.hypot(*along) ** 2
    half = along[0] * off[0] + along[1] * off[1]
    inner = half**2 - size * (math.hypot(*off) ** 2 - radius**2)
    if size == 0.0 or inner <= 0.0:
        return None
    first, last = ((-half + sign * math.sqrt(inner)) / size for sign in (-1.0, 1.0))
    first, last = max(first, 0.0), min(last, 1.0)
    if first >= last:
        return None
    ends = [(a[0] + share * along[0], a[1] + share * along[1]) for share in (first, last)]
    return ends[0], ends[1]
