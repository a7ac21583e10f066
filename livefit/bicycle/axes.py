"""The bicycle's own axes, from points touched on its two sides and from its axles or gravity."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from livefit.frames import FloatArray, Up

Level = Literal["axles", "gravity"]
"""What counts as level: the line of the axles (the bicycle as on flat ground, however it stands),
or the horizontal of the capture volume (the bicycle as it stands, its lean alone taken out)."""

_LEAST_HOLD_MM = 60.0
"""A lever: with a shorter one the errors of touches turn the mid-plane too far."""


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


def either(points: Mapping[str, FloatArray], pair: str) -> FloatArray:
    """Half-way between a pair's left and right, or the one that there is."""
    sides = [points[name] for name in (f"{pair}_left", f"{pair}_right") if name in points]
    return np.asarray(sum(sides) / len(sides))


def find_axes(
    points: Mapping[str, FloatArray],
    pairs: Sequence[str],
    axles: Collection[str],
    *,
    level: Level,
    up: Up,
    axle_rise_mm: float = 0.0,
) -> Axes:
    """Axes from touched points.

    The mid-plane is the one that holds the middles of the pairs and to which the axles are square,
    by least squares, each as sure as the touches make it. Forward is from the rear axle to the
    front one within it, or square to gravity within it.

    Parameters
    ----------
    points
        Name -> (..., 3) mm in capture axes; all arrays of one shape.
    pairs
        Pairs in `points` whose middles lie in the mid-plane.
    axles
        Those of them whose line is square to it.
    level, up
        What counts as level, and the capture axis that points up.
    axle_rise_mm
        How much higher the front axle is than the rear one on flat ground: the difference of the
        wheels' radii.

    Raises
    ------
    GeometryError
        If the crank axis or an axle is missing, or the points leave the mid-plane open.
    """
    sided = {name.rpartition("_")[0] for name in points}
    missing = [pair for pair in ("crank_axis", "rear_axle", "front_axle") if pair not in sided]
    if missing or not pairs:
        raise GeometryError(
            f"expected the crank axis, both axles and pairs of points, found no "
            f"{', no '.join(missing or ['pair'])}. Touch the missing points."
        )
    middles = np.stack([middle(points, pair) for pair in pairs], axis=-2)
    centre = middles.mean(axis=-2)
    across = {pair: points[f"{pair}_right"] - points[f"{pair}_left"] for pair in pairs}
    square = [across[pair] for pair in pairs if pair in axles]
    z = _square_to(middles - centre[..., None, :], square, pairs)
    z = z * np.sign(_dot(z, np.asarray(sum(across.values()))))
    line = either(points, "front_axle") - either(points, "rear_axle")
    line = line - _dot(line, z) * z
    if level == "axles":
        x = _unit(line)
        rise = np.arcsin(axle_rise_mm / np.linalg.norm(line, axis=-1, keepdims=True))
        y = np.cross(z, x)
        x, y = np.cos(rise) * x - np.sin(rise) * y, np.cos(rise) * y + np.sin(rise) * x
    else:
        upward = np.broadcast_to(up_vector(up), z.shape)
        y = _unit(upward - _dot(upward, z) * z)
        x = np.cross(y, z)
    axis = either(points, "crank_axis")
    return Axes(np.stack([x, y, z], axis=-2), axis - _dot(axis - centre, z) * z)


def _square_to(
    within: FloatArray, across: Sequence[FloatArray], pairs: Sequence[str]
) -> FloatArray:
    """Unit vector (..., 3) square to places within a plane (..., n, 3), along lines across it.

    Half-way between two touches is half as unsure, as a variance, as one touch; their difference
    twice as unsure: hence the weights. What is left of both is a quadratic form of the vector.
    """
    form = 2.0 * within.swapaxes(-1, -2) @ within
    for line in across:
        form = form - 0.5 * line[..., :, None] * line[..., None, :]
    sizes, vectors = np.linalg.eigh(form)
    if np.min(sizes[..., 1] - sizes[..., 0]) < 2.0 * _LEAST_HOLD_MM**2:
        raise GeometryError(
            "expected an axle touched at both ends, or pairs of points spread over the bicycle's "
            f"mid-plane, found neither ({', '.join(pairs)}). Touch both ends of the rear axle."
        )
    return np.asarray(vectors[..., 0])


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    product: FloatArray = (a * b).sum(axis=-1, keepdims=True)
    return product


def _unit(v: FloatArray) -> FloatArray:
    unit: FloatArray = v / np.linalg.norm(v, axis=-1, keepdims=True)
    return unit
