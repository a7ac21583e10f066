"""A pointer's calibration as its frames come in."""

from __future__ import annotations

from datetime import date

import numpy as np

from livefit.bicycle.pointer import Calibration, CalibrationError, calibrate
from livefit.definitions.bicycle import Pointer
from livefit.frames import FloatArray

TURN_S = 15.0
"""How long a pointer is turned about its tip."""


class Turning:
    """Gathers the frames in which the pointer is turned about its tip.

    Parameters
    ----------
    pointer
        Its definition.
    seconds
        For how long.
    """

    def __init__(self, pointer: Pointer, seconds: float = TURN_S) -> None:
        self._pointer = pointer
        self._seconds = seconds
        self._t: list[FloatArray] = []
        self._seen: list[FloatArray] = []

    @property
    def left_s(self) -> float:
        """How much longer."""
        if not self._t:
            return self._seconds
        return max(self._seconds - float(self._t[-1][-1] - self._t[0][0]), 0.0)

    def take(self, t: FloatArray, seen: FloatArray) -> None:
        """Take frames; t (n,) s and markers (n, m, 3) mm."""
        if len(t):
            self._t.append(t)
            self._seen.append(seen)

    def finish(self, today: date) -> Calibration | str:
        """The calibration, or in words why there is none and what to do."""
        positions = self._pointer.positions_mm
        nominal = np.array([positions[name] for name in self._pointer.markers if positions])
        if not self._t:
            return "expected frames of the pointer, found none. Start the capture system."
        try:
            return calibrate(
                self._pointer.markers,
                np.concatenate(self._seen),
                np.concatenate(self._t),
                day=today,
                nominal=nominal if positions else None,
            )
        except CalibrationError as error:
            return str(error)
