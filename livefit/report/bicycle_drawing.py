"""A bicycle from its right side with its dimensions lettered, for whoever sets it up again."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from markupsafe import Markup

from livefit.report import palette
from livefit.report.svg import Drawing, Point

WIDTH = 520.0
PAD = 16.0
WHEEL_MM = 335.0
SADDLE_MM = 270.0
LETTER = 10.0
"""Radius of a letter's disc, px."""
SHORT = 80.0
"""Beside a line shorter than this, px, a letter may stand beyond its ends."""
SPOTS = (0.5, 0.36, 0.64, 0.24, 0.76, 0.12, 0.88)
"""Where along its line a letter may stand, best first."""

USUAL = {
    "saddle_height": 735.0, "seat_tube_angle": 73.0, "saddle_setback": 55.0, "saddle_tilt": 0.0,
    "stack": 565.0, "reach": 385.0, "head_tube_angle": 73.0, "head_tube_length": 150.0,
    "fork_length": 372.0, "fork_offset": 45.0, "chainstay_length": 410.0,
    "bottom_bracket_drop": 70.0, "crank_length": 172.5,
}  # fmt: skip
"""A middling road bicycle, mm and deg, for what was not measured."""
RANGES = {
    "saddle_height": (300, 1000), "seat_tube_angle": (55, 90), "saddle_setback": (-200, 300),
    "saddle_tilt": (-25, 25), "stack": (350, 800), "reach": (200, 620),
    "head_tube_angle": (55, 85), "head_tube_length": (60, 350), "fork_length": (250, 650),
    "fork_offset": (-20, 120), "chainstay_length": (330, 600), "bottom_bracket_drop": (-60, 130),
    "crank_length": (100, 220), "saddle_to_bar_reach": (200, 900), "bar_reach": (200, 900),
    "saddle_to_bar_drop": (-350, 350), "bar_drop": (-350, 350), "bar_height": (300, 1150),
    "hood_forward": (200, 950), "hood_up": (300, 1250), "saddle_wide_setback": (-60, 400),
    "saddle_wide_height": (300, 1000), "saddle_to_drops_reach": (250, 950),
    "saddle_to_drops_drop": (-300, 450), "saddle_to_pads_reach": (150, 850),
    "saddle_to_pads_drop": (-400, 350), "extension_reach": (50, 450), "extension_rise": (-150, 250),
    "stem_length": (20, 180), "stem_angle": (-50, 60), "bottom_bracket_height": (180, 400),
}  # fmt: skip
"""What can be drawn; a slip of the pen is not to bend the picture."""


@dataclass(frozen=True)
class Shape:
    """The bicycle's points, mm from the crank axis: forward and up."""

    seat_top: Point
    saddle_nose: Point
    saddle_rear: Point
    head_top: Point
    head_bottom: Point
    rear: Point
    front: Point
    bar: Point
    hood: Point
    pedal: Point
    saddle_wide: Point
    drops: Point
    pads: Point
    extension: Point
    clamp: Point
    """Middle of the stem on the steerer."""
    wheel: float
    """Its radius."""
    with_drops: bool
    with_pads: bool


