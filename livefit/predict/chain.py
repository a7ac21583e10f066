"""The closed chain moved: from shifted saddle, bar, shoes and cranks to a new pose.

Every row of the pose keeps its own segment lengths, so that skin that slides in step with the crank
slides on, and a change of nothing changes nothing, to the last bit but rounding.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from livefit.frames import FloatArray
from livefit.kernel.crank import CrankGeometry
from livefit.predict.changes import Shift
from livefit.predict.response import Response
from livefit.predict.rider import ARM, OUTWARD, Rider, bend_axes

SHORTEST_LEVER_MM = 40.0
"""A foot that would have to turn about a shorter lever is not believed."""
_MIDDLE_OF_SHOE_MM = 45.0
"""The cleat lies so far inward of the fifth metatarsal head's marker; from memory."""
_ROUNDING_MM = 1e-9
_ON_FOOT = ("LM", "CA", "VM", "FM")
_ON_PELVIS = ("ASIS", "PSIS")


@dataclass(frozen=True)
class Short:
    """A limb that cannot span its ends.

    Attributes
    ----------
    side, limb
        ``leg`` or ``arm``.
    by
        mm that it lacks where it lacks most.
    crank_deg
        The side's own crank there.
    """

    side: str
    limb: str
    by: float
    crank_deg: float


@dataclass(frozen=True)
class Moved:
    """The pose after a change.

    Attributes
    ----------
    pose
        (36, m, 3); NaN where a marker was not seen, or is not predicted.
    cranks
        By side, with their new length.
    short
        Limbs that cannot reach; their middle joint is then drawn straight and means nothing.
    """

    pose: FloatArray
    cranks: Mapping[str, CrankGeometry]
    short: tuple[Short, ...]


@dataclass(frozen=True)
class _Yielding:
    """What gives way on one side: hip (2,) mm, foot's turn (36,) rad toe down, lengthening mm."""

    hip: FloatArray
    turn: FloatArray
    lengthened: float


def moved(rider: Rider, shift: Shift, response: Response) -> Moved:
    """Close the chain of every side anew."""
    pose = rider.pose.copy()
    short: list[Short] = []
    cranks = dict(rider.cranks)
    yielding = {side: _yielding(rider, side, shift, response) for side in rider.sides}
    pelvis = np.mean([each.hip for each in yielding.values()], axis=0)
    for side, each in yielding.items():
        each = replace(each, hip=pelvis)
        short += _move_leg(rider, side, shift, response, each, pose)
        short += _move_arm(rider, side, shift, response, pelvis, pose)
        crank = rider.cranks[side]
        cranks[side] = replace(crank, length=crank.length + shift.crank)
    for name in _ON_PELVIS:
        for side in OUTWARD:
            if rider.has(side, name):
                pose[:, rider.column(side, name), :2] += pelvis
    return Moved(pose, cranks, tuple(short))


def longest_row(rider: Rider, side: str) -> int:
    """Row of the pose at which hip and spindle are farthest apart."""
    apart = rider.leg(side)[:, 0, :2] - rider.spindle(side)
    return int(np.nanargmax((apart**2).sum(axis=1)))


def _yielding(rider: Rider, side: str, shift: Shift, response: Response) -> _Yielding:
    at = longest_row(rider, side)
    hip = rider.leg(side)[at, 0]
    followed = shift.saddle * np.array([response.slide, 1.0])
    higher = Shift(raised=shift.raised, saddle=shift.raised, crank=shift.crank)
    of_height, _ = _lengthening(rider, side, higher, response, at, shift.raised)
    whole, new_ankle = _lengthening(rider, side, shift, response, at, followed)
    elsewhere = whole - of_height
    answered = of_height + response.elsewhere * elsewhere
    sinks = followed - [0.0, (1.0 - response.hip) * answered]
    left = _lengthening(rider, side, shift, response, at, sinks)[0]
    answered = left - (1.0 - response.elsewhere) * elsewhere
    arrow = hip + _in_space(sinks) - new_ankle
    line = arrow / np.linalg.norm(arrow)
    arm = new_ankle[:2] - _new_spindle(rider, side, shift)[at]
    lever = max(arm[1] * line[0] - arm[0] * line[1], SHORTEST_LEVER_MM)
    ankle = response.ankle - OUTWARD[side] * response.uneven
    angle = rider.crank_angle(side) - rider.crank_angle(side)[at]
    top = response.ankle_top
    shape = (1 + top) / 2 + (1 - top) / 2 * np.cos(angle) - response.ankle_forward * np.sin(angle)
    return _Yielding(sinks, ankle * answered / lever * shape, left - ankle * answered)


