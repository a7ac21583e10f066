"""A held-still touch, found in the stream of the pointer's tip."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from livefit.frames import FloatArray

_LEAST_FRAMES = 12
_NEWEST = 5
"""Frames whose median says where the tip is now."""
_ARRIVING = 8
"""The first such share of the still time may hold the last of the way there; it is left out."""
_PARTS = 4
"""Of the still time, compared one with the next."""
_STEPS = 20
"""A window is looked at this often as it moves on by its own length."""


@dataclass(frozen=True)
class TouchLimits:
    """What counts as held still.

    Attributes
    ----------
    hold_s
        How long the tip must be still.
    speed_mm_s
        Fastest drift from one quarter of that time to the next, beyond what noise makes likely.
    spread_mm
        Largest standard deviation along the worst axis.
    seen
        Least share of the frames in which the pointer was seen.
    settle_s
        After this long at rest the tip counts as set down; if it then creeps on to rest elsewhere
        nearby, it slipped.
    slip_mm
        Smallest shift called a slip.
    leave_mm
        Farther than this from where it was set down, the tip has left.
    """

    hold_s: float = 1.0
    speed_mm_s: float = 4.0
    spread_mm: float = 4.0
    seen: float = 0.6
    settle_s: float = 0.4
    slip_mm: float = 1.5
    leave_mm: float = 40.0


@dataclass(frozen=True)
class Touch:
    """A point touched.

    Attributes
    ----------
    point
        (3,) mm in capture axes: the mean of the still frames.
    covariance
        (3, 3) mm2 of that mean, allowing for neighbouring frames being alike.
    turn
        (3, 3): mean of the pointer's rotations, by which an error of its tip enters.
    spread_mm
        Standard deviation of the still frames along the worst axis.
    frames, t
        How many there were, and the stamp of the last, s.
    slipped_mm
        How far from its first resting place the tip came to rest; 0 = it stayed.
    """

    point: FloatArray
    covariance: FloatArray
    turn: FloatArray
    spread_mm: float
    frames: int
    t: float
    slipped_mm: float = 0.0


def mean_covariance(values: FloatArray) -> FloatArray:
    """Covariance (k, k) of the mean of values (n, k) in a row, which may resemble neighbours.

    The variance of each component is widened by its integrated autocorrelation time, summed over
    pairs of lags while they stay positive (Geyer CJ 1992, Stat Sci 7:473-483).
    """
    n = len(values)
    off = values - values.mean(axis=0)
    covariance = off.T @ off / (n - 1)
    if n < 2 * _LEAST_FRAMES:
        return np.asarray(covariance / n)
    padded = np.fft.rfft(off, 2 * n, axis=0)
    lagged = np.fft.irfft(np.abs(padded) ** 2, axis=0)[: n // 2]
    lagged /= np.maximum(lagged[0], 1e-300)
    pairs = lagged[: 2 * (len(lagged) // 2)].reshape(-1, 2, values.shape[1]).sum(axis=1)
    positive = np.logical_and.accumulate(pairs > 0, axis=0)
    time = np.maximum(2 * (pairs * positive).sum(axis=0) - 1, 1.0)
    wider = np.sqrt(time)
    return np.asarray(covariance * np.outer(wider, wider) / n)


class TouchDetector:
    """Watches the tip and says when it has been held still.

    One touch is told for each time the tip is set down; before the next it must leave. What is
    told does not depend on how the frames are cut into blocks.
    """

    def __init__(self, rate_hz: float, limits: TouchLimits | None = None) -> None:
        self._limits = TouchLimits() if limits is None else limits
        self._hold = max(round(self._limits.hold_s * rate_hz), _LEAST_FRAMES)
        self._settle = max(round(self._limits.settle_s * rate_hz), _LEAST_FRAMES)
        self._step = max(self._hold // _STEPS, 1)
        self._t = np.empty(0)
        self._tips = np.empty((0, 3))
        self._turns = np.empty((0, 3, 3))
        self._ahead = self._settle
        """Frames still to come before the next look."""
        self._set_down: FloatArray | None = None
        self._told = False

    @property
    def state(self) -> Literal["away", "set down", "told"]:
        """Whether the tip rests somewhere, and whether that touch has been told already."""
        if self._set_down is None:
            return "away"
        return "told" if self._told else "set down"

    def push(self, t: FloatArray, tips: FloatArray, turns: FloatArray) -> list[Touch]:
        """Take frames, return the touches that became complete.

        Parameters
        ----------
        t
            (n,) s, rising.
        tips
            (n, 3) mm in capture axes; NaN = the pointer was not seen.
        turns
            (n, 3, 3): the pointer's rotations.
        """
        found, begin = [], 0
        while len(t) - begin >= self._ahead:
            end = begin + self._ahead
            self._keep(t[begin:end], tips[begin:end], turns[begin:end])
            begin, self._ahead = end, self._step
            touch = self._look()
            if touch is not None:
                found.append(touch)
        self._keep(t[begin:], tips[begin:], turns[begin:])
        self._ahead -= len(t) - begin
        return found

    def _keep(self, t: FloatArray, tips: FloatArray, turns: FloatArray) -> None:
        self._t = np.concatenate([self._t, t])[-self._hold :]
        self._tips = np.concatenate([self._tips, tips])[-self._hold :]
        self._turns = np.concatenate([self._turns, turns])[-self._hold :]

    def _look(self) -> Touch | None:
        """Judge the newest frames."""
        if self._set_down is not None and self._away(self._set_down) > self._limits.leave_mm:
            self._set_down, self._told = None, False
        if self._set_down is None and self._still(self._settle):
            self._set_down = np.nanmean(self._tips[-self._settle :], axis=0)
        if self._told or self._set_down is None or not self._still(self._hold):
            return None
        self._told = True
        seen = np.isfinite(self._tips[:, 0])
        seen[: self._hold // _ARRIVING] = False
        tips = self._tips[seen]
        slipped = float(np.linalg.norm(tips.mean(axis=0) - self._set_down))
        unsure = 3 * self._spread(tips) / np.sqrt(self._settle)
        return Touch(
            point=tips.mean(axis=0),
            covariance=mean_covariance(tips),
            turn=self._turns[seen].mean(axis=0),
            spread_mm=self._spread(tips),
            frames=len(tips),
            t=float(self._t[-1]),
            slipped_mm=slipped if slipped > max(self._limits.slip_mm, unsure) else 0.0,
        )

    def _away(self, place: FloatArray) -> float:
        """How far the tip is from a place now, mm; 0 = it is not seen."""
        newest = self._tips[-max(self._step, _NEWEST) :]
        newest = newest[np.isfinite(newest[:, 0])]
        return float(np.linalg.norm(np.median(newest, axis=0) - place)) if len(newest) else 0.0

    @staticmethod
    def _spread(tips: FloatArray) -> float:
        return float(np.sqrt(np.linalg.eigvalsh(np.cov(tips.T))[-1]))

    def _still(self, frames: int) -> bool:
        """Whether the last so many frames are of a tip at rest."""
        tips, t = self._tips[-frames:], self._t[-frames:]
        seen = np.isfinite(tips[:, 0])
        if len(tips) < frames or seen.sum() < max(self._limits.seen * frames, _LEAST_FRAMES):
            return False
        tips, t = tips[seen], t[seen]
        if self._spread(tips) > self._limits.spread_mm:
            return False
        parts = [(part.mean(axis=0), len(part)) for part in np.array_split(tips, _PARTS)]
        steps = [np.linalg.norm(b - a) for (a, _), (b, _) in pairwise(parts)]
        noise = np.sqrt((np.diff(tips, axis=0) ** 2).sum(axis=1).mean() / 2)
        unsure = 3 * noise * np.sqrt(2 / min(count for _, count in parts))
        return bool(max(steps) <= self._limits.speed_mm_s * (t[-1] - t[0]) / _PARTS + unsure)
