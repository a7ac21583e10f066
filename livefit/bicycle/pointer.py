"""A pointer's calibration: its markers' shape and its tip, or why there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from scipy.spatial.transform import Rotation

from livefit.bicycle.pivot import fit_pivot, pivot_closed_form
from livefit.bicycle.rigid import Poses, learn_shape, marker_noise, register, seen_markers
from livefit.frames import FloatArray

LEAST_S = 5.0
LEAST_FRAMES = 200
LEAST_TURN_DEG = 8.0
"""Standard deviation of the turning about the second-most turned axis: 20 deg to either side
and a full cone give 14."""
MOST_TIP_SE_MM = 0.3
MOST_MARKER_SHIFT_MM = 0.5
MOST_NOMINAL_SHIFT_MM = 3.0
"""Markers are stuck on by hand; beyond this the definition is of another pointer."""
MOST_TIP_SHIFT_MM = 0.6
MOST_EXCESS = 1.3
"""Residual with the tip held to its point over that of the free body."""
_PIECES = 5
"""Parts of the time that must tell the same shape and the same point."""


class CalibrationError(ValueError):
    """A calibration that must not be used; the text says why and what to do."""


@dataclass(frozen=True)
class Calibration:
    """A pointer that was turned about a fixed point.

    Attributes
    ----------
    markers
        Labels in the order of `shape`.
    shape
        (m, 3) mm: the markers in the pointer's own axes.
    tip
        (3,) mm in the same axes.
    covariance
        (3, 3) mm2 of the tip.
    residual
        Standard deviation of a marker's coordinate with the tip held to its point, mm.
    noise
        The same of the free body, mm.
    turned_deg
        (3,): standard deviation of the turning about its own three main axes, largest first.
    seconds
        How long it was turned.
    day
        When.
    """

    markers: tuple[str, ...]
    shape: FloatArray
    tip: FloatArray
    covariance: FloatArray
    residual: float
    noise: float
    turned_deg: FloatArray
    seconds: float
    day: date

    @property
    def tip_se(self) -> float:
        """Standard error of the tip along the worst direction, mm."""
        return float(np.sqrt(np.linalg.eigvalsh(self.covariance)[-1]))

    def is_old(self, today: date, limit_days: float) -> bool:
        """Whether it is older than the limit, or of a day to come."""
        return not 0 <= (today - self.day).days <= limit_days

    def poses(self, seen: FloatArray) -> Poses:
        """The pointer in frames (n, m, 3) mm; a frame with too few markers is NaN."""
        return register(self.shape, seen)

    def tips(self, seen: FloatArray) -> FloatArray:
        """The tip (n, 3) mm in frames (n, m, 3) mm."""
        return self.poses(seen).place(self.tip)


def calibrate(
    markers: Sequence[str],
    seen: FloatArray,
    t: FloatArray,
    *,
    day: date,
    nominal: FloatArray | None = None,
) -> Calibration:
    """Find the tip of a pointer that was turned about a fixed point.

    Parameters
    ----------
    markers
        Labels (m).
    seen
        (n, m, 3) mm in capture axes; NaN = not seen.
    t
        (n,) s, rising.
    day
        Of the calibration.
    nominal
        (m, 3) mm: where the markers sit, if that is known.

    Raises
    ------
    CalibrationError
        Too short, too little turned, a marker moved, the point slipped, or the tip too unsure.
    """
    usable = seen_markers(seen).sum(axis=1) >= 3
    if usable.sum() < LEAST_FRAMES or t[usable][-1] - t[usable][0] < LEAST_S:
        raise CalibrationError(
            f"expected {LEAST_S:g} s and {LEAST_FRAMES} frames with three markers or more, found "
            f"{usable.sum()} such frames of {len(seen)}. Turn the pointer for longer, where the "
            "cameras see it."
        )
    try:
        shape = learn_shape(seen[usable], nominal)
    except ValueError as error:
        raise CalibrationError(str(error)) from error
    usable &= np.isfinite(register(shape, seen).origin[:, 0])
    seen, t = seen[usable], t[usable]
    _check_shape(markers, shape, seen, t, nominal)
    poses = register(shape, seen)
    turned = _turned_deg(poses)
    if turned[1] < LEAST_TURN_DEG:
        raise CalibrationError(
            f"expected the pointer to turn about two axes by {LEAST_TURN_DEG:g} deg or more "
            f"(standard deviation), found {turned[0]:.1f} and {turned[1]:.1f} deg. Tilt it "
            "forward, back and to both sides, 30 deg and more, the tip on its point."
        )
    pivot = fit_pivot(shape, seen, t, pivot_closed_form(poses))
    noise = marker_noise(poses)
    _check_point(poses.place(pivot.tip), t, pivot.residual, noise)
    found = Calibration(
        tuple(markers), shape, pivot.tip, pivot.covariance, pivot.residual, noise, turned,
        float(t[-1] - t[0]), day,
    )  # fmt: skip
    if not found.tip_se <= MOST_TIP_SE_MM:
        raise CalibrationError(
            f"expected a tip known to {MOST_TIP_SE_MM} mm, found {found.tip_se:.2f} mm. Turn the "
            "pointer for longer and farther, or set its markers farther apart."
        )
    return found


def _turned_deg(poses: Poses) -> FloatArray:
    """Standard deviation (3,) of the rotations about their mean, by main axes, largest first."""
    rotations = Rotation.from_matrix(poses.rotation)
    vectors = (rotations.mean().inv() * rotations).as_rotvec()
    sizes = np.linalg.eigvalsh(vectors.T @ vectors / len(vectors))
    return np.asarray(np.degrees(np.sqrt(np.maximum(sizes[::-1], 0.0))))


def _pieces(t: FloatArray) -> list[np.ndarray]:
    """Frames of equal shares of the time, those with none left out."""
    piece = np.minimum((t - t[0]) / (t[-1] - t[0]) * _PIECES, _PIECES - 1).astype(int)
    return [frames for k in range(_PIECES) if len(frames := np.flatnonzero(piece == k))]


def _distances(shape: FloatArray) -> FloatArray:
    """Distances (m, m) between markers."""
    distances: FloatArray = np.linalg.norm(shape[:, None] - shape, axis=-1)
    return distances


def _check_shape(
    markers: Sequence[str],
    shape: FloatArray,
    seen: FloatArray,
    t: FloatArray,
    nominal: FloatArray | None,
) -> None:
    """Refuse a body that is not rigid, or not the one that was defined."""
    if nominal is not None:
        change = np.abs(_distances(shape) - _distances(nominal))
        if change.max() > MOST_NOMINAL_SHIFT_MM:
            raise CalibrationError(
                f"expected the markers where the pointer's definition has them, found "
                f"{_worst(markers, change)} {change.max():.1f} mm from there. Check the labels and "
                "positions_mm."
            )
    pieces = [_mean_distances(seen[frames]) for frames in _pieces(t)]
    change = np.nan_to_num(np.nanmax(pieces, axis=0) - np.nanmin(pieces, axis=0))
    if change.max() > MOST_MARKER_SHIFT_MM:
        raise CalibrationError(
            f"expected markers that stay where they are on the pointer, found that "
            f"{_worst(markers, change)} moved by about {change.max():.1f} mm. Fasten it and "
            "calibrate again."
        )


def _mean_distances(seen: FloatArray) -> FloatArray:
    """Distances (m, m) between markers, averaged over the frames that show both."""
    apart = np.linalg.norm(seen[:, :, None] - seen[:, None], axis=-1)
    counts = np.isfinite(apart).sum(axis=0)
    return np.where(counts, np.nansum(apart, axis=0) / np.maximum(counts, 1), np.nan)


def _worst(markers: Sequence[str], change: FloatArray) -> str:
    """The marker whose distances changed most."""
    return markers[int(np.argmax(change.sum(axis=0)))]


def _check_point(tips: FloatArray, t: FloatArray, residual: float, noise: float) -> None:
    """Refuse a tip that did not stay on one point."""
    middle = tips.mean(axis=0)
    allowed = np.array([4 * tips[frames].std() / np.sqrt(len(frames)) for frames in _pieces(t)])
    shifts = [np.linalg.norm(tips[frames].mean(axis=0) - middle) for frames in _pieces(t)]
    shift = float(np.max(shifts - allowed))
    if shift > MOST_TIP_SHIFT_MM or residual > MOST_EXCESS * noise + 0.05:
        raise CalibrationError(
            f"expected the tip to stay on one point, found it up to {max(shifts):.1f} mm off for "
            f"a while (residual {residual:.2f} mm held to the point, {noise:.2f} mm free). Press "
            "the tip into a small hollow and calibrate again."
        )