def shape_of(values: Mapping[str, float]) -> Shape:
    """Points of a bicycle with these dimensions, what is missing or cannot be is usual."""
    v = USUAL | {
        name: value
        for name, value in values.items()
        if name in RANGES and RANGES[name][0] <= value <= RANGES[name][1]
    }
    tube, head = math.radians(v["seat_tube_angle"]), math.radians(v["head_tube_angle"])
    along = (-math.cos(tube), math.sin(tube))
    saddle = (v["saddle_height"] * along[0], v["saddle_height"] * along[1])
    tilt = math.radians(v["saddle_tilt"])
    nose_x = -v["saddle_setback"]
    nose = (nose_x, saddle[1] + math.tan(tilt) * (nose_x - saddle[0]))
    rear = (nose_x - SADDLE_MM * math.cos(tilt), nose[1] - SADDLE_MM * math.sin(tilt))
    head_top = (v["reach"], v["stack"])
    steer = (math.cos(head), -math.sin(head))
    head_bottom = _along(head_top, steer, v["head_tube_length"])
    crown = _along(head_bottom, steer, v["fork_length"])
    front = (
        crown[0] + v["fork_offset"] * math.sin(head),
        crown[1] + v["fork_offset"] * math.cos(head),
    )
    drop = v["bottom_bracket_drop"]
    axle = (-math.sqrt(max(v["chainstay_length"] ** 2 - drop**2, 1.0)), drop)
    reach = v.get("saddle_to_bar_reach", v.get("bar_reach"))
    bar_drop = v.get("saddle_to_bar_drop", v.get("bar_drop"))
    bar = (
        head_top[0] + 85.0 if reach is None else nose[0] + reach,
        v.get("bar_height", head_top[1] + 45.0) if bar_drop is None else saddle[1] - bar_drop,
    )
    hood = (v.get("hood_forward", bar[0] + 95.0), v.get("hood_up", bar[1] + 10.0))
    pedal = _along((0.0, 0.0), (math.cos(tube), -math.sin(tube)), v["crank_length"])
    wide_x = -v.get("saddle_wide_setback", v["saddle_setback"] + 140.0)
    wide_height = v.get("saddle_wide_height", v["saddle_height"])
    saddle_wide = (wide_x, (wide_height - wide_x * along[0]) / along[1])
    drops = (
        nose[0] + v.get("saddle_to_drops_reach", bar[0] + 85.0 - nose[0]),
        saddle[1] - v.get("saddle_to_drops_drop", saddle[1] - bar[1] + 70.0),
    )
    pads = (
        nose[0] + v.get("saddle_to_pads_reach", bar[0] - 20.0 - nose[0]),
        saddle[1] - v.get("saddle_to_pads_drop", saddle[1] - bar[1] - 65.0),
    )
    extension = (pads[0] + v.get("extension_reach", 300.0), pads[1] + v.get("extension_rise", 30.0))
    clamp = _along(head_top, steer, -30.0)
    if {"stem_length", "stem_angle"} <= v.keys():
        rises = math.pi / 2 - head + math.radians(v["stem_angle"])
        clamp = _along(bar, (math.cos(rises), math.sin(rises)), -v["stem_length"])
    wheel = v.get("bottom_bracket_height", WHEEL_MM - drop) + drop
    with_drops, with_pads = (
        bool({f"saddle_to_{hold}_reach", f"saddle_to_{hold}_drop"} & v.keys())
        for hold in ("drops", "pads")
    )
    return Shape(
        saddle, nose, rear, head_top, head_bottom, axle, front, bar, hood, pedal, saddle_wide,
        drops, pads, extension, clamp, wheel, with_drops, with_pads,
    )  # fmt: skip


@dataclass(frozen=True)
class Span:
    """A dimension's line, mm, moved aside by px square to it."""

    a: Point
    b: Point
    aside: float = 0.0
    ends: tuple[Point, Point] | None = None
    """The bicycle's points that it belongs to, where they are not its own ends."""


@dataclass(frozen=True)
class Arc:
    """An angle at a point between two arms: mm, and deg counter-clockwise from forward."""

    at: Point
    first_deg: float
    last_deg: float
    radius: float


def spans_of(shape: Shape) -> dict[str, Span | Arc]:
    """Where each dimension that is seen from the side is drawn."""
    s, axis = shape, (0.0, 0.0)
    highest = [s.saddle_nose, s.saddle_rear, s.bar, s.hood]
    highest += [s.pads, s.extension] if s.with_pads else []
    above = max(point[1] for point in highest) + 70.0
    below = min(s.front[1], s.rear[1]) - WHEEL_MM * 0.55
    tube = s.seat_top[0] / math.hypot(*s.seat_top), s.seat_top[1] / math.hypot(*s.seat_top)
    wide = _along(axis, tube, s.saddle_wide[0] * tube[0] + s.saddle_wide[1] * tube[1])
    between = [_part(s.saddle_nose, s.bar, share)[0] for share in (0.37, 0.6)]
    square = math.degrees(
        math.atan2(s.head_bottom[0] - s.head_top[0], s.head_top[1] - s.head_bottom[1])
    )
    bar = _level(s.saddle_nose, s.bar, above)
    drop = _upright(s.seat_top, s.bar, s.bar[0] - 45.0)
    spans: dict[str, Span | Arc] = {
        "saddle_height": Span(axis, s.seat_top, 26.0),
        "saddle_height_spindle": Span(s.pedal, s.seat_top, 58.0),
        "saddle_setback": _level(s.saddle_nose, axis, above + 55.0),
        "saddle_tilt": _angle(s.saddle_rear, s.saddle_nose, 0.0, 1.35),
        "saddle_to_bar_reach": bar,
        "bar_reach": bar,
        "saddle_to_bar_drop": drop,
        "bar_drop": drop,
        "bar_height": _upright(axis, s.bar, s.bar[0] + 40.0),
        "stack": _upright(axis, s.head_top, s.head_top[0] - 110.0),
        "reach": _level(axis, s.head_top, s.head_top[1] + 35.0),
        "hood_forward": _level(axis, s.hood, above + 110.0),
        "hood_up": _upright(axis, s.hood, s.hood[0] + 90.0),
        "seat_tube_angle": _angle(axis, s.seat_top, 180.0, 0.3),
        "head_tube_angle": _angle(s.head_bottom, s.head_top, 180.0, 1.2),
        "head_tube_length": Span(s.head_bottom, s.head_top, -24.0),
        "fork_length": Span(_part(s.head_bottom, s.front, 0.1), s.front, -26.0),
        "fork_offset": Span(s.front, (s.front[0] + 30.0, s.front[1] + 9.0), 0.0),
        "crank_length": Span(axis, s.pedal, -18.0),
        "wheelbase": _level(s.rear, s.front, below),
        "chainstay_length": Span(s.rear, axis, 20.0),
        "bottom_bracket_drop": _upright(s.rear, axis, 70.0),
        "bottom_bracket_height": _upright((0.0, s.rear[1] - s.wheel), axis, -60.0),
        "saddle_wide_height": Span(axis, wide, 90.0, (axis, s.saddle_wide)),
        "saddle_wide_setback": _level(s.saddle_wide, axis, above + 110.0),
        "saddle_wide_to_bar_drop": _upright(s.saddle_wide, s.bar, between[0]),
        "saddle_to_drops_reach": _level(s.saddle_nose, s.drops, above + 165.0),
        "saddle_to_drops_drop": _upright(s.seat_top, s.drops, s.drops[0] + 135.0),
        "saddle_to_pads_reach": _level(s.saddle_nose, s.pads, above + 220.0),
        "saddle_to_pads_drop": _upright(s.seat_top, s.pads, between[1]),
        "extension_reach": _level(s.pads, s.extension, above + 55.0),
        "extension_rise": _upright(s.pads, s.extension, s.extension[0] + 40.0),
        "stem_length": Span(s.clamp, s.bar, 22.0),
        "stem_angle": _angle(s.clamp, s.bar, square, 1.9),
    }
    return spans


