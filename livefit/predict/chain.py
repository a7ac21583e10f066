"""The closed chain moved: from shifted saddle, bar, shoes and cranks to a new pose.

Every row of the pose keeps its own segment lengths, so that skin that slides in step with the crank
slides on, and a change of nothing changes nothing, to the last bit but rounding.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from livefit.frames import FloatArray
from livefit.kernel.crank import CrankGeometry
from livefit.predict.changes import Shift
from livefit.predict.response import NAMES
from livefit.predict.rider import ARM, OUTWARD, Rider, bend_axes, leg_swing

SHORTEST_LEVER_MM = 40.0
"""A foot that would have to turn about a shorter lever is not believed."""
_MIDDLE_OF_SHOE_MM = 45.0
"""The cleat lies so far inward of the fifth metatarsal head's marker; from memory."""
_ROUNDING_MM = 1e-9
_ON_FOOT = ("LM", "CA", "VM", "FM")
_ON_PELVIS = ("ASIS", "PSIS")
_Answers = Mapping[str, FloatArray]
"""Numbers of the responses by name, (r, 1) each."""


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
    """The poses after a change, one for each of r responses.

    Attributes
    ----------
    pose
        (r, 36, m, 3); NaN where a marker was not seen, or is not predicted.
    cranks
        By side, with their new length.
    short
        Limbs that cannot reach with the first response; their middle joint is then drawn straight
        and means nothing.
    """

    pose: FloatArray
    cranks: Mapping[str, CrankGeometry]
    short: tuple[Short, ...]


class _Foot:
    """One side's shoe on its pedal: where it is, and where a change takes it.

    Parameters
    ----------
    rows
        Rows of the pose; one to many.
    """

    def __init__(self, rider: Rider, side: str, shift: Shift, rows: slice) -> None:
        crank = rider.crank_angle(side)[rows]
        self.old = rider.spindle(side)[rows]
        self.new = self.old + shift.crank * np.stack([np.sin(crank), np.cos(crank)], axis=1)
        self._along = rider.foot_direction(side)[rows]
        self._out = OUTWARD[side]
        self._middle = rider.leg(side)[rows, 4, 2] * self._out - _MIDDLE_OF_SHOE_MM
        self._shift = shift

    def place(self, points: FloatArray, turn: FloatArray, follow: FloatArray) -> FloatArray:
        """New places (r, n, 3) of points (n, 3) of the shoe.

        turn (r, n) rad toe down about the spindle; follow (r, 1) share of a cleat's rotation.
        """
        fx, fy = self._along.T
        dx, dy = (points[:, :2] - self.old).T
        along, above = dx * fx + dy * fy, dy * fx - dx * fy
        across = points[:, 2] * self._out - self._middle
        c, s = np.cos(self._shift.wedge), np.sin(self._shift.wedge)
        above, across = above * c - across * s, across * c + above * s
        c, s = np.cos(follow * self._shift.rotation), np.sin(follow * self._shift.rotation)
        along, across = along * c - across * s, across * c + along * s
        along, across = along + self._shift.foot[0], across + self._shift.foot[1]
        c, s = np.cos(turn), np.sin(turn)
        fx, fy = fx * c + fy * s, fy * c - fx * s
        placed = np.empty((*turn.shape, 3))
        placed[..., 0] = self.new[:, 0] + along * fx - above * fy
        placed[..., 1] = self.new[:, 1] + along * fy + above * fx
        placed[..., 2] = (across + self._middle) * self._out
        return placed


@dataclass(frozen=True)
class _Yielding:
    """What gives way on one side: hip (r, 1, 3) mm, foot's turn (r, 36) rad, toe down.

    `lengthened` (r, 1) mm is what is left for the knee.
    """

    hip: FloatArray
    turn: FloatArray
    lengthened: FloatArray


def moved(rider: Rider, shift: Shift, vectors: FloatArray) -> Moved:
    """Close the chain of every side anew, for responses (r, p)."""
    answers = {name: vectors[:, k, None] for k, name in enumerate(NAMES)}
    pose = np.repeat(rider.pose[None], len(vectors), axis=0)
    short: list[Short] = []
    cranks = dict(rider.cranks)
    yielding = {side: _yielding(rider, side, shift, answers) for side in rider.sides}
    pelvis: FloatArray = np.mean([each.hip for each in yielding.values()], axis=0)
    for side, each in yielding.items():
        each = replace(each, hip=pelvis)
        short += _move_leg(rider, side, shift, answers, each, pose)
        short += _move_arm(rider, side, shift, answers, pelvis, pose)
        crank = rider.cranks[side]
        cranks[side] = replace(crank, length=crank.length + shift.crank)
    for name in _ON_PELVIS:
        for side in OUTWARD:
            if rider.has(side, name):
                pose[:, :, rider.column(side, name)] += pelvis
    return Moved(pose, cranks, tuple(short))


