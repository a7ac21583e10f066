"""A bicycle as lines, from the points that are known of it, and the lines of its dimensions."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

Point = tuple[float, float]
"""mm in one plane."""
Place = tuple[float, float, float]
"""mm in the bike's axes: forward, up, to the rider's right."""
Plane = Literal["side", "front"]
Role = Literal["frame", "part", "far", "wheel"]

WHEEL_MM = 335.0
ARC_STEP = math.radians(4.0)
ARC_MM = 150.0
FRONT_DIMENSIONS = ("bar_width", "bar_end_width", "pedal_spacing")

TYPICAL: Mapping[str, Place] = {
    "rear_axle_left": (-404, 70, -68), "rear_axle_right": (-404, 70, 68),
    "front_axle_left": (582, 70, -52), "front_axle_right": (582, 70, 52),
    "crank_axis_left": (0, 0, -66), "crank_axis_right": (0, 0, 66),
    "pedal_left": (-172, 0, -74), "pedal_right": (172, 0, 74),
    "seat_tube_left": (-148, 499, -15), "seat_tube_right": (-148, 499, 15),
    "head_top_left": (385, 560, -20), "head_top_right": (385, 560, 20),
    "head_bottom_left": (429, 417, -24), "head_bottom_right": (429, 417, 24),
    "saddle_nose": (-55, 688, 0), "saddle_rear": (-324, 692, 0),
    "bar_top_left": (485, 595, -30), "bar_top_right": (485, 595, 30),
    "hood_left": (570, 610, -200), "hood_right": (570, 610, 200),
    "bar_end_left": (490, 470, -210), "bar_end_right": (490, 470, 210),
}  # fmt: skip
"""A bicycle to show the points on before they are touched."""


@dataclass(frozen=True)
class Stroke:
    """A straight line of the drawing; ends in mm."""

    a: Point
    b: Point
    role: Role


@dataclass(frozen=True)
class DimensionLines:
    """How one dimension is drawn.

    Attributes
    ----------
    plane
        Seen from the rider's right, or from the front.
    span
        The dimension line, ticks at its ends; empty for an angle.
    arc
        Of an angle; empty for a length.
    helpers
        Thin lines that say what it is measured from.
    """

    plane: Plane
    span: tuple[Point, ...] = ()
    arc: tuple[Point, ...] = ()
    helpers: tuple[tuple[Point, Point], ...] = ()

    @property
    def middle(self) -> Point:
        """Where its number belongs."""
        line = self.span or self.arc
        one, two = line[(len(line) - 1) // 2], line[len(line) // 2]
        return (one[0] + two[0]) / 2, (one[1] + two[1]) / 2


def project(place: Place, plane: Plane) -> Point:
    """A place as seen from the rider's right, or from the front, where right is on the left."""
    return (place[0], place[1]) if plane == "side" else (-place[2], place[1])


def midpoints(points: Mapping[str, Place], plane: Plane = "side") -> dict[str, Point]:
    """Every point by its name, and each pair's middle by the pair's."""
    flat = {name: project(place, plane) for name, place in points.items()}
    for name in points:
        pair = name.removesuffix("_left")
        if pair != name and f"{pair}_right" in points:
            one, two = flat[name], flat[f"{pair}_right"]
            flat[pair] = ((one[0] + two[0]) / 2, (one[1] + two[1]) / 2)
    return flat


_TUBES: tuple[tuple[str, str, Role], ...] = (
    ("rear_axle", "crank_axis", "frame"), ("rear_axle", "seat_tube", "frame"),
    ("crank_axis", "seat_tube", "frame"), ("seat_tube", "head_top", "frame"),
    ("crank_axis", "head_bottom", "frame"), ("head_top", "head_bottom", "frame"),
    ("head_bottom", "front_axle", "part"), ("saddle_rear", "saddle_nose", "part"),
    ("head_top", "bar_top", "part"), ("bar_top", "hood", "part"), ("hood", "bar_end", "part"),
)  # fmt: skip
_CRANKS: tuple[tuple[str, str, Role], ...] = (
    ("crank_axis", "pedal_left", "far"),
    ("crank_axis", "pedal_right", "part"),
)


def strokes(points: Mapping[str, Place], *, wheels: bool, cranks: bool) -> tuple[Stroke, ...]:
    """The bicycle from the rider's right, as far as its points are known."""
    p = midpoints(points)
    pairs = _TUBES + (_CRANKS if cranks else ())
    drawn = [Stroke(p[a], p[b], role) for a, b, role in pairs if a in p and b in p]
    if {"seat_tube", "saddle_nose", "saddle_rear", "crank_axis"} <= p.keys():
        drawn.append(Stroke(p["seat_tube"], saddle_top(p), "part"))
    for axle in ("rear_axle", "front_axle") if wheels else ():
        if axle in p:
            rim = circle(p[axle], WHEEL_MM)
            drawn += [Stroke(a, b, "wheel") for a, b in pairwise(rim)]
    return tuple(drawn)


