"""A bicycle drawn on a layer, as large as its area lets it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from livefit.dashboard import theme
from livefit.dashboard.layer import Layer, Point, Rect
from livefit.view import bicycle_drawing as drawing

WIDTH: Mapping[drawing.Role, float] = {"wheel": 2.5, "far": 4.0, "part": 6.0, "frame": 9.0}
"""Units; what comes later lies above."""


def draw_bicycle(
    layer: Layer,
    points: Mapping[str, drawing.Place],
    area: Rect,
    u: float,
    *,
    plane: drawing.Plane = "side",
    faint: bool = False,
    also: Sequence[tuple[float, float]] = (),
) -> Callable[[tuple[float, float]], Point]:
    """Draw a bicycle as large as the area lets it, and return how its places come to px.

    There is room for the places in ``also`` too.
    """
    lines = (
        drawing.strokes(points, wheels=True, cranks=True)
        if plane == "side" else drawing.front_strokes(points)
    )  # fmt: skip
    ends = [*also, *(end for stroke in lines for end in (stroke.a, stroke.b))]
    low = [min(end[k] for end in ends) for k in (0, 1)]
    high = [max(end[k] for end in ends) for k in (0, 1)]
    scale = min(area.w / (high[0] - low[0]), area.h / (high[1] - low[1])) * 0.94
    middle = ((low[0] + high[0]) / 2, (low[1] + high[1]) / 2)

    def place(point: tuple[float, float]) -> Point:
        return (
            area.center[0] + (point[0] - middle[0]) * scale,
            area.center[1] - (point[1] - middle[1]) * scale,
        )

    strong = theme.QUIET if faint else theme.TEXT
    colors = {"frame": strong, "part": theme.QUIET, "far": theme.FAR, "wheel": theme.LINE}
    for stroke in sorted(lines, key=lambda one: [*WIDTH].index(one.role)):
        layer.line(
            place(stroke.a), place(stroke.b), WIDTH[stroke.role] * u, colors[stroke.role],
            round_ends=True,
        )  # fmt: skip
    return place
