"""The rider as a stick figure from the side, and the knee's path from the front."""

from __future__ import annotations

import math
from collections.abc import Mapping

from markupsafe import Markup

from livefit.report import palette
from livefit.report.svg import Drawing, Point, round_steps
from livefit.report.words import Words
from livefit.session.models import Pose

LIMBS = (
    ("US", "EL"), ("EL", "AC"), ("AC", "GT"), ("GT", "LE"), ("LE", "LM"),
    ("LM", "CA"), ("CA", "VM"), ("VM", "LM"),
)  # fmt: skip
"""Landmarks joined by a line, by name without side."""
JOINTS = ("US", "EL", "AC", "GT", "LE", "LM", "CA", "VM")
POSES = 36
PAD = 12.0

TIMES = (6.0, 4.0, 3.0, 2.0, 1.0)
"""How many times as large sideways may be drawn as upward in the view from the front."""
UP_MM = 440.0
"""Height of that view: a knee rises and falls by twice the crank length at most."""
FRONT_WIDTH, FRONT_HEIGHT = 300.0, 250.0
FRONT_LEFT, FRONT_RIGHT, FRONT_TOP, FRONT_BOTTOM = 44.0, 290.0, 8.0, 206.0

Place = tuple[float, float, float]
Places = Mapping[str, Place]
Extent = tuple[float, float, float, float]
"""Left, right, bottom, top, mm."""


def places(pose: Pose | None, index: int) -> Places:
    """Markers there are at 10 * index deg of the right crank, by label."""
    if pose is None or len(pose.positions) != POSES:
        return {}
    row = pose.positions[index % POSES]
    return {
        label: place for label, place in zip(pose.labels, row, strict=False) if place is not None
    }


def own_index(side: str, crank_deg: float) -> int:
    """Index of the pose at which the side's own crank stands at this angle."""
    right = crank_deg if side == "R" else crank_deg + 180.0
    return round(right / (360.0 / POSES)) % POSES


def extent_of(poses: list[Places]) -> Extent | None:
    """What holds every figure and the crank's circle, mm."""
    xs = [p[0] for pose in poses for p in pose.values()]
    ys = [p[1] for pose in poses for p in pose.values()]
    if not xs:
        return None
    return min(*xs, -180.0), max(*xs, 180.0), min(*ys, -190.0), max(ys)


def side_figure(
    name: str, title: str, side: str, crank_deg: float, ghost: Places, now: Places,
    extent: Extent, crank_mm: float, width: float, words: Words,
) -> Markup:  # fmt: skip
    """Draw one side from the side: before dashed behind, after solid.

    ``now`` may be the only one; ``extent`` is common to all figures of a row.
    """
    left, right, bottom, top = extent
    scale = (width - 2 * PAD) / (right - left)
    height = (top - bottom) * scale + 2 * PAD
    parts = [words(f"landmark.{m}") for m in JOINTS if f"{side}_{m}" in now]
    told = words("movement.pose_desc", parts=", ".join(parts))
    if ghost:
        told += " " + words("movement.pose_desc_ghost")
    drawing = Drawing(name, width, height, title, told, "pose")

    def at(place: Place | Point) -> Point:
        return PAD + (place[0] - left) * scale, PAD + (top - place[1]) * scale

    hub, turn = at((0.0, 0.0)), math.radians(crank_deg)
    pedal = at((crank_mm * math.sin(turn), crank_mm * math.cos(turn)))
    drawing.add(
        "circle", cx=hub[0], cy=hub[1], r=crank_mm * scale, fill="none", stroke=palette.HAIR
    )
    drawing.line(hub, pedal, palette.RULE, 3.0, stroke_linecap="round")
    drawing.add("circle", cx=hub[0], cy=hub[1], r=3.0, fill=palette.RULE)
    drawing.add("circle", cx=pedal[0], cy=pedal[1], r=2.6, fill=palette.RULE)
    size = width / 320
    _limbs(drawing, side, ghost, at, palette.BEFORE, 1.8, "before", stroke_dasharray=palette.DASH)
    _limbs(drawing, side, now, at, palette.AFTER, 2.0 + 1.6 * size, "after")
    for landmark in JOINTS:
        place = now.get(f"{side}_{landmark}")
        if place is not None:
            x, y = at(place)
            drawing.add(
                "circle", cx=x, cy=y, r=2.2 + 1.4 * size, fill=palette.PAPER,
                stroke=palette.AFTER, stroke_width=1.6, class_=f"joint {landmark}",
            )  # fmt: skip
    return drawing.markup()


