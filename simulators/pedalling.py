"""The crank over time: a phase known in closed form, which rises while the rider pedals."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from livefit.frames import FloatArray
from simulators.chance import table
from simulators.schedule import Schedule

_WANDER_STROKES = (7.3, 17.9, 41.7)
"""Periods of the slow change of cadence, in strokes."""
_WANDER_STREAM = 1
_NEWTON_STEPS = 12
_BRACKET_S = 0.01
_HALVINGS = 44
_TIMES_A_CHANGE = 101


@dataclass(frozen=True)
class Pedalling:
    """The right crank's phase: the asked cadence, its slow wander, and its rhythm in the stroke.

    The commanded turn is the integral of the asked cadence; the phase is a strictly rising
    function of it. So the crank stands still when the cadence is zero and retraces its way when
    it turns back.

    Attributes
    ----------
    cadence_rpm
        The asked cadence.
    start
        Phase at t = 0, rad.
    speed_variation, wander
        As in the rider's style.
    seed
        For the wander.
    """

    cadence_rpm: Schedule
    start: float
    speed_variation: float
    wander: float
    seed: int

    @cached_property
    def _lags(self) -> FloatArray:
        shares = table(self.seed, _WANDER_STREAM, 0, 1, len(_WANDER_STROKES), uniform=True)[0]
        lags: FloatArray = 2 * np.pi * shares
        return lags

    @cached_property
    def _offset(self) -> float:
        return float(self._turn_at(np.array([self.start]))[0])

    def turned(self, t: FloatArray) -> FloatArray:
        """Commanded turn (n,) rad since t = 0: the asked cadence, integrated."""
        return self.cadence_rpm.integral(t) * (2 * np.pi / 60)

    def phase(self, t: FloatArray) -> FloatArray:
        """Phase (n,) rad of the right crank at times t (n,) s, never wrapped; 0 is the top."""
        return self._phase_of(self.turned(t) + self._offset)[0]

    def speed(self, t: FloatArray) -> FloatArray:
        """Angular speed (n,) rad/s at times t (n,) s."""
        rate = self.cadence_rpm.at(t) * (2 * np.pi / 60)
        speed: FloatArray = self._phase_of(self.turned(t) + self._offset)[1] * rate
        return speed

    def _phase_of(self, turn: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Phase at a commanded turn, and its derivative by the turn."""
        wandered, slope = turn, np.ones_like(turn)
        size = self.wander * np.sqrt(2 / len(_WANDER_STROKES))
        for period, lag in zip(_WANDER_STROKES, self._lags, strict=True):
            wandered = wandered + size * period * np.sin(turn / period + lag)
            slope = slope + size * np.cos(turn / period + lag)
        half = self.speed_variation / 2
        phase = wandered - half * np.sin(2 * wandered)
        return phase, slope * (1 - 2 * half * np.cos(2 * wandered))

    def _turn_at(self, phase: FloatArray) -> FloatArray:
        """Commanded turn (n,) at which the phase is reached: Newton on a rising function."""
        turn = phase.copy()
        for _ in range(_NEWTON_STEPS):
            reached, slope = self._phase_of(turn)
            turn -= (reached - phase) / slope
        return turn

    def crossings(self, level: float, t0: float, t1: float) -> FloatArray:
        """Times (k,) s in (t0, t1] at which the phase first reaches level + a whole turn.

        A level reached again after the crank was turned back is no new crossing. The times are
        roots of the closed form, found by bisection to the last digit.
        """
        if not t1 > t0:
            return np.empty(0)
        grid = np.linspace(t0, t1, int(np.ceil((t1 - t0) / _BRACKET_S)) + 1)
        reached = np.concatenate([self.phase(self._turning_times(t0)), self.phase(grid)])
        furthest = np.maximum.accumulate(reached)[-len(grid) :]
        turns = np.floor((furthest - level) / (2 * np.pi))
        passed = np.flatnonzero(np.diff(turns) > 0)
        return self.times_of(level + 2 * np.pi * turns[passed + 1], grid[passed], grid[passed + 1])

    def _turning_times(self, end: float) -> FloatArray:
        """Times (k,) s up to `end` among which the phase was furthest.

        Between changes the cadence is constant, so the phase can only turn back within one.
        """
        during = [
            np.linspace(c.at_s, c.at_s + c.over_s, _TIMES_A_CHANGE)
            for c in self.cadence_rpm.changes
        ]
        times: FloatArray = np.minimum(np.concatenate([np.array([0.0, end]), *during]), end)
        return times

    def times_of(self, phases: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
        """Times (k,) s at which each phase is reached, each between its low and its high time."""
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            before = self.phase(middle) < phases
            low = np.where(before, middle, low)
            high = np.where(before, high, middle)
        times: FloatArray = (low + high) / 2
        return times