def _lengthening(
    rider: Rider, side: str, shift: Shift, response: Response, at: int, hips: FloatArray
) -> tuple[float, FloatArray]:
    """How far hip and ankle go apart at a row, mm, and the new ankle (3,), foot unturned.

    hips (2,) mm by which the hip goes forward and up.
    """
    hip, _, ankle, *_ = rider.leg(side)[at]
    shoe = _Shoe(rider, side, shift, response, np.zeros(len(rider.pose)))
    moved_ankle = shoe(ankle[None], np.array([at], dtype=np.intp))[0]
    apart = np.linalg.norm(hip + _in_space(hips) - moved_ankle) - np.linalg.norm(hip - ankle)
    return float(apart), moved_ankle


def _new_spindle(rider: Rider, side: str, shift: Shift) -> FloatArray:
    crank = rider.crank_angle(side)
    longer = shift.crank * np.stack([np.sin(crank), np.cos(crank)], axis=1)
    spindle: FloatArray = rider.spindle(side) + longer
    return spindle


class _Shoe:
    """Where points of the shoe go: shifted and turned on the pedal, then with the foot's turn."""

    def __init__(
        self, rider: Rider, side: str, shift: Shift, response: Response, turn: FloatArray
    ) -> None:
        self._old, self._new = rider.spindle(side), _new_spindle(rider, side, shift)
        self._along = rider.foot_direction(side)
        self._out = OUTWARD[side]
        self._middle = rider.leg(side)[:, 4, 2] * self._out - _MIDDLE_OF_SHOE_MM
        self._shift, self._turn = shift, turn
        self._rotation = response.follow * shift.rotation

    def __call__(self, points: FloatArray, rows: NDArray[np.intp]) -> FloatArray:
        """New places (n, 3) of points (n, 3) at rows (n,) of the pose."""
        fx, fy = self._along[rows].T
        dx, dy = (points[:, :2] - self._old[rows]).T
        along, above = dx * fx + dy * fy, dy * fx - dx * fy
        across = points[:, 2] * self._out - self._middle[rows]
        c, s = np.cos(self._shift.wedge), np.sin(self._shift.wedge)
        above, across = above * c - across * s, across * c + above * s
        c, s = np.cos(self._rotation), np.sin(self._rotation)
        along, across = along * c - across * s, across * c + along * s
        along, across = along + self._shift.foot[0], across + self._shift.foot[1]
        c, s = np.cos(self._turn[rows]), np.sin(self._turn[rows])
        fx, fy = fx * c + fy * s, fy * c - fx * s
        return np.stack(
            [
                self._new[rows, 0] + along * fx - above * fy,
                self._new[rows, 1] + along * fy + above * fx,
                (across + self._middle[rows]) * self._out,
            ],
            axis=1,
        )


def _move_leg(
    rider: Rider, side: str, shift: Shift, response: Response, each: _Yielding, pose: FloatArray
) -> list[Short]:
    old, rows = rider.pose, np.arange(len(rider.pose), dtype=np.intp)
    hip, knee, ankle, *_ = np.moveaxis(rider.leg(side), 1, 0)
    move = _Shoe(rider, side, shift, response, each.turn)
    for name in _ON_FOOT:
        if rider.has(side, name):
            column = rider.column(side, name)
            pose[:, column] = move(old[:, column], rows)
    if rider.has(side, "PED"):
        pose[:, rider.column(side, "PED"), :2] += _new_spindle(rider, side, shift) - rider.spindle(
            side
        )
    new_hip = hip + _in_space(each.hip)
    new_ankle = pose[:, rider.column(side, "LM")]
    tilt = response.swing * each.lengthened + response.tilt * shift.wedge
    new_knee, lacks = middle_joint((hip, knee, ankle), new_hip, new_ankle, OUTWARD[side], tilt)
    pose[:, rider.column(side, "GT")] = new_hip
    pose[:, rider.column(side, "LE")] = new_knee
    if rider.has(side, "HF"):
        column = rider.column(side, "HF")
        shank = ankle - knee
        down = ((old[:, column] - knee) * shank).sum(axis=1) / (shank**2).sum(axis=1)
        share = down[:, None]
        pose[:, column] += (1 - share) * (new_knee - knee) + share * (new_ankle - ankle)
    return _short(rider, side, "leg", lacks)