def _level(a: Point, b: Point, up: float) -> Span:
    """How far b is ahead of a, drawn at a height."""
    return Span((a[0], up), (b[0], up), ends=(a, b))


def _upright(a: Point, b: Point, forward: float) -> Span:
    """How far b is above a, drawn at a place along the bicycle."""
    return Span((forward, a[1]), (forward, b[1]), ends=(a, b))


def _angle(at: Point, end: Point, first_deg: float, share: float) -> Arc:
    """From a direction to the line ``at`` -> ``end``, drawn at a share of its length."""
    arm = math.degrees(math.atan2(end[1] - at[1], end[0] - at[0]))
    return Arc(at, first_deg, arm, share * math.dist(at, end))


def bicycle_drawing(
    name: str, title: str, describe: Callable[[str], str], values: Mapping[str, float],
    letters: Mapping[str, str],
) -> Markup:  # fmt: skip
    """Draw the bicycle.

    Parameters
    ----------
    describe
        List of what is lettered -> the description of the picture.
    values
        Dimensions, mm and deg.
    letters
        Dimension -> its letter in the table; those not seen from the side are left out.
    """
    shape = shape_of(values)
    spans = {k: span for k, span in spans_of(shape).items() if k in letters}
    ys = [s.b[1] for s in spans.values() if isinstance(s, Span)] + [
        shape.saddle_rear[1],
        shape.hood[1],
    ]
    left = shape.rear[0] - shape.wheel
    right = max(shape.front[0] + shape.wheel, shape.hood[0] + 130)
    top, bottom = max(ys) + 50.0, min(shape.rear[1], shape.front[1]) - shape.wheel
    scale = (WIDTH - 2 * PAD) / (right - left)
    listed = ", ".join(letters[key] for key in spans)
    drawing = Drawing(
        name, WIDTH, (top - bottom) * scale + 2 * PAD, title, describe(listed), "bicycle"
    )

    def at(point: Point) -> Point:
        return PAD + (point[0] - left) * scale, PAD + (top - point[1]) * scale

    _bicycle(drawing, shape, at, scale)
    taken: list[Point] = []
    for key, span in spans.items():
        _lettered(drawing, letters[key], _drawn(drawing, span, at), taken)
    return drawing.markup()


