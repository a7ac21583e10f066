"""A pointer's calibration as its frames come in."""

from __future__ import annotations

from datetime import date

import numpy as np

from livefit.bicycle.pointer import Calibration, CalibrationError, calibrate
from livefit.definitions.bicycle import Pointer
from livefit.frames import FloatArray

TURN_S = 15.0
"""How long a pointer is turned about its tip."""
TRY_S = 2.0
"""A calibration is tried this often until one is good."""


class Turning:
    """Keeps the last frames of a pointer that is being turned about its tip.

    What was before the tip found its hollow falls out of them in time, so nobody has to be quick.

    Parameters
    ----------
    pointer
        Its definition.
    seconds
        How much is needed; inf keeps all.
    """

    def __init__(self, pointer: Pointer, seconds: float = TURN_S) -> None:
        self._pointer = pointer
        self._seconds = seconds
        self._t: list[FloatArray] = []
        self._seen: list[FloatArray] = []
        self._tried = -np.inf

    @property
    def left_s(self) -> float:
        """How much longer until there is enough to try with."""
        if not self._t:
            return self._seconds
        return max(self._seconds - float(self._t[-1][-1] - self._t[0][0]), 0.0)

    @property
    def due(self) -> bool:
        """Whether to try again: there is enough, and part of it is new."""
        return bool(self._t) and self.left_s <= 0 and self._t[-1][-1] - self._tried >= TRY_S

    def take(self, t: FloatArray, seen: FloatArray) -> None:
        """Take frames; t (n,) s and markers (n, m, 3) mm."""
        if not len(t):
            return
        self._t.append(t)
        self._seen.append(seen)
        while len(self._t) > 1 and t[-1] - self._t[1][0] >= self._seconds:
            del self._t[0], self._seen[0]

    def finish(self, today: date) -> Calibration | str:
        """The calibration, or in words why there is none and what to do."""
        positions = self._pointer.positions_mm
        nominal = np.array([positions[name] for name in self._pointer.markers if positions])
        if not self._t:
            return "expected frames of the pointer, found none. Start the capture system."
        self._tried = float(self._t[-1][-1])
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
