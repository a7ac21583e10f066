"""A rigid body of markers: its shape, and where it is in every frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livefit.frames import FloatArray

_LEAST_ACROSS_MM = 3.0
"""Markers that lie within this of one line (RMS) leave the turn about the line open."""

_ROUNDS = 6
"""Of fitting the frames to the shape and the shape to the frames; noise of 1 % settles in three."""


@dataclass(frozen=True)
class Poses:
    """Where a body is.

    Attributes
    ----------
    rotation
        (n, 3, 3): the body's axes -> capture axes; NaN where it cannot be told.
    origin
        (n, 3) mm: the body's origin in capture axes.
    off
        (n, m, 3) mm: seen less fitted markers in capture axes; NaN = not seen.
    """

    rotation: FloatArray
    origin: FloatArray
    off: FloatArray

    def place(self, point: FloatArray) -> FloatArray:
        """A point (3,) of the body in capture axes, (n, 3) mm."""
        placed: FloatArray = self.rotation @ point + self.origin
        return placed


def nearest_rotation(matrix: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rotation R (..., 3, 3) that makes trace(R^T matrix) largest, and the singular values.

    Kabsch W (1976) Acta Cryst A 32:922-923; mirrors are kept out as in Umeyama S (1991) IEEE
    Trans Pattern Anal Mach Intell 13:376-380.
    """
    left, sizes, right = np.linalg.svd(matrix)
    left[..., :, 2] *= np.linalg.det(left @ right)[..., None]
    return left @ right, sizes


def seen_markers(seen: FloatArray) -> NDArray[np.bool_]:
    """Which markers (n, m) of (n, m, 3) were seen."""
    return np.asarray(np.isfinite(seen).all(axis=-1))


def register(shape: FloatArray, seen: FloatArray) -> Poses:
    """Least-squares pose of a body in every frame, from the markers that were seen.

    Parameters
    ----------
    shape
        (m, 3) mm: the markers in the body's axes.
    seen
        (n, m, 3) mm: the markers in capture axes; NaN = not seen. A frame with fewer than three,
        or with all on one line, has a pose of NaN.
    """
    there = seen_markers(seen)
    count = there.sum(axis=1)
    weight = there / np.maximum(count, 1)[:, None]
    known = np.where(there[..., None], seen, 0.0)
    middle = weight @ shape
    centre = np.einsum("nm,nmi->ni", weight, known)
    arms = (known - centre[:, None]) * weight[..., None]
    rotation, sizes = nearest_rotation(np.einsum("nmi,mj->nij", arms, shape))
    rotation[(count < 3) | (sizes[:, 1] < _LEAST_ACROSS_MM**2)] = np.nan
    origin = centre - np.einsum("nij,nj->ni", rotation, middle)
    fitted = np.einsum("nij,mj->nmi", rotation, shape) + origin[:, None]
    return Poses(rotation, origin, seen - fitted)


def learn_shape(seen: FloatArray, nominal: FloatArray | None = None) -> FloatArray:
    """The body's markers (m, 3) mm about their middle, averaged over frames (n, m, 3).

    The axes are those of `nominal` (m, 3), or else those of the first frame with every marker.

    Raises
    ------
    ValueError
        Where no frame shows every marker and no nominal positions are given, or the markers lie
        on one line.
    """
    whole = np.flatnonzero(seen_markers(seen).all(axis=1))
    if nominal is None and not len(whole):
        raise ValueError(
            "expected a frame in which every marker of the pointer is seen, found none. "
            "Turn the pointer to the cameras, or give positions_mm in its definition."
        )
    shape = seen[whole[0]] if nominal is None else nominal
    shape = shape - shape.mean(axis=0)
    for _ in range(_ROUNDS):
        poses = register(shape, seen)
        inside = np.einsum("nji,nmj->nmi", poses.rotation, seen - poses.origin[:, None])
        counts = np.isfinite(inside[..., 0]).sum(axis=0)
        if not counts.all():
            raise ValueError(
                "expected markers that are seen and spread over a plane, found "
                f"{int((counts == 0).sum())} of {len(counts)} in no usable frame. Three or more "
                "must be seen at once, and not on one line."
            )
        shape = np.nansum(inside, axis=0) / counts[:, None]
        shape = shape - shape.mean(axis=0)
    return np.asarray(shape)


def marker_noise(poses: Poses) -> float:
    """Standard deviation of a marker's coordinate about the rigid body, mm."""
    there = seen_markers(poses.off)
    freedom = 3 * there.sum() - 6 * there.any(axis=1).sum()
    return float(np.sqrt(np.nansum(poses.off**2) / max(freedom, 1)))
