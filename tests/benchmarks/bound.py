"""The Cramér-Rao bound of an angle at a crank angle, from the geometry of the simulated rider.

A periodic motion of H harmonics is 2H + 1 unknowns a coordinate. From N frames in a stroke, each
with white noise of standard deviation s, no unbiased estimate of a coordinate at a given phase can
be better, on average over the phases, than s * sqrt((2H + 1) / N); an angle made of coordinates
then not better than that times the length k of its gradient. Kay SM (1993) Fundamentals of
Statistical Signal Processing: Estimation Theory, ch. 3 and 4 (linear model, transformations).

Where the crank angle comes from the feet too, the angle's slope over the crank angle brings in the
crank's error: that of one frame, from both feet's spindles, times sqrt(p / N) for a motion of the
crank within the stroke described by p numbers. And the spindle's place in the foot, the axis and
the crank length, five numbers a foot, are themselves known only as well as M frames tell them:
their share does not grow smaller from stroke to stroke. Fisher information of a circle whose
points are foot-fixed, nothing being assumed of how the foot moves (Chernov N, Lesort C (2004)
Statistical efficiency of curve fitting algorithms. Comput Stat Data Anal 47:713-728, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livefit.frames import FloatArray
from simulators import RiderSimulation
from simulators.markers import LABELS
from simulators.truth import MEASURES, View, crank_angle, instants, spindle_in_foot

KNEE = "knee_flexion"
ComplexArray = NDArray[np.complex128]
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
    circle_deg
        The same for the five numbers of each foot, were they known from a single frame.
    """

    angle_deg: float
    crank_deg: float
    circle_deg: float

    def known(self, harmonics: int, frames: float) -> float:
        """Deg per mm of noise, for one stroke of so many frames, the crank angle being known."""
        return float(np.sqrt(self.angle_deg**2 * (2 * harmonics + 1) / frames))

    def estimated(
        self, harmonics: int, frames: float, phase_numbers: int, fitted: float, strokes: int = 1
    ) -> float:
        """The same for a mean of strokes, the crank coming from the feet.

        phase_numbers: of the crank's motion in a stroke; fitted: frames behind the circles.
        """
        each = self.known(harmonics, frames) ** 2 + self.crank_deg**2 * phase_numbers / frames
        return float(np.sqrt(each / strokes + self.circle_deg**2 / fitted))


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
    left_circle, right_circle = (_circle_of(rider, own, at) for own in ("L", "R"))
    return Geometry(
        angle_deg=_gradient(knee, positions),
        crank_deg=abs(float(slope)) * float(np.hypot(left, right)) / 2,
        circle_deg=abs(float(slope)) * float(np.hypot(left_circle, right_circle)) / 2,
    )


def _foot(points: FloatArray, side: str) -> tuple[ComplexArray, ComplexArray]:
    """Heel and toe (n,) seen from the side, forward + 1j * up, of points (n, m, 3)."""
    heel, toe = (
        points[:, LABELS.index(f"{side}_{name}"), 0]
        + 1j * points[:, LABELS.index(f"{side}_{name}"), 1]
        for name in ("CA", "VM")
    )
    return heel, toe


def _arm(heel: ComplexArray, toe: ComplexArray, circle: FloatArray) -> ComplexArray:
    """Spindle from the axis (n,); circle (5,): spindle in the foot, axis, crank length, mm."""
    along, above, x, y, _ = circle
    return toe + complex(along, above) * (toe - heel) / np.abs(toe - heel) - complex(x, y)


def _crank_of(rider: RiderSimulation, side: str) -> Callable[[FloatArray], FloatArray]:
    """The crank angle, rad, that one foot's CA and VM say, seen from the side."""
    circle = _true_circle(rider)

    def crank(points: FloatArray) -> FloatArray:
        return np.unwrap(np.pi / 2 - np.angle(_arm(*_foot(points, side), circle)))

    return crank


def _true_circle(rider: RiderSimulation) -> FloatArray:
    return np.array([*spindle_in_foot(rider), 0.0, 0.0, 0.0])


def _circle_of(rider: RiderSimulation, side: str, at: float) -> float:
    """Crank angle's standard deviation, rad per mm of noise, that a foot's circle brings into it.

    For one frame: divide by the root of the number of frames that the circle is fitted to.
    """
    heel, toe = _foot(rider.positions(np.linspace(5.0, 15.0, 2001)), side)
    there = _foot(rider.positions(np.array([at])), side)
    circle = _true_circle(rider)
    steps = _STEP_MM * np.eye(5)

    def slopes(value: Callable[[FloatArray], FloatArray]) -> FloatArray:
        """By each of the five numbers (5, n)."""
        found = [(value(circle + step) - value(circle - step)) / (2 * _STEP_MM) for step in steps]
        return np.array(found)

    off = slopes(lambda numbers: np.abs(_arm(heel, toe, numbers)) - numbers[4])
    noise = np.zeros(len(heel))
    for way in (_STEP_MM, 1j * _STEP_MM):
        for d_heel, d_toe in ((way, 0.0), (0.0, way)):
            apart = np.abs(_arm(heel + d_heel, toe + d_toe, circle)) - np.abs(
                _arm(heel - d_heel, toe - d_toe, circle)
            )
            noise += (apart / (2 * _STEP_MM)) ** 2
    information = (off / noise) @ off.T / len(heel)
    turned = slopes(lambda numbers: -np.angle(_arm(*there, numbers) / _arm(*there, circle)))[:, 0]
    return float(np.sqrt(turned @ np.linalg.solve(information, turned)))


def _gradient(value: Callable[[FloatArray], FloatArray], positions: FloatArray) -> float:
    """Length of the gradient of a value over all coordinates of positions (m, 3), per mm."""
    steps = _STEP_MM * np.eye(positions.size).reshape(-1, *positions.shape)
    slopes = (value(positions + steps) - value(positions - steps)) / (2 * _STEP_MM)
    return float(np.sqrt((slopes**2).sum()))
