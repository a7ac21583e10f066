"""One rider as a closed chain: the mean pose round the crank, and the crank from the feet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from livefit.definitions.models import SIDES
from livefit.frames import FloatArray
from livefit.kernel.crank import CrankGeometry, foot_direction, spindle_from_side
from livefit.kernel.strokes import GRID_DEG, GRID_PER_TURN

LEG = ("GT", "LE", "LM", "CA", "VM")
ARM = ("AC", "EL", "US")
OUTWARD = {"L": -1.0, "R": 1.0}
"""Direction of Z away from the mid-plane."""
_LEAD = {"L": np.pi, "R": 0.0}
SEAT_TUBE_DEG = 73.0
HEAD_TUBE_DEG = 72.0
"""Where nothing is said of the bicycle; common practice, no source."""


class RiderError(ValueError):
    """A pose from which nothing can be predicted; the text says what is missing."""


@dataclass(frozen=True)
class Lengths:
    """A side's segments over the stroke, mm, and how it is moved.

    Attributes
    ----------
    thigh, shank, foot
        Trochanter to epicondyle, epicondyle to malleolus, malleolus to spindle.
    hip_travel
        (forward, up): how far the hip marker travels in a stroke.
    ankling_deg
        How far the foot (CA to VM) turns in a stroke.
    swing_deg
        (least, most) tilt of the leg's plane, outward of straight ahead.
    """

    thigh: float
    shank: float
    foot: float
    hip_travel: tuple[float, float]
    ankling_deg: float
    swing_deg: tuple[float, float]


@dataclass(frozen=True)
class Rider:
    """What is known of a rider on a bicycle.

    Attributes
    ----------
    labels
        (m) canonical names of the markers.
    pose
        (36, m, 3) mm in bike axes (X forward, Y up, Z to the rider's right, origin at the crank
        axis), right crank at 0, 10, ... 350 degrees; NaN = never seen there.
    cranks
        By side, where the foot's path gave one.
    seat_tube_deg, head_tube_deg
        Angles of the bicycle's tubes from the horizontal.
    """

    labels: tuple[str, ...]
    pose: FloatArray
    cranks: Mapping[str, CrankGeometry]
    seat_tube_deg: float = SEAT_TUBE_DEG
    head_tube_deg: float = HEAD_TUBE_DEG

    def __post_init__(self) -> None:
        wanted = (GRID_PER_TURN, len(self.labels), 3)
        if self.pose.shape != wanted:
            raise RiderError(
                f"a mean pose is {wanted} for these {len(self.labels)} labels, got "
                f"{self.pose.shape}: give one position a label at 36 crank angles"
            )
        for name, angle in (("seat", self.seat_tube_deg), ("head", self.head_tube_deg)):
            if not 45.0 <= angle <= 90.0:
                raise RiderError(f"a {name} tube stands at 45 to 90 degrees, got {angle}")
        if not self.sides:
            raise RiderError(
                "expected hip, knee, ankle and foot markers (GT, LE, LM, CA, VM) of a side whose "
                f"crank was found, got {', '.join(self.labels) or 'no markers'} and cranks of "
                f"{', '.join(self.cranks) or 'neither side'}: let the rider pedal until the "
                "crank is found, with these markers on"
            )

    @cached_property
    def sides(self) -> tuple[str, ...]:
        """Those with a crank and all markers of the leg, seen somewhere round the crank."""
        return tuple(
            side
            for side in SIDES
            if side in self.cranks
            and side in self._legs
            and np.isfinite(self._legs[side]).all(axis=(1, 2)).any()
        )

    def has(self, side: str, name: str) -> bool:
        """Whether there is such a marker on the side."""
        return f"{side}_{name}" in self.labels

    def column(self, side: str, name: str) -> int:
        """Place of a side's marker among the labels."""
        return self.labels.index(f"{side}_{name}")

    @cached_property
    def _legs(self) -> dict[str, FloatArray]:
        """By side with a whole leg's labels."""
        return {
            side: self.pose[:, [self.column(side, name) for name in LEG]]
            for side in SIDES
            if all(self.has(side, name) for name in LEG)
        }

    @cached_property
    def _feet(self) -> dict[str, tuple[FloatArray, FloatArray]]:
        """By side with a crank: spindle and direction of the foot, (36, 2) each."""
        feet = {}
        for side in self.sides:
            view = np.moveaxis(self._legs[side][:, 3:, :2], -1, 0)
            spindle = np.stack(spindle_from_side(view, self.cranks[side].spindle), axis=1)
            feet[side] = spindle, np.stack(foot_direction(view), axis=1)
        return feet

    def leg(self, side: str) -> FloatArray:
        """(36, 5, 3): GT, LE, LM, CA and VM."""
        return self._legs[side]

    @staticmethod
    def crank_angle(side: str) -> FloatArray:
        """(36,) rad: the side's own crank at each row."""
        angle: FloatArray = np.radians(GRID_DEG) * np.arange(GRID_PER_TURN) + _LEAD[side]
        return angle

    def spindle(self, side: str) -> FloatArray:
        """(36, 2): forward and up of the spindle as the foot has it."""
        return self._feet[side][0]

    def foot_direction(self, side: str) -> FloatArray:
        """(36, 2): unit vector from heel to toe, seen from the side."""
        return self._feet[side][1]

    def lengths(self, side: str) -> Lengths:
        """Segments and motion of a side."""
        hip, knee, ankle, *_ = np.moveaxis(self.leg(side), 1, 0)
        forward, up = self.foot_direction(side).T
        inclination = np.degrees(np.unwrap(np.arctan2(up, forward)))
        swing = np.degrees(leg_swing(hip, knee, ankle, OUTWARD[side]))
        return Lengths(
            thigh=_mean_length(knee - hip),
            shank=_mean_length(ankle - knee),
            foot=_mean_length(ankle[:, :2] - self.spindle(side)),
            hip_travel=(float(np.nanmax(hip[:, 0]) - np.nanmin(hip[:, 0])),
                        float(np.nanmax(hip[:, 1]) - np.nanmin(hip[:, 1]))),
            ankling_deg=float(np.nanmax(inclination) - np.nanmin(inclination)),
            swing_deg=(float(np.nanmin(swing)), float(np.nanmax(swing))),
        )  # fmt: skip


