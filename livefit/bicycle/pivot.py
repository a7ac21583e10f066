"""The tip of a body that was turned about a fixed point: closed form, then maximum likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livefit.bicycle.rigid import Poses, nearest_rotation, seen_markers
from livefit.frames import FloatArray

_MOST_ROUNDS = 30
_SETTLED_MM = 1e-7
_BATCH_S = 0.5
"""Neighbouring frames within this may err alike; each batch counts as one witness."""


@dataclass(frozen=True)
class Pivot:
    """Where the tip is.

    Attributes
    ----------
    tip
        (3,) mm in the body's axes.
    fixed
        (3,) mm in capture axes: the point it stood on.
    covariance
        (3, 3) mm2 of the tip.
    residual
        Standard deviation of a marker's coordinate when the tip is held to its point, mm.
    """

    tip: FloatArray
    fixed: FloatArray
    covariance: FloatArray
    residual: float


def pivot_closed_form(poses: Poses) -> tuple[FloatArray, FloatArray]:
    """Tip (3,) in the body and its point (3,) that make ``sum |R tip + origin - point|^2`` least.

    The mean rotation M eliminates the point: ``(I - M^T M) tip = -mean((R - M)^T origin)``.
    Frames without a pose are left out. Noise in R pulls the tip toward the markers; it is good
    as a start.
    """
    good = np.isfinite(poses.origin[:, 0])
    rotation, origin = poses.rotation[good], poses.origin[good]
    mean, middle = rotation.mean(axis=0), origin.mean(axis=0)
    moment = np.einsum("nji,nj->i", rotation - mean, origin) / len(origin)
    tip = np.linalg.solve(np.eye(3) - mean.T @ mean, -moment)
    return tip, mean @ tip + middle


def _cross(v: FloatArray) -> FloatArray:
    """Matrices (..., 3, 3) of v x."""
    matrix = np.zeros((*v.shape, 3))
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        matrix[..., i, j], matrix[..., j, i] = -v[..., k], v[..., k]
    return matrix


def fit_pivot(
    shape: FloatArray, seen: FloatArray, t: FloatArray, start: tuple[FloatArray, FloatArray]
) -> Pivot:
    """Tip and point that explain the markers best when every frame is a turn about the point.

    The markers' own errors are made least, not the tip's, so that the noise of the poses neither
    pulls the tip nor hides what the frames tell. Gauss-Newton, each frame's rotation eliminated.

    Parameters
    ----------
    shape
        (m, 3) mm: the markers in the body's axes.
    seen
        (n, m, 3) mm; every frame has at least three markers.
    t
        (n,) s, rising.
    start
        Tip and point to begin with.
    """
    tip, fixed = start
    there = seen_markers(seen)[..., None]
    known = np.where(there, seen, 0.0)
    batches = np.unique(np.floor((t - t[0]) / _BATCH_S), return_inverse=True)[1]
    for _ in range(_MOST_ROUNDS):
        arms, rays = shape - tip, (known - fixed) * there
        rotation, _ = nearest_rotation(np.einsum("nmi,mj->nij", rays, arms))
        turned = np.einsum("nij,mj->nmi", rotation, arms) * there
        off = rays - turned
        cross = _cross(turned)
        own = np.einsum("nmki,nmkj->nij", cross, cross)
        wide = np.broadcast_to(rotation[:, None], cross.shape)
        still = np.broadcast_to(-np.eye(3), cross.shape)
        slope = np.concatenate([wide, still], axis=-1) * there[..., None]
        mixed = np.einsum("nmki,nmkj->nij", slope, cross)
        both = np.einsum("nmki,nmkj->ij", slope, slope, optimize=True)
        normal = both - np.einsum("nij,nkj->ik", mixed, np.linalg.solve(own, mixed.mT).mT)
        scores = np.einsum("nmki,nmk->ni", slope, off)
        step = np.linalg.solve(normal, -scores.sum(axis=0))
        tip, fixed = tip + step[:3], fixed + step[3:]
        if np.abs(step).max() < _SETTLED_MM:
            break
    summed = np.zeros((int(batches[-1]) + 1, 6))
    np.add.at(summed, batches, scores)
    spread = summed.T @ summed * len(summed) / max(len(summed) - 2, 1)
    inverse = np.linalg.inv(normal)
    freedom = 3 * there.sum() - 3 * len(seen) - 6
    return Pivot(
        tip,
        fixed,
        (inverse @ spread @ inverse)[:3, :3],
        float(np.sqrt((off**2).sum() / max(freedom, 1))),
    )
