"""The numbers written into the figure: at which joint, with which arc and which guides."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from livefit.definitions.models import AXLE, SPINDLE, Measure
from livefit.view.numbers import format_value
from livefit.view.words import SIDE_LETTER, UNIT_WORD
from livefit.wire.messages import Pose

Plane = Literal["side", "front"]
Point = tuple[float, float]
Points = Mapping[str, Point]
Guide = tuple[Point, Point]

ARC_MM = 75.0
"""Radius of the arc of an angle."""
ARC_STEP_DEG = 12.0
SHARE_OF_LIMB = 0.45
"""An arc reaches no farther along a limb."""

PLANE_OF: dict[str, Plane] = {
    "sagittal": "side", "frontal": "front", "forward": "side", "up": "side", "outward": "front",
}  # fmt: skip
"""In which view a plane or an axis lies; what lies across both is in neither."""


@dataclass(frozen=True)
class JointAngle:
    """A live number and the place that it belongs to."""

    measure: str
    name: str
    text: str
    at: Point
    arc: tuple[Point, ...] = ()


def joint_angles(
    pose: Pose,
    measures: Mapping[str, Measure],
    points: Points,
    letters: tuple[str, ...],
    plane: Plane,
    spindle: Point | None,
) -> tuple[tuple[JointAngle, ...], tuple[Guide, ...]]:
    """Live numbers of ``measures`` as far as they are seen in ``plane``, with their guides.

    From the side those of the near side, which comes last in ``letters``; from the front of every
    side drawn.
    """
    live: dict[tuple[str, str], float | None] = {
        (each.measure, each.side): each.value for each in pose.live
    }
    seen = letters if plane == "front" else letters[-1:]
    angles: list[JointAngle] = []
    guides: list[Guide] = []
    for measure in measures.values():
        if _plane(measure) != plane:
            continue
        for side in ("B",) if measure.sides == "once" else seen:
            value = live.get((measure.name, side))
            spots = [_spot(name, side, points, plane, spindle) for name in measure.points]
            if value is None or not spots or None in spots:
                continue
            text = format_value(value, measure.decimals)
            name = measure.short
            if measure.unit == "deg":
                text += UNIT_WORD["deg"]
            else:
                name += UNIT_WORD[measure.unit]
            if plane == "front" and side != "B":
                name += f" {SIDE_LETTER[side]}"
            at, arc, lines = _drawn(measure, [spot for spot in spots if spot is not None])
            angles.append(JointAngle(measure.name + side, name, text, at, arc))
            guides += lines
    return tuple(angles), tuple(guides)


def _plane(measure: Measure) -> Plane | None:
    if measure.kind in ("flexion", "included"):
        return "side"
    return PLANE_OF.get(measure.plane or measure.axis or "")


def _spot(
    name: str, side: str, points: Points, plane: Plane, spindle: Point | None
) -> Point | None:
    """Where a point of a measure lies; of two joined by ``+`` the middle."""
    if "+" in name:
        ends = [_spot(part, side, points, plane, spindle) for part in name.split("+")]
        there = [end for end in ends if end is not None]
        if len(there) < len(ends):
            return None
        return (sum(e[0] for e in there) / len(there), sum(e[1] for e in there) / len(there))
    if name == AXLE:
        return (0.0, 0.0)
    if name == SPINDLE:
        return spindle if plane == "side" else points.get(f"{side}_VM")
    return points.get(name if name[:2] in ("L_", "R_") else f"{side}_{name}")


def _drawn(measure: Measure, p: list[Point]) -> tuple[Point, tuple[Point, ...], list[Guide]]:
    """Place, arc and guides of a measure whose points lie at ``p``."""
    if measure.kind in ("flexion", "included"):
        toward = p[0]
        lines: list[Guide] = []
        if measure.kind == "flexion":
            toward = (2 * p[1][0] - p[0][0], 2 * p[1][1] - p[0][1])
            reach = 1.6 * ARC_MM / max(math.dist(p[1], toward), 1.0)
            lines = [(p[1], _along(p[1], toward, reach))]
        return p[1], _arc(p[1], toward, p[2]), lines
    if measure.kind == "inclination":
        level = (p[0][0] + 1.0e3, p[0][1])
        lines = [(p[0], (p[0][0] + 1.6 * ARC_MM, p[0][1]))]
        return _along(p[0], p[1], 0.4), _arc(p[0], level, p[1]), lines
    if measure.kind == "between":
        shared = [place for place in p[2:] if place in p[:2]]
        return (shared or p[2:])[0], (), []
    corner = (p[1][0], p[0][1]) if measure.axis == "up" else (p[0][0], p[1][1])
    return p[1], (), [(p[0], corner), (corner, p[1])]


def _along(a: Point, b: Point, share: float) -> Point:
    return (a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]))


def _arc(at: Point, a: Point, b: Point) -> tuple[Point, ...]:
    """The smaller arc round ``at`` from the direction of ``a`` to that of ``b``."""
    start = math.atan2(a[1] - at[1], a[0] - at[0])
    turn = math.remainder(math.atan2(b[1] - at[1], b[0] - at[0]) - start, 2 * math.pi)
    radius = min(ARC_MM, SHARE_OF_LIMB * math.dist(at, b))
    count = max(2, math.ceil(abs(math.degrees(turn)) / ARC_STEP_DEG))
    bends = [start + turn * i / count for i in range(count + 1)]
    return tuple((at[0] + radius * math.cos(t), at[1] + radius * math.sin(t)) for t in bends)
