"""Skin markers at anatomical landmarks, each carried by one segment of the chain."""

from __future__ import annotations

import numpy as np

from livefit.frames import FloatArray
from simulators.chain import OUTWARD, Joints, in_sole
from simulators.settings import Bicycle, Body

LANDMARKS = ("AC", "EL", "US", "ASIS", "PSIS", "GT", "LE", "LM", "CA", "VM")
"""Cappozzo et al. 1995, Clin Biomech 10:171-178; Wu et al. 2005, J Biomech 38:981-992."""
FURTHER = ("HF", "FM", "PED")
BIKE = ("BIKE_SADDLE", "BIKE_BAR", "BIKE_HEAD", "BIKE_FRONT", "BIKE_REAR")
LABELS = (*(f"{side}_{name}" for name in (*LANDMARKS, *FURTHER) for side in "LR"), *BIKE)
"""Every marker, in the order of the columns of `landmarks`."""

_ACROMION_ABOVE_MM = 35.0
_ACROMION_INWARD_MM = 20.0
_ELBOW_OUTWARD_MM, _WRIST_OUTWARD_MM = 35.0, 30.0
_KNEE_OUTWARD_MM, _FIBULA_OUTWARD_MM, _ANKLE_OUTWARD_MM = 55.0, 50.0, 38.0
_FIBULA_HEAD_DOWN = 0.09
"""Of the shank's length from the knee."""
_ASIS_MM = np.array([46.0, 72.0, 34.0])
"""Forward, above and outward of the hip centre with the pelvis upright, after Bell et al. 1989,
Hum Mov Sci 8:3-16 (shares of the pelvis's width from memory)."""
_PSIS_MM = np.array([-110.0, 74.0, -38.0])
_PELVIC_TILT = np.radians(22.0)
"""Forward tilt of the sitting pelvis: Sauer et al. 2007, Med Sci Sports Exerc 39:2204-2211."""

CA_IN_SOLE_MM = (-166.0, 54.0, 24.0)
VM_IN_SOLE_MM = (22.0, 44.0, 44.0)
_FM_IN_SOLE_MM = (30.0, 50.0, -42.0)
"""Places on the shoe from the pedal spindle, at the reference stature: along the sole, above it
and outward."""
_PEDAL_END_MM = 62.0
"""Spindle's visible end, outward of the middle of the shoe."""


def landmarks(body: Body, bicycle: Bicycle, toe_out: float, joints: Joints) -> FloatArray:
    """Positions (n, m, 3) mm in bike axes of all `LABELS`."""
    leg, arm, k = joints.leg, joints.arm, body.scale

    def shoe(place: tuple[float, float, float]) -> FloatArray:
        scaled = (k * place[0] - bicycle.cleat_forward_mm, k * place[1], k * place[2])
        return in_sole(leg.spindle, leg.along, leg.above, scaled, toe_out)

    hip_outward = body.trochanter_half_mm - body.hip_half_mm
    fibula = leg.knee + _FIBULA_HEAD_DOWN * (leg.ankle - leg.knee)
    acromion = arm.shoulder + np.array([0.0, _ACROMION_ABOVE_MM * k, -_ACROMION_INWARD_MM * k])
    placed = [
        acromion,
        arm.elbow + _ELBOW_OUTWARD_MM * k * arm.lateral,
        arm.wrist + _WRIST_OUTWARD_MM * k * arm.lateral,
        _on_pelvis(joints, _ASIS_MM * k),
        _on_pelvis(joints, _PSIS_MM * k),
        leg.hip + hip_outward * leg.lateral,
        leg.knee + _KNEE_OUTWARD_MM * k * leg.lateral,
        leg.ankle + _ANKLE_OUTWARD_MM * k * leg.lateral,
        shoe(CA_IN_SOLE_MM),
        shoe(VM_IN_SOLE_MM),
        fibula + _FIBULA_OUTWARD_MM * k * leg.lateral,
        shoe(_FM_IN_SOLE_MM),
        leg.spindle + np.array([0.0, 0.0, _PEDAL_END_MM]),
    ]
    both = np.stack(placed, axis=1)
    both[..., 2] *= OUTWARD
    flat = both.reshape(len(both), 2 * len(placed), 3)
    return np.concatenate([flat, _on_bike(bicycle, joints.saddle)], axis=1)