def letter(index: int) -> str:
    """A, B ... Z, AA, AB ...

    >>> letter(0), letter(25), letter(26)
    ('A', 'Z', 'AA')
    """
    first = chr(ord("A") + index % 26)
    return first if index < 26 else letter(index // 26 - 1) + first


def _bicycle(drawing: Drawing, s: Shape, at: Callable[[Point], Point], scale: float) -> None:
    grey = palette.HAIR
    for wheel in (s.rear, s.front):
        x, y = at(wheel)
        drawing.add(
            "circle", cx=x, cy=y, r=s.wheel * scale, fill="none", stroke=grey, stroke_width=3.0
        )
        drawing.add("circle", cx=x, cy=y, r=3.0, fill=palette.RULE)
    axis = (0.0, 0.0)
    joint = _part(axis, s.seat_top, 0.68)
    top_tube = _part(s.head_top, s.head_bottom, 0.25)
    frame = (
        (axis, _part(axis, s.seat_top, 0.72)), (axis, _part(s.head_top, s.head_bottom, 0.8)),
        (joint, top_tube), (axis, s.rear), (joint, s.rear), (s.head_top, s.head_bottom),
        (s.head_bottom, s.front),
    )  # fmt: skip
    for a, b in frame:
        drawing.line(at(a), at(b), grey, 6.0, stroke_linecap="round")
    thin = ((_part(axis, s.seat_top, 0.72), s.seat_top), (s.head_top, s.clamp), (s.clamp, s.bar))
    for a, b in thin:
        drawing.line(at(a), at(b), palette.RULE, 3.0)
    held = [(s.saddle_rear, s.saddle_nose), (s.bar, s.hood), (axis, s.pedal)]
    held += [(s.hood, s.drops)] if s.with_drops else []
    held += [(s.bar, s.pads), (s.pads, s.extension)] if s.with_pads else []
    for a, b in held:
        drawing.line(at(a), at(b), palette.QUIET, 4.5, stroke_linecap="round")
    x, y = at(axis)
    drawing.add("circle", cx=x, cy=y, r=5.0, fill=palette.PAPER, stroke=palette.INK)
    x, y = at(s.pedal)
    drawing.add("circle", cx=x, cy=y, r=3.5, fill=palette.INK)


def _drawn(drawing: Drawing, span: Span | Arc, at: Callable[[Point], Point]) -> list[Point]:
    """Draw a dimension; where its letter may stand, best first."""
    if isinstance(span, Arc):
        return _arc(drawing, span, at)
    return _dimension(drawing, span, at)


def _arc(drawing: Drawing, arc: Arc, at: Callable[[Point], Point]) -> list[Point]:
    """Draw an angle with its level arm."""
    turns = [
        math.radians(arc.first_deg + share / 12 * (arc.last_deg - arc.first_deg))
        for share in range(13)
    ]
    points = [at(_along(arc.at, (math.cos(t), math.sin(t)), arc.radius)) for t in turns]
    drawing.line(at(arc.at), points[0], palette.RULE, 0.9, stroke_dasharray="3 2")
    drawing.path(points, palette.INK, 1.2)
    return [points[6], points[3], points[9], points[0]]


def _dimension(drawing: Drawing, span: Span, at: Callable[[Point], Point]) -> list[Point]:
    """Draw a length with its ends."""
    (x0, y0), (x1, y1) = at(span.a), at(span.b)
    length = math.hypot(x1 - x0, y1 - y0) or 1.0
    nx, ny = (y1 - y0) / length, -(x1 - x0) / length
    a = (x0 + span.aside * nx, y0 + span.aside * ny)
    b = (x1 + span.aside * nx, y1 + span.aside * ny)
    drawing.line(a, b, palette.INK, 1.2)
    for x, y in (a, b):
        drawing.line((x - 4 * nx, y - 4 * ny), (x + 4 * nx, y + 4 * ny), palette.INK, 1.4)
    ends = ((x0, y0), (x1, y1)) if span.ends is None else [at(end) for end in span.ends]
    for near, far in zip(ends, (a, b), strict=True):
        if math.dist(near, far) > 1.0:
            drawing.line(near, far, palette.RULE, 0.6, stroke_dasharray="1 2.5")
    beyond = 1.6 * LETTER / max(math.dist(a, b), 1.0)
    outside = (1.0 + beyond, -beyond) if math.dist(a, b) < SHORT else ()
    return [_part(a, b, share) for share in (*SPOTS, *outside)]


def _lettered(drawing: Drawing, text: str, spots: list[Point], taken: list[Point]) -> None:
    centre = max(spots, key=lambda spot: min(_gap(spot, taken), 2.3 * LETTER))
    taken.append(centre)
    drawing.add(
        "circle", cx=centre[0], cy=centre[1], r=LETTER, fill=palette.PAPER, stroke=palette.INK,
        stroke_width=1.2, class_="letter",
    )  # fmt: skip
    size = 13.0 if len(text) == 1 else 10.0
    drawing.text((centre[0], centre[1] + size * 0.35), text, palette.INK, size, font_weight="600")


def _gap(spot: Point, taken: list[Point]) -> float:
    return min((math.dist(spot, other) for other in taken), default=math.inf)


def _along(start: Point, unit: Point, length: float) -> Point:
    return start[0] + length * unit[0], start[1] + length * unit[1]


def _part(a: Point, b: Point, share: float) -> Point:
    return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])
