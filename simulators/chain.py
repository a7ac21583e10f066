"""The closed chain: from the crank through foot, leg, pelvis, trunk and arm to the bar.

All lengths in mm, all angles in rad, in the bicycle's axes: X forward, Y up, Z to the rider's
right, origin at the crank axis in the mid-plane. Arrays of both sides hold left, then right; each
leg is worked out with its third axis pointing outward and mirrored at the end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livefit.frames import FloatArray
from simulators.settings import Bicycle, Body

OUTWARD = np.array([-1.0, 1.0])
"""Direction of Z that points outward, left and right."""

_ANKLE_BEHIND_MM, _ANKLE_ABOVE_MM = 125.0, 95.0
"""Ankle centre from the spindle in the sole's axes, at the reference stature."""
_HIP_ABOVE_SADDLE_MM = 85.0
_ELBOW_SWIVEL = np.radians(25.0)
"""Elbows point this far outward of straight down and back."""


class OutOfReachError(ValueError):
    """The rider cannot reach the pedal or the bar: the chain does not close."""


@dataclass(frozen=True)
class Pose:
    """What moves the chain at n instants; the second index is the side, left then right.

    crank (n, 2) each side's own crank angle; pitch (n, 2) of the sole, toe down; swing (n, 2)
    of the leg's plane, outward; saddle (n, 2) height along the seat tube and setback;
    pelvis (n, 3) shift; roll, rotation, elbow (n,).
    """

    crank: FloatArray
    pitch: FloatArray
    swing: FloatArray
    saddle: FloatArray
    pelvis: FloatArray
    roll: FloatArray
    rotation: FloatArray
    elbow: FloatArray


@dataclass(frozen=True)
class Leg:
    """Both legs, third axis outward: centres (n, 2, 3) and unit vectors (n, 2, 3).

    `along` and `above` are the sole's axes in the sagittal plane; `lateral` is the normal of the
    plane of thigh and shank, in which the knee is a hinge.
    """

    spindle: FloatArray
    along: FloatArray
    above: FloatArray
    ankle: FloatArray
    knee: FloatArray
    hip: FloatArray
    lateral: FloatArray


@dataclass(frozen=True)
class Arm:
    """Both arms, third axis outward: centres and the elbow's hinge axis (n, 2, 3)."""

    shoulder: FloatArray
    elbow: FloatArray
    wrist: FloatArray
    lateral: FloatArray


@dataclass(frozen=True)
class Joints:
    """The whole chain at n instants; saddle (n, 3) and pelvis axes (n, 3, 3) in bike axes.

    The columns of `pelvis` are its forward, up and right axes.
    """

    leg: Leg
    arm: Arm
    saddle: FloatArray
    pelvis: FloatArray


def close_chain(body: Body, bicycle: Bicycle, toe_out: float, pose: Pose) -> Joints:
    """Solve the chain for every instant of the pose.

    Raises
    ------
    OutOfReachError
        When a leg or arm is too short.
    """
    saddle, pelvis = _pelvis(bicycle, pose)
    half = body.hip_half_mm
    centre = saddle + pose.pelvis + _HIP_ABOVE_SADDLE_MM * body.scale * pelvis[:, :, 1]
    sideways = half * pelvis[:, :, 2]
    hips = centre[:, None] + OUTWARD[:, None] * sideways[:, None]
    hips[..., 2] *= OUTWARD
    leg = _leg(body, bicycle, toe_out, pose, hips)
    return Joints(leg, _arm(body, bicycle, pose.elbow, centre), saddle, pelvis)


def middle_joint(
    near: FloatArray, far: FloatArray, first: FloatArray, second: FloatArray, bend: FloatArray
) -> FloatArray:
    """Where two segments meet, (..., 3): one of the two meeting points of two circles.

    Parameters
    ----------
    near, far
        (..., 3) the ends of the pair of segments.
    first, second
        Lengths of the segments from `near` and from `far`.
    bend
        (..., 3) unit vector at a right angle to the line of the ends, toward which the pair bends.
    """
    line = far - near
    squared = (line**2).sum(axis=-1)
    along = (squared + first**2 - second**2) / (2 * squared)
    height = first**2 - along**2 * squared
    if not (height >= 0).all():
        apart, together = np.sqrt(squared.max()), np.min(first + second)
        raise OutOfReachError(
            f"two segments of together {together:.0f} mm cannot span {apart:.0f} mm: "
            "choose a lower or nearer saddle or bar, or a taller rider"
        )
    joint: FloatArray = near + along[..., None] * line + np.sqrt(height)[..., None] * bend
    return joint


