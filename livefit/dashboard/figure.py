"""The rider seen from the side: what is joined to what, and which angles stand where."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from livefit.definitions.models import Measure
from livefit.view.table import format_value
from livefit.view.words import UNIT_WORD
from livefit.wire.messages import Pose

Point = tuple[float, float]
Role = Literal["near", "far", "middle"]
Place = Literal["front", "behind", "above", "below"]

LIMBS = (
    ("US", "EL"), ("EL", "AC"), ("AC", "GT"), ("GT", "LE"), ("LE", "LM"),
    ("LM", "CA"), ("CA", "VM"), ("VM", "LM"), ("PSIS", "ASIS"),
)  # fmt: skip
"""Landmarks joined by a line, by name without side."""

JOINTS: dict[str, Place] = {"LE": "front", "GT": "behind", "LM": "above", "EL": "below"}
"""Joints at which a live angle is written, and where it has room: above is behind, too."""

ROOM = (-900.0, 1300.0, -450.0, 2000.0)
"""mm, left, right, bottom, top from the crank axis: nothing of a rider lies outside this."""
START = (-250.0, 250.0, -200.0, 700.0)


@dataclass(frozen=True)
class Line:
    """A limb segment; ends in mm, (forward, up)."""

    a: Point
    b: Point
    role: Role


@dataclass(frozen=True)
class JointAngle:
    """A live angle and the joint that it belongs to."""

    text: str
    at: Point
    place: Place


@dataclass(frozen=True)
class CrankView:
    """The crank circle round the origin and the two pedal spindles on it."""

    radius: float
    near: Point
    far: Point


@dataclass(frozen=True)
class FigureView:
    """The figure of one frame, in mm, X forward (to the right) and Y up."""

    near_side: Literal["L", "R"]
    lines: tuple[Line, ...]
    joints: tuple[tuple[Point, Role], ...]
    angles: tuple[JointAngle, ...]
    crank: CrankView | None
    crank_deg: float | None
    """The near side's own crank angle."""
    missing: tuple[str, ...]
    extent: tuple[float, float, float, float]
    """Left, right, bottom, top of all frames so far."""


def build_figure(
    pose: Pose, measures: dict[str, Measure], before: FigureView | None = None
) -> FigureView:
    """Figure of ``pose``; its extent includes that of the figure ``before``.

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
    xyz = xyz.reshape(-1, 3).astype(np.float64)
    seen = np.isfinite(xyz).all(axis=1)
    points = {
        label: (float(p[0]), float(p[1]))
        for label, p, ok in zip(pose.labels, xyz, seen, strict=True)
        if ok
    }
    near: Literal["L", "R"] = "R" if any(name.startswith("R_") for name in pose.labels) else "L"
    far: Literal["L", "R"] = "R" if near == "L" else "L"
    sides: tuple[tuple[Role, str], ...] = (("far", far), ("near", near))
    lines = tuple(
        Line(points[a], points[b], role)
        for role, side in sides
        for a, b in ((f"{side}_{one}", f"{side}_{two}") for one, two in LIMBS)
        if a in points and b in points
    )
    crank_deg = pose.crank_deg
    if crank_deg is not None and near == "L":
        crank_deg = (crank_deg + 180.0) % 360.0
    return FigureView(
        near_side=near,
        lines=lines,
        joints=tuple((p, _role(label, near)) for label, p in points.items()),
        angles=_angles(pose, measures, points, near),
        crank=_crank(pose, crank_deg, near),
        crank_deg=crank_deg,
        missing=tuple(label for label, ok in zip(pose.labels, seen, strict=True) if not ok),
        extent=_extent(xyz[seen, :2], START if before is None else before.extent),
    )


def _role(label: str, near: str) -> Role:
    if label[:2] not in ("L_", "R_"):
        return "middle"
    return "near" if label[0] == near else "far"


def _angles(
    pose: Pose, measures: dict[str, Measure], points: dict[str, Point], near: str
) -> tuple[JointAngle, ...]:
    found: dict[str, JointAngle] = {}
    for live in pose.live:
        measure = measures.get(live.measure)
        joint = None if measure is None else _vertex(measure)
        at = points.get(f"{near}_{joint}")
        if measure is None or joint not in JOINTS or joint in found or at is None:
            continue
        if live.side == near and live.value is not None:
            text = format_value(live.value, 0) + UNIT_WORD[measure.unit]
            found[joint] = JointAngle(text, at, JOINTS[joint])
    return tuple(found.values())


def _vertex(measure: Measure) -> str | None:
    """The landmark at which the angle lies: the middle one, or the one both arrows share."""
    if measure.kind in ("flexion", "included"):
        return measure.points[1]
    if measure.kind == "between":
        shared = [point for point in measure.points[2:] if point in measure.points[:2]]
        return shared[0] if shared else None
    return None


def _crank(pose: Pose, near_deg: float | None, near: str) -> CrankView | None:
    lengths = [pose.crank_mm.get(near), *pose.crank_mm.values()]
    radius = next((length for length in lengths if length), None)
    if radius is None or near_deg is None:
        return None
    angle = math.radians(near_deg)
    tip = (radius * math.sin(angle), radius * math.cos(angle))
    return CrankView(radius, tip, (-tip[0], -tip[1]))


def _extent(
    xy: NDArray[np.float64], before: tuple[float, float, float, float]
) -> tuple[float, float, float, float]:
    if not len(xy):
        return before
    left, bottom = np.minimum(xy.min(axis=0), (before[0], before[2]))
    right, top = np.maximum(xy.max(axis=0), (before[1], before[3]))
    return (
        max(float(left), ROOM[0]),
        min(float(right), ROOM[1]),
        max(float(bottom), ROOM[2]),
        min(float(top), ROOM[3]),
    )