def longest_row(rider: Rider, side: str) -> int:
    """Row of the pose at which hip and spindle are farthest apart, of those with a whole leg."""
    apart = rider.leg(side)[:, 0, :2] - rider.spindle(side)
    whole = np.isfinite(rider.leg(side)).all(axis=(1, 2))
    return int(np.nanargmax(np.where(whole, (apart**2).sum(axis=1), np.nan)))


def _yielding(rider: Rider, side: str, shift: Shift, answers: _Answers) -> _Yielding:
    at = longest_row(rider, side)
    slide, elsewhere = answers["slide"], answers["elsewhere"]
    higher = Shift(raised=shift.raised, saddle=shift.raised, crank=shift.crank)
    of_height, _ = _lengthening(rider, side, higher, answers, at, _hips(shift.raised, slide))
    followed = _hips(shift.saddle, slide)
    whole, _ = _lengthening(rider, side, shift, answers, at, followed)
    extra = whole - of_height
    sinks = followed.copy()
    sinks[..., 1] -= (1.0 - answers["hip"]) * (of_height + elsewhere * extra)
    left, arrow = _lengthening(rider, side, shift, answers, at, sinks)
    answered = left - (1.0 - elsewhere) * extra
    line = arrow / _length(arrow)[..., None]
    arm = rider.leg(side)[at, 0] + sinks - arrow
    arm[..., :2] -= _Foot(rider, side, shift, slice(at, at + 1)).new
    lever = arm[..., 1] * line[..., 0] - arm[..., 0] * line[..., 1]
    ankle = answers["ankle"] - OUTWARD[side] * answers["uneven"]
    taken = ankle * answered / np.maximum(lever, SHORTEST_LEVER_MM)
    angle = rider.crank_angle(side) - rider.crank_angle(side)[at]
    top, ahead = answers["ankle_top"], answers["ankle_forward"]
    shape = (1 + top) / 2 + (1 - top) / 2 * np.cos(angle) - ahead * np.sin(angle)
    return _Yielding(sinks, taken * shape, left - ankle * answered)


def _hips(saddle: FloatArray, slide: FloatArray) -> FloatArray:
    """Way of the hips (r, 1, 3), did they follow the saddle's height altogether."""
    hips = np.zeros((len(slide), 1, 3))
    hips[..., 0], hips[..., 1] = slide * saddle[0], saddle[1]
    return hips


