"""The crank and the bicycle in space: what is known of them, and what follows for a foot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livefit.frames import FloatArray


@dataclass(frozen=True)
class CrankGeometry:
    """One side's crank in the bicycle's axes.

    Attributes
    ----------
    length
        Crank length, mm.
    centre
        (x, y) of the circle's centre from the bicycle's origin, mm.
    outward
        z of the spindle path (VM's plane) from the bicycle's origin, mm.
    spindle
        (a, b) mm: the spindle from VM along heel->toe and up, in the foot.
    length_se, spindle_se
        Standard errors of the same, allowing for neighbouring residuals being alike.
    residual
        RMS distance of the spindle from its circle, mm.
    """

    length: float
    centre: tuple[float, float]
    outward: float
    spindle: tuple[float, float]
    length_se: float
    spindle_se: tuple[float, float]
    residual: float

    def arm(self, foot: FloatArray) -> FloatArray:
        """(3, n) mm: the spindle from the circle's centre, forward, up and out of its plane.

        foot (3, n, k): CA, VM (, PED), from :meth:`BikeFrame.by_axis`.
        """
        arm = np.empty(foot.shape[:2])
        forward, up = spindle_from_side(foot[:2], self.spindle)
        np.subtract(forward, self.centre[0], out=arm[0])
        np.subtract(up, self.centre[1], out=arm[1])
        np.subtract(foot[2, :, -1], self.outward, out=arm[2])
        return arm


@dataclass(frozen=True)
class KnownAxis:
    """The crank axis as measured on the bicycle itself.

    Attributes
    ----------
    place
        mm in capture axes.
    se
        Standard error along each axis, mm.
    """

    place: tuple[float, float, float]
    se: float

    def centre(self, bike: BikeFrame, crank: CrankGeometry) -> tuple[float, float]:
        """(x, y) mm of the circle's centre: this one or the feet's, whichever is surer.

        What the feet say of it is as unsure as the spindle's place in the foot: a foot that turns
        little leaves both open. This one is not believed where the feet rule it out.
        """
        forward, up, _ = bike.to_bike(np.array(self.place)).tolist()
        unsure = max(crank.spindle_se)
        off = np.hypot(forward - crank.centre[0], up - crank.centre[1])
        if self.se < unsure and off <= _RULED_OUT * np.hypot(unsure, self.se):
            return forward, up
        return crank.centre


_RULED_OUT = 3.0
"""Standard errors between two opinions beyond which they are of two places."""


@dataclass(frozen=True)
class BikeFrame:
    """Where the bicycle stands in the capture volume.

    Attributes
    ----------
    rotation
        (3, 3): capture axes -> bike axes (X forward, Y up, Z to the rider's right).
    origin
        (3,) mm in capture axes: the crank axis in the mid-plane; with one side alone, in the
        plane of that foot.
    cranks
        By side.
    apart
        rad: by how much the left foot's opinion of the crank angle leads the right foot's on
        average (0 for two straight arms); 0 with one side alone.
    """

    rotation: FloatArray
    origin: FloatArray
    cranks: Mapping[str, CrankGeometry]
    apart: float = 0.0

    @property
    def has_mid_plane(self) -> bool:
        """Whether both sides' cranks are known, and with them where their middle is."""
        return len(self.cranks) > 1

    def to_bike(self, positions: FloatArray) -> FloatArray:
        """Capture positions (..., 3) -> bike axes, mm."""
        turned = self.by_axis(positions)
        return np.ascontiguousarray(turned.transpose(*range(1, turned.ndim), 0))

    def by_axis(self, positions: FloatArray) -> FloatArray:
        """Capture positions (..., 3) -> bike axes one after the other, (3, ...) mm.

        Sums written out: no frame's result depends on its neighbours.
        """
        x, y, z = (positions[..., k] - at for k, at in enumerate(self.origin.tolist()))
        a, b, c = self.rotation.T.reshape(3, 3, *(1 for _ in x.shape))
        turned: FloatArray = x * a
        part = y * b
        turned += part
        turned += np.multiply(z, c, out=part)
        return turned

    def arms(self, feet: FloatArray, places: Mapping[str, slice]) -> FloatArray:
        """Arms (3, s, n) of the s cranks in every frame, see :meth:`CrankGeometry.arm`.

        feet (3, n, k) from :meth:`by_axis`; places: where among them each side's markers are.
        """
        arms = np.empty((3, len(self.cranks), feet.shape[1]))
        for k, (side, crank) in enumerate(self.cranks.items()):
            arms[:, k] = crank.arm(feet[:, :, places[side]])
        return arms

    def departures(self, arms: FloatArray) -> FloatArray:
        """(s, n) mm: how far each of the arms (3, s, n) ends off its circle and its plane."""
        forward, up, sideways = arms
        lengths = np.array([[crank.length] for crank in self.cranks.values()])
        radial = np.sqrt(forward**2 + up**2) - lengths
        distances: FloatArray = np.sqrt(radial**2 + sideways**2)
        return distances


def spindle_from_side(
    side_view: FloatArray, place: Sequence[float] | FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Spindle seen from the side, (n,) forward and up: the pedal marker, or `place` in the foot.

    side_view (2, n, k); place (a, b) mm along heel->toe from VM, and square to it.
    """
    forward, up = side_view
    if side_view.shape[2] > 2:
        return forward[:, 2], up[:, 2]
    cosine, sine = foot_direction(side_view)
    return (
        forward[:, 1] + place[0] * cosine - place[1] * sine,
        up[:, 1] + place[0] * sine + place[1] * cosine,
    )


def foot_direction(side_view: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cosine and sine (n,) of the heel->toe line from forward, seen from the side."""
    forward, up = side_view[:, :, 1] - side_view[:, :, 0]
    length = np.sqrt(forward * forward + up * up)
    return forward / length, up / length
