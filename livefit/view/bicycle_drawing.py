"""A bicycle as lines, from the points that are known of it, and the lines of its dimensions."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
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
FRONT_DIMENSIONS = ("bar_width", "bar_end_width", "pad_width", "pedal_spacing")

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
    "saddle_wide": (-190, 690, 0),
    "drops_left": (578, 528, -205), "drops_right": (578, 528, 205),
    "pad_left": (470, 665, -95), "pad_right": (470, 665, 95),
    "extension_left": (760, 700, -55), "extension_right": (760, 700, 55),
    "bar_front_left": (501, 579, -30), "bar_front_right": (501, 579, 30),
    "stem_top_left": (368, 615, -18), "stem_top_right": (368, 615, 18),
    "stem_bottom_left": (380, 577, -18), "stem_bottom_right": (380, 577, 18),
    "tyre_rear": (-404, -265, 0), "tyre_front": (582, -265, 0),
}  # fmt: skip
"""A bicycle to show the points on before they are touched."""
_SELDOM = ("pad", "extension")
"""Pairs that few bicycles have."""


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


def typical(asked: Collection[str]) -> dict[str, Place]:
    """The typical bicycle; with a time-trial bar only where its points or pairs are asked for."""
    spared = [
        f"{pair}_{side}"
        for pair in _SELDOM
        if not {pair, f"{pair}_left", f"{pair}_right"} & set(asked)
        for side in ("left", "right")
    ]
    return {name: place for name, place in TYPICAL.items() if name not in spared}


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
    if {"stem_top", "stem_bottom"} <= flat.keys():
        one, two = flat["stem_top"], flat["stem_bottom"]
        flat["stem"] = ((one[0] + two[0]) / 2, (one[1] + two[1]) / 2)
    return flat


_TUBES: tuple[tuple[str, str, Role], ...] = (
    ("rear_axle", "crank_axis", "frame"), ("rear_axle", "seat_tube", "frame"),
    ("crank_axis", "seat_tube", "frame"), ("seat_tube", "head_top", "frame"),
    ("crank_axis", "head_bottom", "frame"), ("head_top", "head_bottom", "frame"),
    ("head_bottom", "front_axle", "part"), ("saddle_rear", "saddle_nose", "part"),
    ("bar_top", "hood", "part"), ("hood", "drops", "part"), ("pad", "extension", "part"),
    ("bar_top", "pad", "part"), ("head_top", "stem_top", "part"),
)  # fmt: skip
_CRANKS: tuple[tuple[str, str, Role], ...] = (
    ("crank_axis", "pedal_left", "far"),
    ("crank_axis", "pedal_right", "part"),
)


def strokes(points: Mapping[str, Place], *, wheels: bool, cranks: bool) -> tuple[Stroke, ...]:
    """The bicycle from the rider's right, as far as its points are known."""
    p = midpoints(points)
    pairs = _TUBES + (_CRANKS if cranks else ())
    pairs += (
        ("stem" if "stem" in p else "head_top", "bar_top", "part"),
        ("drops" if "drops" in p else "hood", "bar_end", "part"),
    )
    drawn = [Stroke(p[a], p[b], role) for a, b, role in pairs if a in p and b in p]
    if {"seat_tube", "saddle_nose", "saddle_rear", "crank_axis"} <= p.keys():
        drawn.append(Stroke(p["seat_tube"], saddle_top(p), "part"))
    for end in ("rear", "front") if wheels else ():
        if f"{end}_axle" in p:
            rim = circle(p[f"{end}_axle"], _radius(p, end))
            drawn += [Stroke(a, b, "wheel") for a, b in pairwise(rim)]
    return tuple(drawn)


def _radius(p: Mapping[str, Point], end: str) -> float:
    """Of a wheel over its tyre, if that was touched."""
    tyre = p.get(f"tyre_{end}")
    return WHEEL_MM if tyre is None else math.dist(p[f"{end}_axle"], tyre)


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
    return _arc_from(at, 0.0 if level > 0 else math.pi, b)


def _arc_from(at: Point, start: float, b: Point) -> DimensionLines:
    """From a direction, rad, to the line toward b."""
    turn = math.remainder(math.atan2(b[1] - at[1], b[0] - at[0]) - start, 2 * math.pi)
    count = max(2, math.ceil(abs(turn) / ARC_STEP))
    bends = [start + turn * k / count for k in range(count + 1)]
    arc = tuple((at[0] + ARC_MM * math.cos(t), at[1] + ARC_MM * math.sin(t)) for t in bends)
    far = (at[0] + 1.5 * ARC_MM * math.cos(start), at[1] + 1.5 * ARC_MM * math.sin(start))
    return DimensionLines("side", arc=arc, helpers=((at, far), (at, b)))


def _foot(of: Point, at: Point, along: Point) -> Point:
    """Foot of the square from a place on the line through another along a direction."""
    share = ((of[0] - at[0]) * along[0] + (of[1] - at[1]) * along[1]) / math.hypot(*along) ** 2
    return at[0] + share * along[0], at[1] + share * along[1]


def _fork_foot(p: Mapping[str, Point]) -> Point:
    """Foot of the square from the front axle on the steering axis."""
    top, bottom = p["head_top"], p["head_bottom"]
    return _foot(p["front_axle"], bottom, (bottom[0] - top[0], bottom[1] - top[1]))


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


def _wide_height(p: Mapping[str, Point]) -> DimensionLines:
    axis, tube, wide = p["crank_axis"], p["seat_tube"], p["saddle_wide"]
    along = (tube[0] - axis[0], tube[1] - axis[1])
    foot = _foot(wide, axis, along)
    return DimensionLines("side", (axis, foot), helpers=((wide, foot),))


