"""The newest frame, for the eye."""

from __future__ import annotations

from dataclasses import dataclass

from livefit.frames import FloatArray


@dataclass(frozen=True)
class Moment:
    """The newest frame, quick and rough, for the eye.

    Attributes
    ----------
    frame, t
        Its number and time stamp (s).
    positions
        (markers, 3) mm in bike axes; NaN = missing, or the bicycle is not found.
    crank
        rad, right crank; NaN = not known.
    """

    frame: int
    t: float
    positions: FloatArray
    crank: float
