"""The Cramér-Rao bound of an angle at a crank angle, from the geometry of the simulated rider.

A periodic motion of H harmonics is 2H + 1 unknowns a coordinate. From N frames in a stroke, each
with white noise of standard deviation s, no unbiased estimate of a coordinate at a given phase can
be better, on average over the phases, than s * sqrt((2H + 1) / N); an angle made of coordinates
then not better than that times the length k of its gradient. Kay SM (1993) Fundamentals of
Statistical Signal Processing: Estimation Theory, ch. 3 and 4 (linear model, transformations).

Where the crank angle comes from the feet too, the angle's slope over the crank angle brings in the
crank's error: that of one frame, from both feet's spindles, times sqrt(p / N) for a motion of the
crank within the stroke described by p numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from livefit.frames import FloatArray
from simulators import RiderSimulation
from simulators.markers import LABELS
from simulators.truth import MEASURES, View, crank_angle, instants, spindle_in_foot

KNEE = "knee_flexion"
_STEP_MM = 1e-3
_STEP_S = 1e-4


@dataclass(frozen=True)
class Geometry:
    """What noise of 1 mm a coordinate does at one crank angle of one side, in a single frame.

    Attributes
    ----------
    angle_deg
        Standard deviation of the knee's angle, deg per mm.
    crank_deg
        Standard deviation that the crank angle from both feet brings into it, deg per mm.
    """

    angle_deg: float
    crank_deg: float

    def bound(self, harmonics: int, frames: float, phase_numbers: int = 0) -> float:
        """Deg per mm of noise, for one stroke of so many frames; 0 phase numbers: crank known."""
        angle = self.angle_deg**2 * (2 * harmonics + 1) / frames
        return float(np.sqrt(angle + self.crank_deg**2 * phase_numbers / frames))


def geometry(rider: RiderSimulation, side: str, crank_deg: float) -> Geometry:
    """Gradients, by differences, at the second time that the crank comes to the angle."""
    at = instants(rider, side, crank_deg, 0.0, 10.0)[1]
    positions = rider.positions(np.array([at]))[0]

    def knee(points: FloatArray) -> FloatArray:
        return MEASURES[KNEE](View(points, side, np.zeros((len(points), 3))))

    around = np.array([at - _STEP_S, at + _STEP_S])
    turned = np.diff(crank_angle(rider, side, around))[0]
    slope = np.diff(knee(rider.positions(around)))[0] / turned
    left, right = (_gradient(_crank_of(rider, own), positions) for own in ("L", "R"))
    return Geometry(
        angle_deg=_gradient(knee, positions),
        crank_deg=abs(float(slope)) * float(np.hypot(left, right)) / 2,
    )


def _crank_of(rider: RiderSimulation, side: str) -> Callable[[FloatArray], FloatArray]:
    """The crank angle, rad, that one foot's CA and VM say, seen from the side."""
    along, above = spindle_in_foot(rider)

    def crank(points: FloatArray) -> FloatArray:
        heel, toe = (
            points[:, LABELS.index(f"{side}_{name}"), 0]
            + 1j * points[:, LABELS.index(f"{side}_{name}"), 1]
            for name in ("CA", "VM")
        )
        foot = (toe - heel) / np.abs(toe - heel)
        arm = toe + complex(along, above) * foot
        return np.unwrap(np.pi / 2 - np.angle(arm))

    return crank


def _gradient(value: Callable[[FloatArray], FloatArray], positions: FloatArray) -> float:
    """Length of the gradient of a value over all coordinates of positions (m, 3), per mm."""
    steps = _STEP_MM * np.eye(positions.size).reshape(-1, *positions.shape)
    slopes = (value(positions + steps) - value(positions - steps)) / (2 * _STEP_MM)
    return float(np.sqrt((slopes**2).sum()))