def circle(at: Point, radius: float) -> list[Point]:
    """Points of a circle, the first once more at the end."""
    turns = [2 * math.pi * k / 60 for k in range(61)]
    return [(at[0] + radius * math.cos(t), at[1] + radius * math.sin(t)) for t in turns]


def saddle_top(p: Mapping[str, Point]) -> Point:
    """Where the seat tube's line meets the saddle's."""
    axis, tube = p["crank_axis"], p["seat_tube"]
    nose, rear = p["saddle_nose"], p["saddle_rear"]
    t = (tube[0] - axis[0], tube[1] - axis[1])
    s = (nose[0] - rear[0], nose[1] - rear[1])
    across = t[0] * s[1] - t[1] * s[0]
    if abs(across) < 1e-9:
        return tube
    share = ((rear[0] - axis[0]) * s[1] - (rear[1] - axis[1]) * s[0]) / across
    return axis[0] + share * t[0], axis[1] + share * t[1]


def dimension_lines(name: str, points: Mapping[str, Place]) -> DimensionLines | None:
    """How a dimension is drawn on a bicycle; None where points are missing."""
    plane: Plane = "front" if name in FRONT_DIMENSIONS else "side"
    try:
        return _DRAWN[name](midpoints(points, plane))
    except KeyError:
        return None


def _level(a: Point, b: Point, y: float) -> DimensionLines:
    """Along the level from a to b, drawn at height y."""
    one, two = (a[0], y), (b[0], y)
    return DimensionLines("side", (one, two), helpers=((a, one), (b, two)))


def _upright(a: Point, b: Point, x: float) -> DimensionLines:
    """Square to the level from a to b, drawn at x."""
    one, two = (x, a[1]), (x, b[1])
    return DimensionLines("side", (one, two), helpers=((a, one), (b, two)))


def _straight(plane: Plane, a: Point, b: Point, aside: float = 0.0) -> DimensionLines:
    """From a to b, drawn so far aside."""
    length = max(math.dist(a, b), 1e-9)
    dx, dy = -aside * (b[1] - a[1]) / length, aside * (b[0] - a[0]) / length
    one, two = (a[0] + dx, a[1] + dy), (b[0] + dx, b[1] + dy)
    helpers = ((a, one), (b, two)) if aside else ()
    return DimensionLines(plane, (one, two), helpers=helpers)


def _angle(at: Point, level: float, b: Point) -> DimensionLines:
    """From the level, forward (+1) or rearward (-1), to the line toward b."""
    start = 0.0 if level > 0 else math.pi
    turn = math.remainder(math.atan2(b[1] - at[1], b[0] - at[0]) - start, 2 * math.pi)
    count = max(2, math.ceil(abs(turn) / ARC_STEP))
    bends = [start + turn * k / count for k in range(count + 1)]
    arc = tuple((at[0] + ARC_MM * math.cos(t), at[1] + ARC_MM * math.sin(t)) for t in bends)
    far = (at[0] + level * 1.5 * ARC_MM, at[1])
    return DimensionLines("side", arc=arc, helpers=((at, far), (at, b)))


def _fork_foot(p: Mapping[str, Point]) -> Point:
    """Foot of the square from the front axle on the steering axis."""
    top, bottom, axle = p["head_top"], p["head_bottom"], p["front_axle"]
    axis = (bottom[0] - top[0], bottom[1] - top[1])
    share = ((axle[0] - bottom[0]) * axis[0] + (axle[1] - bottom[1]) * axis[1]) / (
        axis[0] ** 2 + axis[1] ** 2
    )
    return bottom[0] + share * axis[0], bottom[1] + share * axis[1]


def _below_saddle(p: Mapping[str, Point]) -> Point:
    """Where the pedal's axle is with the crank in line with the seat tube."""
    axis, tube = p["crank_axis"], p["seat_tube"]
    crank = math.dist(axis, p["pedal_right"]) / math.dist(axis, tube)
    return axis[0] - crank * (tube[0] - axis[0]), axis[1] - crank * (tube[1] - axis[1])


def _with_saddle(p: Mapping[str, Point], lines: DimensionLines) -> DimensionLines:
    helpers = (*lines.helpers, (p["saddle_rear"], p["saddle_nose"]))
    return DimensionLines(lines.plane, lines.span, lines.arc, helpers)