def displaced(joints: Joints, toe_out: float, offsets: FloatArray) -> FloatArray:
    """How far the markers are off `landmarks`, (n, m, 3) mm in bike axes.

    Parameters
    ----------
    offsets
        (m, 3) mm by `LABELS`, fixed in the segment that carries the marker: on trunk and limbs
        along it, at a right angle to it in its plane, and outward; on pelvis and shoe forward,
        up and outward. Markers on the pedals and the bicycle stay.
    """
    leg, arm, pelvis = joints.leg, joints.arm, joints.pelvis
    shank, thigh = leg.ankle - leg.knee, leg.knee - leg.hip
    at_hip = np.repeat(np.moveaxis(pelvis, 2, 1)[:, None], 2, axis=1)
    at_hip[:, :, 2] *= OUTWARD[:, None]
    at_hip[..., 2] *= OUTWARD[:, None]
    nowhere = np.zeros_like(leg.spindle)
    shoe = [in_sole(nowhere, leg.along, leg.above, axis, toe_out)
            for axis in ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))]  # fmt: skip
    on_thigh, on_shank = _axes(thigh, leg.lateral), _axes(shank, leg.lateral)
    on_shoe = np.stack(shoe, axis=2)
    axes = [
        _axes(leg.hip - arm.shoulder, np.array([0.0, 0.0, 1.0])),
        _axes(arm.elbow - arm.shoulder, arm.lateral),
        _axes(arm.wrist - arm.elbow, arm.lateral),
        at_hip, at_hip, on_thigh, on_thigh, on_shank, on_shoe, on_shoe, on_shank, on_shoe,
        np.zeros_like(on_shoe),
    ]  # fmt: skip
    own = offsets[: 2 * len(axes)].reshape(len(axes), 2, 3)
    moved = np.stack([np.einsum("nsij,si->nsj", a, o) for a, o in zip(axes, own, strict=True)], 1)
    moved[..., 2] *= OUTWARD
    flat = moved.reshape(len(moved), 2 * len(axes), 3)
    return np.concatenate([flat, np.zeros((len(flat), len(BIKE), 3))], axis=1)


def _axes(along: FloatArray, lateral: FloatArray) -> FloatArray:
    """Unit vectors (n, 2, 3, 3): along a segment, across it in its plane, and outward."""
    across = np.cross(lateral, along)
    axes = np.stack([along, across, np.cross(along, across)], axis=2)
    unit: FloatArray = axes / np.sqrt((axes**2).sum(axis=-1))[..., None]
    return unit


def _on_pelvis(joints: Joints, place: FloatArray) -> FloatArray:
    """A landmark pair (n, 2, 3), third axis outward, fixed in the rolled and turned pelvis."""
    c, s = np.cos(_PELVIC_TILT), np.sin(_PELVIC_TILT)
    forward, above = place[0] * c + place[1] * s, place[1] * c - place[0] * s
    inside = np.array([[forward, above, outward * place[2]] for outward in OUTWARD])
    offset = np.einsum("nij,sj->nsi", joints.pelvis, inside)
    offset[..., 2] *= OUTWARD
    point: FloatArray = joints.leg.hip + offset
    return point


def _on_bike(bicycle: Bicycle, saddle: FloatArray) -> FloatArray:
    """The bicycle's own markers (n, 5, 3): saddle, bar, head tube, front and rear axle."""
    bar = [bicycle.bar_reach_mm - 60.0, bicycle.bar_height_mm - 30.0, 0.0]
    fixed = np.array([bar, [385.0, 565.0, 0.0], [590.0, 70.0, 60.0], [-405.0, 70.0, 70.0]])
    every = np.broadcast_to(fixed, (len(saddle), *fixed.shape))
    return np.concatenate([saddle[:, None], every], axis=1)
