"""The rider from the side and from the front: what is joined to what, and what stands where."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from livefit.dashboard.figure_angles import Guide, JointAngle, Plane, Point, joint_angles
from livefit.definitions.models import Measure
from livefit.view.bicycle_drawing import Stroke, front_strokes, strokes
from livefit.view.words import NOTHING
from livefit.wire.messages import Pose, StandingBicycle

Role = Literal["near", "far", "middle"]
Sides = Literal["left", "right", "both"]
Place = tuple[float, float, float]
"""In the bike's axes, mm: forward, up, to the rider's right."""
Extent = tuple[float, float, float, float]
"""Left, right, bottom, top, mm."""

LIMBS = (
    ("US", "EL"), ("EL", "AC"), ("AC", "GT"), ("GT", "LE"), ("LE", "LM"),
    ("LM", "CA"), ("CA", "VM"), ("VM", "LM"), ("PSIS", "ASIS"),
)  # fmt: skip
"""Landmarks joined by a line, by name without side."""
ACROSS = (("L_AC", "R_AC"), ("L_GT", "R_GT"), ("L_ASIS", "R_ASIS"))
"""Left and right landmarks that a line joins as seen from the front."""

ROOM: dict[Plane, Extent] = {
    "side": (-900.0, 1300.0, -450.0, 2000.0),
    "front": (-700.0, 700.0, -450.0, 2000.0),
}
"""From the crank axis: nothing of a rider lies outside this."""
START: dict[Plane, Extent] = {
    "side": (-250.0, 250.0, -200.0, 700.0),
    "front": (-250.0, 250.0, -200.0, 700.0),
}


@dataclass(frozen=True)
class Line:
    """A limb segment; ends in mm. ``lost``: of one end only the last place is known."""

    a: Point
    b: Point
    role: Role
    lost: bool = False


@dataclass(frozen=True)
class CrankView:
    """The crank arms from hub to pedal, and the pedals' circle where it is seen as one."""

    radius: float | None
    near: Point
    far: Point | None
    near_hub: Point = (0.0, 0.0)
    far_hub: Point = (0.0, 0.0)


@dataclass(frozen=True)
class FigureView:
    """The figure of one frame in one plane, mm: X forward to the right, or as seen from the front.

    From the front the rider's right is on the left.
    """

    plane: Plane
    near_side: Literal["L", "R"]
    lines: tuple[Line, ...]
    joints: tuple[tuple[Point, Role], ...]
    angles: tuple[JointAngle, ...]
    guides: tuple[Guide, ...]
    """Thin lines that show what a number means."""
    ghost: tuple[Line, ...]
    """The baseline's mean pose with the crank where it is now."""
    bicycle: tuple[Stroke, ...]
    """The measured bicycle; empty: none was measured."""
    crank: CrankView | None
    crank_deg: float | None
    """The near side's own crank angle."""
    missing: tuple[str, ...]
    lost: tuple[tuple[str, Point], ...]
    """The missing markers with the last place at which each was seen, if there is one."""
    extent: Extent
    """Of all frames so far."""

    @property
    def crank_text(self) -> str:
        """The crank angle, to the degree."""
        return NOTHING if self.crank_deg is None else f"{round(self.crank_deg) % 360}°"


def build_figure(
    pose: Pose,
    measures: Mapping[str, Measure],
    before: FigureView | None = None,
    *,
    plane: Plane = "side",
    sides: Sides = "both",
    last_seen: Mapping[str, Place] | None = None,
    baseline: Mapping[str, Place] | None = None,
    bicycle: Mapping[str, Place] | None = None,
) -> FigureView:
    """Figure of ``pose``; its extent includes that of the figure ``before`` in the same plane.

    Parameters
    ----------
    pose
        The frame.
    measures
        What is written into the figure, by name.
    before
        The figure of the frame before.
    plane
        Seen from the rider's side, or from the front.
    sides
        Which sides of the rider are drawn, as far as they carry markers.
    last_seen
        Where each marker was seen last.
    baseline
        The mean pose at this crank position when the baseline was set.
    bicycle
        The touched points of the measured bicycle.

    Raises
    ------
    ValueError
        The positions do not match the labels.
    """
    places = marker_places(pose)
    letters = _letters(pose, sides)
    near = letters[-1]
    shown = [name for name in pose.labels if name[:2] not in ("L_", "R_") or name[0] in letters]
    points = {name: project(places[name], plane) for name in shown if name in places}
    missing = tuple(name for name in shown if name not in places)
    lost = {
        name: project(last_seen[name], plane) for name in missing if last_seen and name in last_seen
    }
    crank_deg = pose.crank_deg
    if crank_deg is not None and near == "L":
        crank_deg = (crank_deg + 180.0) % 360.0
    crank = _crank(pose, crank_deg, near, points, plane)
    spindle = None if crank is None else crank.near
    angles, guides = joint_angles(pose, measures, points, letters, plane, spindle)
    ghosts = {} if baseline is None else {n: project(p, plane) for n, p in baseline.items()}
    ghost_letters = letters if plane == "front" else letters[-1:]
    stands = _bicycle(bicycle or {}, plane)
    seen = [*points.values(), *(end for stroke in stands for end in (stroke.a, stroke.b))]
    start = START[plane] if before is None else before.extent
    return FigureView(
        plane=plane,
        near_side=near,
        lines=_lines(points, lost, letters, plane),
        joints=tuple((p, _role(label, near, plane)) for label, p in points.items()),
        angles=angles,
        guides=guides,
        ghost=_lines(ghosts, {}, ghost_letters, plane),
        bicycle=stands,
        crank=crank,
        crank_deg=crank_deg,
        missing=missing,
        lost=tuple(lost.items()),
        extent=_extent(np.array(seen, np.float64), start, ROOM[plane]),
    )