def _stem_ends(p: Mapping[str, Point]) -> tuple[Point, Point]:
    """Middle of the stem's clamp, and of the bar."""
    return p["stem"], (p["bar_top"][0], p["bar_front"][1])


def _stem(p: Mapping[str, Point]) -> DimensionLines:
    one, two = _stem_ends(p)
    ends = ((p["stem_bottom"], p["stem_top"]), (p["bar_top"], two), (p["bar_front"], two))
    return DimensionLines("side", (one, two), helpers=ends)


def _stem_angle(p: Mapping[str, Point]) -> DimensionLines:
    """From square to the head tube to the stem."""
    one, two = _stem_ends(p)
    top, bottom = p["head_top"], p["head_bottom"]
    square = math.atan2(bottom[0] - top[0], top[1] - bottom[1])
    return _arc_from(one, square, two)


def _height(p: Mapping[str, Point]) -> DimensionLines:
    """Square to the line below both wheels."""
    rear, front, axis = p["rear_axle"], p["front_axle"], p["crank_axis"]
    behind, ahead = math.dist(rear, p["tyre_rear"]), math.dist(front, p["tyre_front"])
    slope = math.atan2(front[1] - rear[1], front[0] - rear[0])
    slope += math.asin((behind - ahead) / math.dist(rear, front))
    down = (math.sin(slope), -math.cos(slope))
    one = (rear[0] + behind * down[0], rear[1] + behind * down[1])
    two = (front[0] + ahead * down[0], front[1] + ahead * down[1])
    foot = _foot(axis, one, (two[0] - one[0], two[1] - one[1]))
    return DimensionLines("side", (foot, axis), helpers=((one, two),))


_DRAWN: Mapping[str, Callable[[Mapping[str, Point]], DimensionLines]] = {
    "saddle_height": lambda p: _with_saddle(p, _straight("side", p["crank_axis"], saddle_top(p))),
    "saddle_height_spindle": lambda p: _with_saddle(
        p, _straight("side", _below_saddle(p), saddle_top(p))
    ),
    "saddle_setback": lambda p: _level(p["saddle_nose"], p["crank_axis"], p["saddle_nose"][1] + 70),
    "saddle_tilt": lambda p: _angle(p["saddle_rear"], 1.0, p["saddle_nose"]),
    "saddle_wide_height": _wide_height,
    "saddle_wide_setback": lambda p: _level(p["saddle_wide"], p["crank_axis"],
                                            p["saddle_wide"][1] + 70),
    "saddle_to_bar_reach": lambda p: _level(p["saddle_nose"], p["bar_top"],
                                            p["saddle_nose"][1] + 70),
    "saddle_to_bar_drop": lambda p: _upright(saddle_top(p), p["bar_top"], p["bar_top"][0]),
    "saddle_wide_to_bar_drop": lambda p: _upright(p["saddle_wide"], p["bar_top"], p["bar_top"][0]),
    "saddle_to_drops_reach": lambda p: _level(p["saddle_nose"], p["drops"],
                                              p["saddle_nose"][1] + 70),
    "saddle_to_drops_drop": lambda p: _upright(saddle_top(p), p["drops"], p["drops"][0]),
    "saddle_to_pads_reach": lambda p: _level(p["saddle_nose"], p["pad"],
                                             p["saddle_nose"][1] + 70),
    "saddle_to_pads_drop": lambda p: _upright(saddle_top(p), p["pad"], p["pad"][0]),
    "pad_width": lambda p: _straight("front", p["pad_right"], p["pad_left"]),
    "extension_reach": lambda p: _level(p["pad"], p["extension"], p["extension"][1] + 70),
    "extension_rise": lambda p: _upright(p["pad"], p["extension"], p["extension"][0]),
    "stack": lambda p: _upright(p["crank_axis"], p["head_top"], p["head_top"][0]),
    "reach": lambda p: _level(p["crank_axis"], p["head_top"], p["head_top"][1]),
    "bar_forward": lambda p: _level(p["crank_axis"], p["bar_top"], p["bar_top"][1]),
    "bar_up": lambda p: _upright(p["crank_axis"], p["bar_top"], p["bar_top"][0]),
    "bar_width": lambda p: _straight("front", p["hood_right"], p["hood_left"]),
    "bar_end_width": lambda p: _straight("front", p["bar_end_right"], p["bar_end_left"]),
    "hood_forward": lambda p: _level(p["crank_axis"], p["hood"], p["hood"][1]),
    "hood_up": lambda p: _upright(p["crank_axis"], p["hood"], p["hood"][0]),
    "stem_length": _stem,
    "stem_angle": _stem_angle,
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
    "bottom_bracket_height": _height,
}  # fmt: skip


def front_strokes(points: Mapping[str, Place], *, cranks: bool = True) -> tuple[Stroke, ...]:
    """The bicycle from the front: bar, head tube, fork and, if wanted, cranks."""
    p = midpoints(points, "front")
    pairs: list[tuple[str, str, Role]] = [
        ("bar_end_left", "hood_left", "part"), ("bar_end_right", "hood_right", "part"),
        ("hood_left", "bar_top_left", "part"), ("hood_right", "bar_top_right", "part"),
        ("bar_top_left", "bar_top_right", "part"), ("bar_top_left", "pad_left", "part"),
        ("bar_top_right", "pad_right", "part"), ("head_top", "head_bottom", "frame"),
        ("head_bottom", "front_axle_left", "part"), ("head_bottom", "front_axle_right", "part"),
    ]  # fmt: skip
    if cranks:
        pairs += [
            ("pedal_left", "crank_axis_left", "far"), ("pedal_right", "crank_axis_right", "far"),
            ("crank_axis_left", "crank_axis_right", "far"),
        ]  # fmt: skip
    return tuple(Stroke(p[a], p[b], role) for a, b, role in pairs if a in p and b in p)
