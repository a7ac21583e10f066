"""The crank angle of every frame in hand, from the feet or a crank sensor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite

import numpy as np

from livefit.frames import FloatArray
from livefit.kernel.buffer import FrameBuffer
from livefit.kernel.crank import BikeFrame
from livefit.kernel.phase import TURN, Unwrapper, feet_phase, mean_angle, wrapped

_SENSOR_ZERO_S = 2.0
_SPEED_S = 1.0
_PACE_ROWS = 20
_FORWARD_AGAIN = np.radians(90.0)
"""A crank that comes forward so far after a whole turn backwards is pedalled again."""


class CrankFollower:
    """Writes phase and peak of the buffer's rows.

    Parameters
    ----------
    buffer
        The frames.
    feet
        By side: columns of CA, VM (and PED) among the buffer's markers.
    has_sensor
        Whether the stream carries a crank sensor.
    """

    def __init__(
        self, buffer: FrameBuffer, feet: Mapping[str, list[int]], *, has_sensor: bool
    ) -> None:
        self._buffer = buffer
        self._markers = [k for foot in feet.values() for k in foot]
        self._places = foot_places(feet)
        self._has_sensor = has_sensor
        self._sensor_zero = 0.0
        self._unwrapper = Unwrapper()
        self._trough = np.inf

    def angle(self, bike: BikeFrame, arms: FloatArray, sensor: FloatArray | None) -> FloatArray:
        """Right crank's angle (n,) within +-pi: the sensor where there is one, else the feet.

        arms: (3, s, n) mm, of :meth:`BikeFrame.arms`; sensor (n,) rad, NaN = no value;
        None: there is no such sensor.
        """
        by_feet = feet_phase(bike, arms)
        if sensor is None:
            return by_feet
        return np.where(np.isfinite(sensor), wrapped(sensor + self._sensor_zero), by_feet)

    def _angle(self, bike: BikeFrame, rows: slice) -> FloatArray:
        return self.angle(bike, self._arms(bike, rows), self._sensor(rows))

    def _sensor(self, rows: slice) -> FloatArray | None:
        return self._buffer.sensor[rows] if self._has_sensor else None

    def _arms(self, bike: BikeFrame, rows: slice) -> FloatArray:
        columns = self._buffer.columns[rows]
        feet = columns.reshape(len(columns), -1, 3)[:, self._markers]
        return bike.arms(bike.by_axis(feet), self._places)

    def follow(self, bike: BikeFrame, arms: FloatArray, first: int) -> None:
        """Extend phase and peak to the newest rows, from `first` on, by their arms (3, s, n)."""
        before = float(self._buffer.peak[first - 1]) if first else -np.inf
        rows = slice(first, self._buffer.rows)
        self._write(rows, self.angle(bike, arms, self._sensor(rows)), before)

    def begin(self, bike: BikeFrame, first: int, reached: float) -> float:
        """Give the rows of the search, from `first` on, their crank angle.

        reached: phase (rad) up to which strokes are numbered already, -inf if there is none.
        Returns the phase of the first row that has one.
        """
        rows = slice(first, self._buffer.rows)
        self._set_sensor_zero(bike)
        angle = self._angle(bike, rows)
        known = angle[np.isfinite(angle)]
        near = reached + TURN if np.isfinite(reached) else float(known[0])
        self._unwrapper.restart(float(known[0]), near)
        self._buffer.phase[:first] = np.nan
        self._trough = np.inf
        phase = self._write(rows, angle, -np.inf)
        self._buffer.peak[:first] = -np.inf
        return float(phase[np.isfinite(phase)][0])

    def readjust(self, bike: BikeFrame, oldest: int) -> bool:
        """Give the rows from `oldest` on the angle of a refined crank; False if none has one."""
        known = oldest + np.flatnonzero(np.isfinite(self._buffer.phase[oldest:]))
        if not len(known):
            return False
        first = int(known[0])
        rows = slice(first, self._buffer.rows)
        old, old_peak = self._buffer.phase[rows], float(self._buffer.peak[first])
        self._set_sensor_zero(bike)
        angle = self._angle(bike, rows)
        phase = _in_turn(angle, old)
        self._buffer.peak[rows] = _peak(phase, old_peak if old_peak > old[0] else -np.inf)
        self._buffer.phase[rows] = phase
        self._buffer.peak[:first] = -np.inf
        last = int(np.flatnonzero(np.isfinite(phase))[-1])
        self._unwrapper.restart(float(angle[last]), float(phase[last]))
        return True

    def _write(self, rows: slice, angle: FloatArray, peak_before: float) -> FloatArray:
        phase = self._unwrapper.extend(angle)
        peak = _peak(phase, peak_before)
        if (peak - phase >= TURN).any():
            self._forgive_turns_back(angle, phase, peak_before)
            peak = _peak(phase, peak_before)
        else:
            self._trough = np.inf
        self._buffer.phase[rows] = phase
        self._buffer.peak[rows] = peak
        return phase

    def _forgive_turns_back(self, angle: FloatArray, phase: FloatArray, peak_before: float) -> None:
        """Let a crank that turns forward again do so within a turn of its farthest, in place.

        The whole turns that it went backwards would else have to be pedalled twice before any
        stroke counts.
        """
        peak = _peak(phase, peak_before)
        behind = np.concatenate([[False], peak - phase >= TURN, [False]])
        trough, self._trough = self._trough, np.inf
        for first, stop in np.flatnonzero(np.diff(behind)).reshape(-1, 2).tolist():
            before = trough if first == 0 else np.inf
            lowest = np.minimum.accumulate(np.concatenate([[before], phase[first:stop]]))[1:]
            forward = first + np.flatnonzero(phase[first:stop] - lowest >= _FORWARD_AGAIN)
            if len(forward):
                row = int(forward[0])
                turns = int((peak[row] - phase[row]) / TURN)
                phase[row:] = _in_turn(angle[row:], phase[row:] + TURN * turns)
                self._unwrapper.skip(turns)
                self._forgive_turns_back(angle[row:], phase[row:], float(peak[row]))
                return
            if stop == len(phase):
                self._trough = float(lowest[-1])

    def _set_sensor_zero(self, bike: BikeFrame) -> None:
        """Turn the sensor's zero to the feet's, over the last two seconds."""
        if not self._has_sensor:
            return
        x = self._buffer.x
        rows = slice(int(np.searchsorted(x, x[-1] - _SENSOR_ZERO_S)), self._buffer.rows)
        by_feet = feet_phase(bike, self._arms(bike, rows))
        self._sensor_zero = mean_angle(by_feet - self._buffer.sensor[rows])

    def turns_back(self) -> float:
        """How many turns the crank stands behind where it was farthest."""
        phase, peak = self._buffer.phase, self._buffer.peak
        if not len(phase) or not np.isfinite(phase[-1]) or not np.isfinite(peak[-1]):
            return 0.0
        return float((peak[-1] - phase[-1]) / TURN)

    def pace(self) -> float | None:
        """Crank angle (rad) a frame over the newest frames, None while it is not known."""
        rows = min(self._buffer.rows, _PACE_ROWS)
        if rows < 2:
            return None
        peak, numbers = self._buffer.peak[-rows:].tolist(), self._buffer.numbers[-rows:].tolist()
        if not isfinite(peak[0]):
            return None
        return float((peak[-1] - peak[0]) / (numbers[-1] - numbers[0]))

    def speed_rpm(self) -> float | None:
        """Cadence over the last second, None while it is not known."""
        x = self._buffer.x
        if len(x) < 2:
            return None
        rows = slice(int(x.searchsorted(x[-1] - _SPEED_S)), None)
        phase, t = self._buffer.phase[rows], self._buffer.t[rows]
        known = np.isfinite(phase)
        if not known.all():
            phase, t = phase[known], t[known]
        if len(t) < 2 or t[-1] - t[0] < 0.5 * _SPEED_S:
            return None
        if (np.abs(phase[1:] - phase[:-1]) >= np.pi).any():
            phase = np.unwrap(phase)
        return float((phase[-1] - phase[0]) / TURN * 60 / (t[-1] - t[0]))


def _in_turn(angle: FloatArray, near: FloatArray) -> FloatArray:
    """Angles (n,) within +-pi put into the turns of phases nearby, by whole turns to the bit."""
    phase: FloatArray = angle + TURN * np.rint((near - angle) / TURN)
    return phase


def _peak(phase: FloatArray, before: float) -> FloatArray:
    """Largest phase (n,) so far, the largest one before among them."""
    peak: FloatArray = np.fmax(np.fmax.accumulate(phase), before)
    return peak


def foot_columns(labels: Sequence[str]) -> dict[str, list[int]]:
    """Columns of CA, VM (and PED) of each side that has both foot markers."""
    columns = {}
    for side in ("L", "R"):
        names = [f"{side}_CA", f"{side}_VM"]
        if all(name in labels for name in names):
            pedal = [f"{side}_PED"] if f"{side}_PED" in labels else []
            columns[side] = [labels.index(name) for name in [*names, *pedal]]
    return columns


def foot_places(feet: Mapping[str, list[int]]) -> dict[str, slice]:
    """Where each side's foot markers stand when all foot markers are listed side after side."""
    places, first = {}, 0
    for side, markers in feet.items():
        places[side] = slice(first, first + len(markers))
        first += len(markers)
    return places