def _lengthening(
    rider: Rider, side: str, shift: Shift, answers: _Answers, at: int, hips: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """How far hip and ankle go apart at a row, mm (r, 1), and the arrow from ankle to hip.

    hips (r, 1, 3) mm by which the hip moves; the foot keeps its inclination.
    """
    rows = slice(at, at + 1)
    hip, ankle = rider.leg(side)[rows, 0], rider.leg(side)[rows, 2]
    unturned = np.zeros((len(hips), 1))
    placed = _Foot(rider, side, shift, rows).place(ankle, unturned, answers["follow"])
    arrow = hip + hips - placed
    return _length(arrow) - _length(hip - ankle), arrow


def _move_leg(
    rider: Rider, side: str, shift: Shift, answers: _Answers, each: _Yielding, pose: FloatArray
) -> list[Short]:
    old = rider.pose
    hip, knee, ankle = (rider.leg(side)[:, k] for k in range(3))
    foot = _Foot(rider, side, shift, slice(None))
    for name in _ON_FOOT:
        if rider.has(side, name):
            column = rider.column(side, name)
            pose[:, :, column] = foot.place(old[:, column], each.turn, answers["follow"])
    if rider.has(side, "PED"):
        pose[:, :, rider.column(side, "PED"), :2] += foot.new - foot.old
    new_hip = hip + each.hip
    new_ankle = pose[:, :, rider.column(side, "LM")]
    tilt = answers["swing"] * each.lengthened + answers["tilt"] * shift.wedge
    new_knee, lacks = middle_joint((hip, knee, ankle), new_hip, new_ankle, OUTWARD[side], tilt)
    pose[:, :, rider.column(side, "GT")] = new_hip
    pose[:, :, rider.column(side, "LE")] = new_knee
    if rider.has(side, "HF"):
        column = rider.column(side, "HF")
        shank = ankle - knee
        down = ((old[:, column] - knee) * shank).sum(axis=1) / (shank**2).sum(axis=1)
        share = down[:, None]
        pose[:, :, column] += (1 - share) * (new_knee - knee) + share * (new_ankle - ankle)
    return _short(rider, side, "leg", lacks[0])


def _move_arm(
    rider: Rider, side: str, shift: Shift, answers: _Answers, pelvis: FloatArray, pose: FloatArray
) -> list[Short]:
    """Trunk and arm between the moved hip and the moved hand.

    Without elbow and wrist nothing holds the trunk, and the shoulder is not predicted.
    """
    if not rider.has(side, "AC"):
        return []
    shoulder_column = rider.column(side, "AC")
    if not all(rider.has(side, name) for name in ARM):
        pose[:, :, shoulder_column] = np.nan
        return []
    hip = rider.leg(side)[:, 0]
    shoulder, elbow, wrist = (rider.pose[:, rider.column(side, name)] for name in ARM)
    new_hip, carried = hip + pelvis, shoulder + pelvis
    new_wrist = wrist + np.append(shift.bar, 0.0)
    reach, carried_reach = _length(wrist - shoulder), _length(new_wrist - carried)
    new_reach = reach + answers["arm"] * (carried_reach - reach)
    new_shoulder, lacks = _shoulder(new_hip, carried, new_wrist, new_reach)
    new_elbow, arm_lacks = middle_joint(
        (shoulder, elbow, wrist), new_shoulder, new_wrist, OUTWARD[side], np.zeros((1, 1))
    )
    pose[:, :, shoulder_column] = new_shoulder
    pose[:, :, rider.column(side, "EL")] = new_elbow
    pose[:, :, rider.column(side, "US")] = new_wrist
    return _short(rider, side, "arm", np.fmax(lacks, arm_lacks)[0])


def _shoulder(
    hip: FloatArray, carried: FloatArray, wrist: FloatArray, reach: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The shoulder turned about the hip in the sagittal plane to lie `reach` from the wrist."""
    across = carried[..., 2] - wrist[..., 2]
    flat = np.sqrt(np.maximum(reach**2 - across**2, 0.0))
    trunk = carried[..., :2] - hip[..., :2]
    line = wrist[..., :2] - hip[..., :2]
    apart, length = _length(line), _length(trunk)
    cosine = (apart**2 + length**2 - flat**2) / (2 * apart * length)
    above = np.sign(line[..., 0] * trunk[..., 1] - line[..., 1] * trunk[..., 0])
    angle = above * np.arccos(np.clip(cosine, -1.0, 1.0))
    direction = np.arctan2(line[..., 1], line[..., 0]) + angle
    shoulder = carried.copy()
    shoulder[..., 0] = hip[..., 0] + np.cos(direction) * length
    shoulder[..., 1] = hip[..., 1] + np.sin(direction) * length
    return shoulder, np.fmax(apart - length - flat, np.abs(length - flat) - apart)


def middle_joint(
    old: tuple[FloatArray, FloatArray, FloatArray],
    near: FloatArray,
    far: FloatArray,
    outward: float,
    tilt: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """New middle joint (r, n, 3) of three with the lengths and the swivel of the old ones.

    Parameters
    ----------
    old
        (n, 3) near, middle and far joint before.
    near, far
        (r, n, 3) the ends now.
    outward
        Direction of Z away from the mid-plane.
    tilt
        (r, 1) rad added to the swivel about the line of the ends, outward.

    Returns
    -------
    joint, lacks
        (r, n, 3) straight between the ends where they are too far apart, and (r, n) mm by which
        they are (negative: what is spare).

    Notes
    -----
    Two circles about the ends: law of cosines in coordinates.
    """
    first, second = _length(old[1] - old[0]), _length(old[2] - old[1])
    swivel = leg_swing(*old, outward) + tilt
    along, ahead, side = bend_axes(near, far, outward)
    apart = _length(far - near)
    down = (apart**2 + first**2 - second**2) / (2 * apart)
    height = np.sqrt(np.maximum(first**2 - down**2, 0.0))
    bend = np.cos(swivel)[..., None] * ahead + np.sin(swivel)[..., None] * side
    joint: FloatArray = near + down[..., None] * along + height[..., None] * bend
    return joint, apart - first - second


def _length(arrows: FloatArray) -> FloatArray:
    length: FloatArray = np.sqrt((arrows**2).sum(axis=-1))
    return length


def _short(rider: Rider, side: str, limb: str, lacks: FloatArray) -> list[Short]:
    if not (lacks > _ROUNDING_MM).any():
        return []
    row = int(np.nanargmax(lacks))
    crank = float(np.degrees(rider.crank_angle(side)[row])) % 360.0
    return [Short(side, limb, float(lacks[row]), round(crank, 6) % 360.0)]