def in_sole(
    spindle: FloatArray,
    along: FloatArray,
    above: FloatArray,
    place: tuple[float, float, float],
    toe_out: float,
) -> FloatArray:
    """A point (n, 2, 3) fixed in the shoe: `place` is forward, above and outward of the spindle.

    The shoe is turned outward on the pedal by `toe_out` about the pedal's own upward axis.
    """
    forward, over, outward = place
    c, s = np.cos(toe_out), np.sin(toe_out)
    point: FloatArray = spindle + (forward * c - outward * s) * along + over * above
    point[..., 2] += forward * s + outward * c
    return point


def _unit(vector: FloatArray) -> FloatArray:
    unit: FloatArray = vector / np.sqrt((vector**2).sum(axis=-1))[..., None]
    return unit


def _stack(x: FloatArray, y: FloatArray, z: FloatArray | float) -> FloatArray:
    return np.stack([x, y, np.broadcast_to(z, np.shape(x))], axis=-1)


def _pelvis(bicycle: Bicycle, pose: Pose) -> tuple[FloatArray, FloatArray]:
    """Sitting point (n, 3) and the pelvis's axes (n, 3, 3), rolled and turned about it."""
    tube = np.radians(bicycle.seat_tube_deg)
    height, setback = pose.saddle.T
    saddle = _stack(-height * np.cos(tube) - setback, height * np.sin(tube), 0.0)
    c, s = np.cos(pose.rotation), np.sin(pose.rotation)
    cr, sr = np.cos(pose.roll), np.sin(pose.roll)
    forward = _stack(c, 0.0 * c, -s)
    up = _stack(s * sr, cr, c * sr)
    right = _stack(s * cr, -sr, c * cr)
    return saddle, np.stack([forward, up, right], axis=-1)


def _leg(body: Body, bicycle: Bicycle, toe_out: float, pose: Pose, hips: FloatArray) -> Leg:
    width = bicycle.q_factor_mm / 2 + bicycle.pedal_width_mm
    spindle = bicycle.crank_mm * _stack(np.sin(pose.crank), np.cos(pose.crank), 0.0)
    spindle[..., 2] = width
    along = _stack(np.cos(pose.pitch), -np.sin(pose.pitch), 0.0)
    above = _stack(np.sin(pose.pitch), np.cos(pose.pitch), 0.0)
    behind = _ANKLE_BEHIND_MM * body.scale + bicycle.cleat_forward_mm
    place = (-behind, _ANKLE_ABOVE_MM * body.scale, 0.0)
    ankle = in_sole(spindle, along, above, place, toe_out)
    line = _unit(ankle - hips)
    ahead = _unit(_stack(-line[..., 1], line[..., 0], 0.0))
    outward = np.cross(line, ahead)
    c, s = np.cos(pose.swing)[..., None], np.sin(pose.swing)[..., None]
    shanks = np.array(body.shank_mm)
    knee = middle_joint(hips, ankle, np.full(2, body.thigh_mm), shanks, c * ahead + s * outward)
    return Leg(spindle, along, above, ankle, knee, hips, c * outward - s * ahead)


def _arm(body: Body, bicycle: Bicycle, elbow: FloatArray, pelvis: FloatArray) -> Arm:
    """Trunk and arms: the lean of the trunk follows from the bar and the bend of the elbow."""
    a, b = body.upper_arm_mm, body.forearm_mm
    reach_squared = a * a + b * b + 2 * a * b * np.cos(elbow)
    sideways = body.shoulder_half_mm - bicycle.bar_width_mm / 2
    wrist = np.array([bicycle.bar_reach_mm, bicycle.bar_height_mm, 0.0])
    hips = pelvis * [1.0, 1.0, 0.0]
    line = wrist - hips
    upward = _unit(_stack(-line[:, 1], line[:, 0], 0.0))
    middle = middle_joint(
        hips,
        wrist,
        np.sqrt(body.trunk_mm**2 - pelvis[:, 2] ** 2),
        np.sqrt(reach_squared - sideways**2),
        upward,
    )
    shoulder = np.repeat(middle[:, None], 2, axis=1)
    shoulder[..., 2] = body.shoulder_half_mm
    hand = np.broadcast_to(wrist, shoulder.shape).copy()
    hand[..., 2] = bicycle.bar_width_mm / 2
    line = _unit(hand - shoulder)
    down = _unit(_stack(line[..., 1], -line[..., 0], 0.0))
    outward = np.cross(down, line)
    bend = np.cos(_ELBOW_SWIVEL) * down + np.sin(_ELBOW_SWIVEL) * outward
    bent = middle_joint(shoulder, hand, np.full(2, a), np.full(2, b), bend)
    return Arm(shoulder, bent, hand, np.cos(_ELBOW_SWIVEL) * outward - np.sin(_ELBOW_SWIVEL) * down)
