"""The bicycle's own axes, from points touched on its two sides and from its axles or gravity."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from livefit.frames import FloatArray, Up

Level = Literal["axles", "gravity"]
"""What counts as level: the line of the axles (the bicycle as on flat ground, however it stands),
or the horizontal of the capture volume (the bicycle as it stands, its lean alone taken out)."""

_LEAST_HEIGHT_MM = 50.0
"""RMS distance of the pairs' middles from one line, below which they span no plane."""


class GeometryError(ValueError):
    """The points do not make a bicycle; the text says which are missing and what to do."""


@dataclass(frozen=True)
class Axes:
    """Bike axes X forward, Y up, Z to the rider's right, origin at the crank axis in the mid-plane.

    Attributes
    ----------
    rotation
        (..., 3, 3): capture axes -> bike axes.
    origin
        (..., 3) mm in capture axes.
    """

    rotation: FloatArray
    origin: FloatArray

    def to_bike(self, positions: FloatArray) -> FloatArray:
        """Capture positions (..., 3) -> bike axes, mm."""
        turned: FloatArray = np.einsum("...ij,...j->...i", self.rotation, positions - self.origin)
        return turned


def up_vector(up: Up) -> FloatArray:
    """The capture axis (3,) that points up."""
    vector = np.zeros(3)
    vector["xyz".index(up[1])] = 1.0 if up[0] == "+" else -1.0
    return vector


def middle(points: Mapping[str, FloatArray], pair: str) -> FloatArray:
    """Half-way between a pair's left and right."""
    half: FloatArray = (points[f"{pair}_left"] + points[f"{pair}_right"]) / 2
    return half


def find_axes(
    points: Mapping[str, FloatArray],
    pairs: Sequence[str],
    *,
    level: Level,
    up: Up,
    axle_rise_mm: float = 0.0,
) -> Axes:
    """Axes from touched points.

    The mid-plane is the plane nearest to the middles of the pairs (least squares). Forward is
    from the rear axle to the front one within it, or square to gravity within it.

    Parameters
    ----------
    points
        Name -> (..., 3) mm in capture axes; all arrays of one shape.
    pairs
        Pairs that lie evenly about the mid-plane, of those in `points`.
    level, up
        What counts as level, and the capture axis that points up.
    axle_rise_mm
        How much higher the front axle is than the rear one on flat ground: the difference of the
        wheels' radii.

    Raises
    ------
    GeometryError
        If the crank axis or an axle is missing, or the pairs span no plane.
    """
    needed = {"crank_axis", "rear_axle", "front_axle"}
    if not needed <= set(pairs) or len(pairs) < 3:
        raise GeometryError(
            f"expected both sides of {', '.join(sorted(needed))}, found {', '.join(pairs)} alone. "
            "Touch the missing points."
        )
    middles = np.stack([middle(points, pair) for pair in pairs], axis=-2)
    centre = middles.mean(axis=-2)
    sizes, right = np.linalg.svd(middles - centre[..., None, :])[1:]
    if np.min(sizes[..., 1]) < _LEAST_HEIGHT_MM * np.sqrt(len(pairs)):
        raise GeometryError(
            "expected pairs of points spread over the bicycle's mid-plane, found them near one "
            f"line ({', '.join(pairs)}). Touch the seat tube's or the head tube's top as well."
        )
    across = sum(points[f"{pair}_right"] - points[f"{pair}_left"] for pair in pairs)
    z = right[..., 2, :]
    z = z * np.sign(_dot(z, np.asarray(across)))
    line = middle(points, "front_axle") - middle(points, "rear_axle")
    if level == "axles":
        x = _unit(line - _dot(line, z) * z)
        rise = np.arcsin(axle_rise_mm / np.linalg.norm(line, axis=-1, keepdims=True))
        y = np.cross(z, x)
        x, y = np.cos(rise) * x - np.sin(rise) * y, np.cos(rise) * y + np.sin(rise) * x
    else:
        upward = np.broadcast_to(up_vector(up), z.shape)
        y = _unit(upward - _dot(upward, z) * z)
        x = np.cross(y, z)
    axis = middle(points, "crank_axis")
    return Axes(np.stack([x, y, z], axis=-2), axis - _dot(axis - centre, z) * z)


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    product: FloatArray = (a * b).sum(axis=-1, keepdims=True)
    return product


def _unit(v: FloatArray) -> FloatArray:
    unit: FloatArray = v / np.linalg.norm(v, axis=-1, keepdims=True)
    return unit
