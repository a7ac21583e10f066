"""The quick number: a local quintic over the frames about one crank angle.

Over 43 degrees of crank on each side the crank angle and every marker are regressed on powers of
time, and the markers evaluated where the crank passes the wanted angle: ready 80 ms after the event
at 90 rpm, while the regression over a revolution (:mod:`livefit.kernel.regression`) is ready half
a revolution after it.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from livefit.frames import FloatArray
from livefit.kernel.regression import (
    FRAMES_PER_COLUMN,
    MOST_LEVERAGE,
    Window,
    refit_incomplete,
)

DEGREE = 5
_POWERS = np.arange(DEGREE + 1)
_NEWTON_STEPS = 3
_FARTHEST = 1.5
"""In half windows: no step of the search for the instant leads farther off."""


@dataclass(frozen=True)
class Instant:
    """Device time (s) and the regressed columns (c,) when the crank passes an angle; NaN = none."""

    t: float
    positions: FloatArray


def fit_local(
    x: FloatArray,
    t: FloatArray,
    phase: FloatArray,
    columns: FloatArray,
    window: Window,
    wanted: float,
) -> Instant:
    """Regress the frames of a window and evaluate them where the crank passes an angle.

    Parameters
    ----------
    x, t, phase, columns
        As in :func:`livefit.kernel.regression.fit_windows`.
    window
        Where the frames are.
    wanted
        Crank angle, rad.
    """
    nothing = Instant(float("nan"), np.full(columns.shape[1], np.nan))
    rows = slice(window.start, window.stop)
    if window.frames <= len(_POWERS):
        return nothing
    design: FloatArray = ((x[rows] - window.centre) / window.half) ** _POWERS[:, None]
    with suppress(np.linalg.LinAlgError):
        at = _instant(design, phase[rows] - wanted)
        if not abs(at) < 1.0:
            return nothing
        there = np.asarray(at**_POWERS, dtype=np.float64)
        weights = np.linalg.solve(design @ design.T, there) @ design
        if not weights @ weights < MOST_LEVERAGE:
            return nothing
        values = columns[rows]
        positions: FloatArray = weights @ values
        if np.isnan(positions).any():
            refit_incomplete(positions[None], values, design, there[:, None])
        return Instant(float(weights @ t[rows]), positions)
    return nothing


def _instant(design: FloatArray, ahead: FloatArray) -> float:
    """Where in the window, -1 to 1, the crank is no longer behind (rad); NaN where it is unknown.

    By Newton's method on the regressed angle.
    """
    known = np.isfinite(ahead)
    if not known.all():
        design, ahead = design[:, known], ahead[known]
    if len(ahead) < FRAMES_PER_COLUMN * len(_POWERS):
        return float("nan")
    coefficients = np.linalg.solve(design @ design.T, design @ ahead).tolist()[::-1]
    u = 0.0
    for _ in range(_NEWTON_STEPS):
        value = slope = 0.0
        for coefficient in coefficients:
            slope = slope * u + value
            value = value * u + coefficient
        if not slope > 0:
            return float("nan")
        u = min(max(u - value / slope, -_FARTHEST), _FARTHEST)
    return u