def _offset(p: Mapping[str, Point]) -> DimensionLines:
    foot = _fork_foot(p)
    return DimensionLines("side", (foot, p["front_axle"]), helpers=((p["head_top"], foot),))


def _fork_length(p: Mapping[str, Point]) -> DimensionLines:
    foot = _fork_foot(p)
    return DimensionLines("side", (p["head_bottom"], foot), helpers=((foot, p["front_axle"]),))


def _drop(p: Mapping[str, Point]) -> DimensionLines:
    rear, front, axis = p["rear_axle"], p["front_axle"], p["crank_axis"]
    share = (axis[0] - rear[0]) / (front[0] - rear[0])
    foot = (axis[0], rear[1] + share * (front[1] - rear[1]))
    return DimensionLines("side", (foot, axis), helpers=((rear, front),))


_DRAWN: Mapping[str, Callable[[Mapping[str, Point]], DimensionLines]] = {
    "saddle_height": lambda p: _with_saddle(p, _straight("side", p["crank_axis"], saddle_top(p))),
    "saddle_height_spindle": lambda p: _with_saddle(
        p, _straight("side", _below_saddle(p), saddle_top(p))
    ),
    "saddle_setback": lambda p: _level(p["saddle_nose"], p["crank_axis"], p["saddle_nose"][1] + 70),
    "saddle_tilt": lambda p: _angle(p["saddle_rear"], 1.0, p["saddle_nose"]),
    "saddle_to_bar_reach": lambda p: _level(p["saddle_nose"], p["bar_top"],
                                            p["saddle_nose"][1] + 70),
    "saddle_to_bar_drop": lambda p: _upright(saddle_top(p), p["bar_top"], p["bar_top"][0]),
    "stack": lambda p: _upright(p["crank_axis"], p["head_top"], p["head_top"][0]),
    "reach": lambda p: _level(p["crank_axis"], p["head_top"], p["head_top"][1]),
    "bar_forward": lambda p: _level(p["crank_axis"], p["bar_top"], p["bar_top"][1]),
    "bar_up": lambda p: _upright(p["crank_axis"], p["bar_top"], p["bar_top"][0]),
    "bar_width": lambda p: _straight("front", p["hood_right"], p["hood_left"]),
    "bar_end_width": lambda p: _straight("front", p["bar_end_right"], p["bar_end_left"]),
    "hood_forward": lambda p: _level(p["crank_axis"], p["hood"], p["hood"][1]),
    "hood_up": lambda p: _upright(p["crank_axis"], p["hood"], p["hood"][0]),
    "seat_tube_angle": lambda p: _angle(p["crank_axis"], -1.0, p["seat_tube"]),
    "head_tube_angle": lambda p: _angle(p["head_bottom"], -1.0, p["head_top"]),
    "head_tube_length": lambda p: _straight("side", p["head_bottom"], p["head_top"], -60.0),
    "fork_length": _fork_length,
    "fork_offset": _offset,
    "crank_length": lambda p: _straight("side", p["crank_axis"], p["pedal_right"]),
    "pedal_spacing": lambda p: _straight("front", p["pedal_right"], p["pedal_left"]),
    "wheelbase": lambda p: _straight("side", p["rear_axle"], p["front_axle"], -140.0),
    "chainstay_length": lambda p: _straight("side", p["rear_axle"], p["crank_axis"]),
    "bottom_bracket_drop": _drop,
}  # fmt: skip


def front_strokes(points: Mapping[str, Place], *, cranks: bool = True) -> tuple[Stroke, ...]:
    """The bicycle from the front: bar, head tube, fork and, if wanted, cranks."""
    p = midpoints(points, "front")
    pairs: list[tuple[str, str, Role]] = [
        ("bar_end_left", "hood_left", "part"), ("bar_end_right", "hood_right", "part"),
        ("hood_left", "bar_top_left", "part"), ("hood_right", "bar_top_right", "part"),
        ("bar_top_left", "bar_top_right", "part"), ("head_top", "head_bottom", "frame"),
        ("head_bottom", "front_axle_left", "part"), ("head_bottom", "front_axle_right", "part"),
    ]  # fmt: skip
    if cranks:
        pairs += [
            ("pedal_left", "crank_axis_left", "far"), ("pedal_right", "crank_axis_right", "far"),
            ("crank_axis_left", "crank_axis_right", "far"),
        ]  # fmt: skip
    return tuple(Stroke(p[a], p[b], role) for a, b, role in pairs if a in p and b in p)