def marker_places(pose: Pose) -> dict[str, Place]:
    """The markers seen in ``pose`` and where they are.

    Raises
    ------
    ValueError
        The positions do not match the labels.
    """
    xyz = np.frombuffer(pose.xyz, dtype="<f4")
    if xyz.size != 3 * len(pose.labels):
        raise ValueError(
            f"pose of frame {pose.frame}: expected {3 * len(pose.labels)} numbers for "
            f"{len(pose.labels)} labels, got {xyz.size}"
        )
    triples = xyz.reshape(-1, 3).tolist()
    return {
        label: (x, y, z)
        for label, (x, y, z) in zip(pose.labels, triples, strict=True)
        if math.isfinite(x) and math.isfinite(y) and math.isfinite(z)
    }


def bicycle_places(message: StandingBicycle | None, node: str) -> dict[str, Place]:
    """Points of the measured bicycle, if it is this node's."""
    if message is None or message.node != node:
        return {}
    return {name: (p[0], p[1], p[2]) for name, p in message.points.items() if len(p) == 3}


def project(place: Place, plane: Plane) -> Point:
    """``place`` as seen from the rider's right side, or from the front."""
    return (place[0], place[1]) if plane == "side" else (-place[2], place[1])


def _bicycle(points: Mapping[str, Place], plane: Plane) -> tuple[Stroke, ...]:
    if plane == "front":
        return front_strokes(points, cranks=False)
    return strokes(points, wheels=False, cranks=False)


def _letters(pose: Pose, sides: Sides) -> tuple[Literal["L", "R"], ...]:
    """The sides to be drawn, the near one last; one that carries no markers gives way."""
    there: list[Literal["L", "R"]] = ["L", "R"]
    there = [s for s in there if any(name.startswith(f"{s}_") for name in pose.labels)]
    wanted = {"left": "L", "right": "R", "both": "LR"}[sides]
    return tuple(s for s in there if s in wanted) or tuple(there) or ("R",)


def _role(label: str, near: str, plane: Plane) -> Role:
    if label[:2] not in ("L_", "R_"):
        return "middle"
    return "near" if plane == "front" or label[0] == near else "far"


def _lines(
    points: Mapping[str, Point],
    lost: Mapping[str, Point],
    letters: tuple[str, ...],
    plane: Plane,
) -> tuple[Line, ...]:
    pairs = [
        (f"{side}_{one}", f"{side}_{two}", _role(f"{side}_", letters[-1], plane))
        for side in letters
        for one, two in LIMBS
    ]
    if plane == "front" and len(letters) == 2:
        pairs += [(one, two, "middle") for one, two in ACROSS]
    known = {**lost, **points}
    return tuple(
        Line(known[a], known[b], role, lost=a in lost or b in lost)
        for a, b, role in pairs
        if a in known and b in known
    )


def _crank(
    pose: Pose, near_deg: float | None, near: str, points: Mapping[str, Point], plane: Plane
) -> CrankView | None:
    lengths = [pose.crank_mm.get(near), *pose.crank_mm.values()]
    radius = next((length for length in lengths if length), None)
    if radius is None or near_deg is None:
        return None
    angle = math.radians(near_deg)
    forward, up = radius * math.sin(angle), radius * math.cos(angle)
    if plane == "side":
        return CrankView(radius, (forward, up), (-forward, -up))
    foot, other = points.get(f"{near}_VM"), points.get(f"{'L' if near == 'R' else 'R'}_VM")
    if foot is None:
        return None
    far = (0.0, 0.0) if other is None else (other[0], 0.0)
    return CrankView(
        None,
        (foot[0], up),
        None if other is None else (far[0], -up),
        near_hub=(foot[0], 0.0),
        far_hub=far,
    )


def _extent(xy: NDArray[np.float64], before: Extent, room: Extent) -> Extent:
    if not len(xy):
        return before
    left, bottom = np.minimum(xy.min(axis=0), (before[0], before[2]))
    right, top = np.maximum(xy.max(axis=0), (before[1], before[3]))
    return (
        max(float(left), room[0]),
        min(float(right), room[1]),
        max(float(bottom), room[2]),
        min(float(top), room[3]),
    )
