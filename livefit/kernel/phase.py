"""The crank angle of every frame, unwrapped once, in one place."""

from __future__ import annotations

import numpy as np

from livefit.frames import FloatArray
from livefit.kernel.crank import BikeFrame

TURN = 2 * np.pi


def wrapped(angle: FloatArray) -> FloatArray:
    """Angle (rad) brought into (-pi, pi]."""
    within: FloatArray = np.pi - np.mod(np.pi - angle, TURN)
    return within


def feet_phase(bike: BikeFrame, arms: FloatArray) -> FloatArray:
    """Right crank's angle (n,) within +-pi from the feet that are seen; NaN where none is.

    Parameters
    ----------
    arms
        (3, s, n) mm from :meth:`BikeFrame.arms`.

    Notes
    -----
    Where both feet are seen the phase is half-way between their opinions; where one is, its
    usual distance from the middle is allowed for, so that a foot lost makes no step.
    """
    angles: dict[str, FloatArray] = dict(
        zip(bike.cranks, np.arctan2(arms[0], arms[1]), strict=True)
    )
    if "L" not in angles:
        return angles["R"]
    left = angles["L"] + np.pi
    if "R" not in angles:
        return wrapped(left)
    right = angles["R"]
    lead = wrapped(left - right)
    both = right + 0.5 * lead
    if np.isfinite(both).all():
        return wrapped(both)
    alone = np.where(np.isfinite(right), right + 0.5 * bike.apart, left - 0.5 * bike.apart)
    return wrapped(np.where(np.isfinite(both), both, alone))


def mean_angle(angle: FloatArray) -> float:
    """Circular mean, rad; NaN values are left out (0 if there is none)."""
    known = angle[np.isfinite(angle)]
    if not len(known):
        return 0.0
    return float(np.arctan2(np.sin(known).mean(), np.cos(known).mean()))


class Unwrapper:
    """Turns angles within +-pi into a phase that goes on rising, block after block.

    Whole turns are counted as integers, so that no rounding grows with time and any cutting
    into blocks gives the same phase.

    >>> unwrapper = Unwrapper()
    >>> angle = wrapped(np.radians([350.0, 10.0, 20.0]))
    >>> np.degrees(unwrapper.extend(angle)).round(6)
    array([-10.,  10.,  20.])
    """

    def __init__(self) -> None:
        self._last: float | None = None
        self._turns = 0

    def extend(self, angle: FloatArray) -> FloatArray:
        """Phase (n,) rad of the next angles (n,); NaN stays NaN."""
        known = np.isfinite(angle)
        if known.all():
            return self._extend(angle)
        phase = np.full(len(angle), np.nan)
        phase[known] = self._extend(angle[known])
        return phase

    def _extend(self, angle: FloatArray) -> FloatArray:
        """Phase (n,) of angles that are all known."""
        if not len(angle):
            return angle
        step = np.empty(len(angle))
        step[0] = 0.0 if self._last is None else angle[0] - self._last
        np.subtract(angle[1:], angle[:-1], out=step[1:])
        turns = self._turns - np.add.accumulate(np.rint(step / TURN))
        self._last, self._turns = float(angle[-1]), int(turns[-1])
        phase: FloatArray = angle + TURN * turns
        return phase

    def skip(self, turns: int) -> None:
        """Count on with so many whole turns more."""
        self._turns += turns

    def restart(self, first_angle: float, near: float) -> None:
        """Count on so that `first_angle` comes to lie within half a turn of `near` (rad)."""
        self._last = first_angle
        self._turns = int(np.round((near - first_angle) / TURN))