def _mean_length(arrows: FloatArray) -> float:
    return float(np.nanmean(np.sqrt((arrows**2).sum(axis=1))))


def bend_axes(
    near: FloatArray, far: FloatArray, outward: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Unit vectors (..., 3): along the line of two joints, square to it forward, and outward.

    The second lies in the sagittal plane.
    """
    along = _unit(far - near)
    ahead = np.zeros_like(along)
    ahead[..., 0], ahead[..., 1] = -along[..., 1], along[..., 0]
    ahead = _unit(ahead)
    side = np.empty_like(along)
    side[..., 0] = -outward * along[..., 2] * ahead[..., 1]
    side[..., 1] = outward * along[..., 2] * ahead[..., 0]
    side[..., 2] = outward * (along[..., 0] * ahead[..., 1] - along[..., 1] * ahead[..., 0])
    return along, ahead, side


def leg_swing(near: FloatArray, middle: FloatArray, far: FloatArray, outward: float) -> FloatArray:
    """(...) rad: tilt of the plane of three joints about the line of the outer two, outward +."""
    _, ahead, side = bend_axes(near, far, outward)
    off = middle - near
    tilt: FloatArray = np.arctan2((off * side).sum(axis=-1), (off * ahead).sum(axis=-1))
    return tilt


def _unit(vector: FloatArray) -> FloatArray:
    unit: FloatArray = vector / np.sqrt((vector**2).sum(axis=-1, keepdims=True))
    return unit