def _limbs(
    drawing: Drawing, side: str, markers: Places, at: object, color: str, width: float, kind: str,
    **more: object,
) -> None:  # fmt: skip
    for a, b in LIMBS:
        one, other = markers.get(f"{side}_{a}"), markers.get(f"{side}_{b}")
        if one is not None and other is not None and callable(at):
            drawing.line(
                at(one), at(other), color, width, stroke_linecap="round", class_=kind, **more
            )


def knee_path(pose: Pose | None, side: str) -> list[Point | None]:
    """The knee outward of the outer forefoot's mean place, and above the crank axis, mm."""
    if pose is None or not {f"{side}_LE", f"{side}_VM"} <= set(pose.labels):
        return []
    outward = 1.0 if side == "R" else -1.0
    rows = [places(pose, k) for k in range(POSES)]
    feet = [row[f"{side}_VM"][2] for row in rows if f"{side}_VM" in row]
    if not feet:
        return []
    foot = sum(feet) / len(feet)
    knees = [row.get(f"{side}_LE") for row in rows]
    path: list[Point | None] = [
        None if knee is None else (outward * (knee[2] - foot), knee[1]) for knee in knees
    ]
    return [*path, path[0]] if any(path) else []


def times_for(across_mm: float) -> float:
    """The most that sideways can be drawn larger, so that a width fits.

    >>> times_for(30.0), times_for(120.0)
    (6.0, 3.0)
    """
    room = (FRONT_RIGHT - FRONT_LEFT) * UP_MM / (FRONT_BOTTOM - FRONT_TOP)
    return next((times for times in TIMES if 1.2 * across_mm * times <= room), TIMES[-1])


def front_view(
    name: str, title: str, side: str, before: list[Point | None], after: list[Point | None],
    middle: Point, times: float, words: Words,
) -> Markup:  # fmt: skip
    """Draw one knee's path; the rider's right is on the left, as someone facing them sees it.

    Parameters
    ----------
    before, after
        From `knee_path`; what stands alone is ``after``.
    middle
        Of both sides' paths, mm: the same scale for left and right.
    times
        How many times as large sideways is drawn as upward.
    """
    drawing = Drawing(
        name, FRONT_WIDTH, FRONT_HEIGHT, title, path_words(side, after or before, words), "front"
    )
    up = (FRONT_BOTTOM - FRONT_TOP) / UP_MM
    across = times * up * (-1.0 if side == "R" else 1.0)
    centre = (FRONT_LEFT + FRONT_RIGHT) / 2

    def at(point: Point) -> Point:
        return (
            centre + across * (point[0] - middle[0]),
            (FRONT_TOP + FRONT_BOTTOM) / 2 - up * (point[1] - middle[1]),
        )

    reach = (FRONT_RIGHT - FRONT_LEFT) / 2 / abs(across)
    for value in round_steps(middle[0] - reach, middle[0] + reach, 6):
        x, _ = at((value, 0.0))
        foot = value == 0
        drawing.line(
            (x, FRONT_TOP), (x, FRONT_BOTTOM), palette.RULE if foot else palette.HAIR,
            1.8 if foot else 0.8,
        )  # fmt: skip
        drawing.text((x, FRONT_BOTTOM + 15), words.short(value))
    for value in round_steps(middle[1] - UP_MM / 2, middle[1] + UP_MM / 2, 6):
        _, y = at((0.0, value))
        drawing.line((FRONT_LEFT, y), (FRONT_RIGHT, y), palette.HAIR, 0.8)
        drawing.text((FRONT_LEFT - 5, y + 4), words.short(value), anchor="end")
    drawing.text((centre, FRONT_BOTTOM + 33), words("movement.front_across"))
    dashed = {"stroke_dasharray": palette.DASH, "class_": "before"}
    drawing.path([p and at(p) for p in before], palette.BEFORE, 1.6, **dashed)
    drawing.path([p and at(p) for p in after], palette.AFTER, 2.4, class_="after")
    return drawing.markup()


def path_words(side: str, path: list[Point | None], words: Words) -> str:
    """The path in a sentence."""
    seen = [point for point in path if point is not None]
    if not seen:
        return ""
    xs, ys = [x for x, _ in seen], [y for _, y in seen]
    offset = sum(xs[:-1]) / max(len(xs) - 1, 1)
    return words(
        "movement.front_desc",
        name=words(f"side.{side}"),
        across=words.quantity(max(xs) - min(xs), "mm", 0),
        up=words.quantity(max(ys) - min(ys), "mm", 0),
        offset=words.quantity(abs(offset), "mm", 0),
        way=words("movement.front_out" if offset >= 0 else "movement.front_in"),
    )
