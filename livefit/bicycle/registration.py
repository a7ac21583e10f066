"""A measured bicycle found again after it was moved: from the same points, touched or marked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from livefit.bicycle.axes import Axes
from livefit.bicycle.rigid import register
from livefit.bicycle.touching import Touch
from livefit.frames import FloatArray

LEAST_POINTS = 3
MOST_RESIDUAL_MM = 1.5
"""Three careful touches disagree by less; more means a wrong point, or one that moved by itself."""
LEAST_ACROSS_MM = 60.0
"""RMS distance of the points from one line, below which the turn about that line is open."""


class RegistrationError(ValueError):
    """A bicycle that cannot be brought back into place; the text says why and what to do."""


@dataclass(frozen=True)
class Placement:
    """Where a rigid thing went.

    Attributes
    ----------
    rotation, shift
        (3, 3) and (3,) mm: a place before -> ``rotation @ place + shift`` now, capture axes.
    centre
        (3,) mm: the middle of the points now.
    covariance
        (6, 6): of a small turn (rad) about the centre, then of a shift (mm).
    residual
        Standard deviation of a point's coordinate about its place, mm; 0 where nothing is left
        over to judge by.
    off
        By point, how far it lies from where the others say, mm.
    """

    rotation: FloatArray
    shift: FloatArray
    centre: FloatArray
    covariance: FloatArray
    residual: float
    off: Mapping[str, float]

    def place(self, points: FloatArray) -> FloatArray:
        """Places before (..., 3) mm -> places now."""
        placed: FloatArray = points @ self.rotation.T + self.shift
        return placed

    def move_axes(self, axes: Axes) -> Axes:
        """The bicycle's axes now."""
        return Axes(axes.rotation @ self.rotation.T, self.place(axes.origin))

    def move_touch(self, touch: Touch) -> Touch:
        """A touch of before as it would be had the point been touched where it is now."""
        turned = self.rotation
        return replace(
            touch,
            point=self.place(touch.point),
            covariance=turned @ touch.covariance @ turned.T,
            turn=turned @ touch.turn,
        )

    def after(self, earlier: Placement) -> Placement:
        """Where it went by an earlier placement and then this one, as unsure as both together."""
        turned = np.zeros((6, 6))
        turned[:3, :3] = self.rotation
        before = self.rotation.T @ (self.centre - self.shift)
        turned[3:] = self.rotation @ earlier.slopes(before[None])[0]
        return replace(
            self,
            rotation=self.rotation @ earlier.rotation,
            shift=self.place(earlier.shift),
            covariance=self.covariance + turned @ earlier.covariance @ turned.T,
        )

    def slopes(self, points: FloatArray) -> FloatArray:
        """(n, 3, 6): change of places (n, 3) now with the turn and the shift."""
        return _slopes(points - self.centre)


def _slopes(arms: FloatArray) -> FloatArray:
    slopes = np.zeros((len(arms), 3, 6))
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        slopes[:, i, j], slopes[:, i, k] = arms[:, k], -arms[:, j]
    slopes[:, :, 3:] = np.eye(3)
    return slopes


def find_placement(
    before: Mapping[str, FloatArray],
    now: Mapping[str, FloatArray],
    covariance: Mapping[str, FloatArray] | None = None,
) -> Placement:
    """Least-squares rigid motion (Kabsch 1976) from points before to the same points now.

    Parameters
    ----------
    before, now
        Name -> (3,) mm in capture axes; those in both count.
    covariance
        By point, of its errors before and now together, (3, 3) mm2; None: unknown, the
        residual stands in.

    Raises
    ------
    RegistrationError
        Fewer than three common points, all near one line, or too large a residual.
    """
    names = [name for name in before if name in now]
    if len(names) < LEAST_POINTS:
        raise RegistrationError(
            f"expected {LEAST_POINTS} points or more that were measured before, found "
            f"{', '.join(names) or 'none'}. Touch points of the first list, wide apart."
        )
    old = np.stack([before[name] for name in names])
    new = np.stack([now[name] for name in names])
    spread = np.linalg.svd(old - old.mean(axis=0), compute_uv=False)
    if spread[1] < LEAST_ACROSS_MM * np.sqrt(len(names)):
        raise RegistrationError(
            f"expected points spread over the bicycle, found {', '.join(names)} near one line. "
            "Touch one far from the line through the others."
        )
    pose = register(old, new[None])
    off = pose.off[0]
    freedom = 3 * len(names) - 6
    residual = float(np.sqrt((off**2).sum() / freedom))
    away = dict(zip(names, np.linalg.norm(off, axis=1).tolist(), strict=True))
    if not residual <= MOST_RESIDUAL_MM:
        worst = max(away, key=lambda name: away[name])
        raise RegistrationError(
            f"expected the points to lie as they did, within {MOST_RESIDUAL_MM:g} mm, found a "
            f"residual of {residual:.1f} mm, the most at {worst} ({away[worst]:.1f} mm). Touch "
            "them again; if something was adjusted or bent, measure the whole bicycle anew."
        )
    slopes = _slopes(new - off - (new - off).mean(axis=0))
    inverse = np.linalg.inv(np.einsum("nij,nik->jk", slopes, slopes))
    alike = residual**2 * np.eye(3)
    each = np.stack([alike if covariance is None else covariance[name] for name in names])
    scatter = np.einsum("nij,nil,nlk->jk", slopes, each, slopes, optimize=True)
    return Placement(
        pose.rotation[0],
        pose.origin[0],
        (new - off).mean(axis=0),
        inverse @ scatter @ inverse,
        residual,
        away,
    )