def _move_arm(
    rider: Rider, side: str, shift: Shift, response: Response, pelvis: FloatArray, pose: FloatArray
) -> list[Short]:
    """Trunk and arm between the moved hip and the moved hand.

    Without elbow and wrist nothing holds the trunk, and the shoulder is not predicted.
    """
    if not rider.has(side, "AC"):
        return []
    shoulder_column = rider.column(side, "AC")
    if not all(rider.has(side, name) for name in ARM):
        pose[:, shoulder_column] = np.nan
        return []
    hip = rider.leg(side)[:, 0]
    shoulder, elbow, wrist = (rider.pose[:, rider.column(side, name)] for name in ARM)
    new_hip, new_wrist = hip + _in_space(pelvis), wrist + _in_space(shift.bar)
    carried = shoulder + _in_space(pelvis)
    reach, carried_reach = _length(wrist - shoulder), _length(new_wrist - carried)
    new_reach = reach + response.arm * (carried_reach - reach)
    new_shoulder, lacks = _shoulder(new_hip, carried, new_wrist, new_reach)
    new_elbow, arm_lacks = middle_joint(
        (shoulder, elbow, wrist), new_shoulder, new_wrist, OUTWARD[side], 0.0
    )
    pose[:, shoulder_column] = new_shoulder
    pose[:, rider.column(side, "EL")] = new_elbow
    pose[:, rider.column(side, "US")] = new_wrist
    return _short(rider, side, "arm", np.fmax(lacks, arm_lacks))


def _shoulder(
    hip: FloatArray, carried: FloatArray, wrist: FloatArray, reach: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The shoulder turned about the hip in the sagittal plane to lie `reach` from the wrist."""
    across = carried[:, 2] - wrist[:, 2]
    flat = np.sqrt(np.maximum(reach**2 - across**2, 0.0))
    trunk = carried[:, :2] - hip[:, :2]
    line = wrist[:, :2] - hip[:, :2]
    apart, length = _length(line), _length(trunk)
    cosine = (apart**2 + length**2 - flat**2) / (2 * apart * length)
    above = np.sign(line[:, 0] * trunk[:, 1] - line[:, 1] * trunk[:, 0])
    angle = above * np.arccos(np.clip(cosine, -1.0, 1.0))
    direction = np.arctan2(line[:, 1], line[:, 0]) + angle
    turned = np.stack([np.cos(direction), np.sin(direction)], axis=1) * length[:, None]
    shoulder = np.concatenate([hip[:, :2] + turned, carried[:, 2:]], axis=1)
    return shoulder, np.fmax(apart - length - flat, np.abs(length - flat) - apart)


def middle_joint(
    old: tuple[FloatArray, FloatArray, FloatArray],
    near: FloatArray,
    far: FloatArray,
    outward: float,
    tilt: float,
) -> tuple[FloatArray, FloatArray]:
    """New middle joint (n, 3) of three with the lengths and the swivel of the old ones.

    Parameters
    ----------
    old
        (n, 3) near, middle and far joint before.
    near, far
        (n, 3) the ends now.
    outward
        Direction of Z away from the mid-plane.
    tilt
        rad added to the swivel about the line of the ends, outward.

    Returns
    -------
    joint, lacks
        (n, 3) straight between the ends where they are too far apart, and (n,) mm by which they
        are (negative: what is spare).

    Notes
    -----
    Two circles about the ends: law of cosines in coordinates.
    """
    first, second = _length(old[1] - old[0]), _length(old[2] - old[1])
    _, ahead, side = bend_axes(old[0], old[2], outward)
    off = old[1] - old[0]
    swivel = np.arctan2((off * side).sum(axis=1), (off * ahead).sum(axis=1)) + tilt
    along, ahead, side = bend_axes(near, far, outward)
    apart = _length(far - near)
    down = (apart**2 + first**2 - second**2) / (2 * apart)
    height = np.sqrt(np.maximum(first**2 - down**2, 0.0))
    bend = np.cos(swivel)[:, None] * ahead + np.sin(swivel)[:, None] * side
    joint: FloatArray = near + down[:, None] * along + height[:, None] * bend
    return joint, apart - first - second


def _length(arrows: FloatArray) -> FloatArray:
    length: FloatArray = np.sqrt((arrows**2).sum(axis=1))
    return length


def _in_space(step: FloatArray) -> FloatArray:
    """Forward and up (2,) with nothing sideways."""
    return np.append(step, 0.0)


def _short(rider: Rider, side: str, limb: str, lacks: FloatArray) -> list[Short]:
    if not (lacks > _ROUNDING_MM).any():
        return []
    row = int(np.nanargmax(lacks))
    crank = float(np.degrees(rider.crank_angle(side)[row])) % 360.0
    return [Short(side, limb, float(lacks[row]), round(crank, 6) % 360.0)]
