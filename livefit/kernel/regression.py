"""Every marker at an exact crank angle, by regression over the frames around it.

A window of frames is regressed on a small basis in time. The crank angle is regressed on the
first columns of the same basis (a crank turns more smoothly than a knee), the instant at which it
passes the wanted angle is solved for, and every marker is evaluated at that instant. No frame is
ever taken for the event, and uneven or missing frames only change the weights.

The basis of one revolution centred near the event: a quadratic trend and up to eight harmonics of
the stroke's own rate. Nearly at the Cramer-Rao bound of a periodic motion, bias about 0.02 degrees,
ready half a revolution after the event. :mod:`livefit.kernel.local` gives a number sooner.

``tests/benchmarks/accuracy.py`` measures both beside the customary methods.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from livefit.frames import FloatArray

HARMONICS = 8
"""Enough for 0.02 degrees at the bottom of the stroke; marker paths of recorded riders fall
below 0.2 mm there."""
PHASE_COLUMNS = 11
"""Trend and four harmonics: the speed of a crank within the stroke."""
TREND_COLUMNS = 3
FRAMES_PER_COLUMN = 1.3
"""The least number of frames for each column; below it harmonics are left out."""
FEWEST_HARMONICS = 3
MOST_LEVERAGE = 1.0
"""A position less certain than one frame's is not given (variance relative to one frame)."""
_NEWTON_STEPS = 3
_PAD = 16
_STACK = 32
"""Windows regressed together: enough to spread the cost of a call, few enough for the cache."""


def harmonics_for(frames: int) -> int:
    """How many harmonics `frames` frames in one revolution bear (0: too few to use)."""
    bearable = int((frames / FRAMES_PER_COLUMN - TREND_COLUMNS) // 2)
    return 0 if bearable < FEWEST_HARMONICS else min(HARMONICS, bearable)


@dataclass(frozen=True)
class Window:
    """Where one regression takes its frames and what it is asked for.

    Attributes
    ----------
    start, stop
        Range of rows in the buffer.
    centre
        Abscissa (s) of the middle of the window.
    half
        Half the window's length, s.
    """

    start: int
    stop: int
    centre: float
    half: float

    @property
    def frames(self) -> int:
        """Number of rows."""
        return self.stop - self.start

    @property
    def harmonics(self) -> int:
        """How many harmonics its frames bear; a marker that misses some is given as many."""
        return harmonics_for(self.frames)


@dataclass(frozen=True)
class Fitted:
    """Positions at the wanted crank angles of a stack of windows.

    Attributes
    ----------
    t
        (e, q) s: device time of each instant; NaN where none was found.
    positions
        (e, q, c) the regressed columns there; NaN where too few frames bear them.
    """

    t: FloatArray
    positions: FloatArray


def fit_windows(
    x: FloatArray,
    t: FloatArray,
    phase: FloatArray,
    columns: FloatArray,
    windows: list[Window],
    wanted: FloatArray,
) -> Fitted:
    """Regress the frames of each window and evaluate them where the crank passes an angle.

    Parameters
    ----------
    x
        (n,) abscissa of every frame, s: true time stamps, or frame number over rate.
    t
        (n,) device time stamps, s.
    phase
        (n,) unwrapped crank angle, rad; NaN = not known in that frame.
    columns
        (n, c) coordinates, mm; NaN = not seen. Each group of three columns is one marker.
    windows
        e windows.
    wanted
        (e, q) crank angles, rad.

    Returns
    -------
    Fitted
        The same numbers for any grouping of windows into calls.
    """
    e, q = wanted.shape
    found = Fitted(np.full((e, q), np.nan), np.full((e, q, columns.shape[1]), np.nan))
    for key, members in _alike(windows).items():
        length, size = key
        for first in range(0, len(members) if size else 0, _STACK):
            chosen = members[first : first + _STACK]
            _fit_alike(x, t, phase, columns, windows, wanted, chosen, length, size, found)
    return found


def _alike(windows: list[Window]) -> dict[tuple[int, int], list[int]]:
    """Group windows by padded length and number of basis columns, so that they stack."""
    groups: dict[tuple[int, int], list[int]] = {}
    for i, window in enumerate(windows):
        size = TREND_COLUMNS + 2 * window.harmonics if window.harmonics else 0
        groups.setdefault((-(-window.frames // _PAD) * _PAD, size), []).append(i)
    return groups


def _fit_alike(
    x: FloatArray,
    t: FloatArray,
    phase: FloatArray,
    columns: FloatArray,
    windows: list[Window],
    wanted: FloatArray,
    members: list[int],
    length: int,
    size: int,
    found: Fitted,
) -> None:
    start = np.array([windows[i].start for i in members])
    count = np.array([windows[i].frames for i in members])
    centre = np.array([windows[i].centre for i in members])
    half = np.array([windows[i].half for i in members])
    rows = start[:, None] + np.arange(length)
    inside = np.arange(length) < count[:, None]
    rows = np.where(inside, rows, start[:, None])
    u = (x[rows] - centre[:, None]) / half[:, None]
    design = _design(u, size)
    design *= inside[:, None]
    gram = design @ design.transpose(0, 2, 1)

    few = min(PHASE_COLUMNS, size)
    angle = phase[rows]
    known = inside & np.isfinite(angle)
    middle = wanted[members].mean(axis=1)
    rest = np.where(known, angle - middle[:, None] - np.pi * u, 0.0)
    phase_gram = gram[:, :few, :few].copy()
    gappy = np.flatnonzero((known != inside).any(axis=1))
    if len(gappy):
        part = design[gappy, :few] * known[gappy, None]
        phase_gram[gappy] = part @ part.transpose(0, 2, 1)
    bearing = known.sum(axis=1) >= FRAMES_PER_COLUMN * few
    if not bearing.all():
        phase_gram[~bearing] = np.eye(few)
    coefficients = _solve(phase_gram, design[:, :few] @ rest[:, :, None]).transpose(0, 2, 1)

    at = _instants(coefficients, wanted[members] - middle[:, None])
    at[~bearing] = np.nan
    at[~(np.abs(at) < 1.0)] = np.nan
    nowhere = np.isnan(at)
    there = _design(np.where(nowhere, 0.0, at), size)
    weights, certain = _weights(design, gram, there)
    positions = np.empty((*at.shape, columns.shape[1]))
    for k, i in enumerate(members):
        values = columns[windows[i].start : windows[i].stop]
        np.matmul(weights[k, :, : len(values)], values, out=positions[k])
    for j in np.flatnonzero(np.isnan(positions[:, 0]).any(axis=1)):
        values = columns[windows[members[j]].start : windows[members[j]].stop]
        refit_incomplete(positions[j], values, design[j, :, : len(values)], there[j])
    positions[~certain | nowhere] = np.nan
    found.positions[members] = positions
    found.t[members] = np.where(nowhere, np.nan, (weights @ t[rows][:, :, None])[:, :, 0])


def _design(u: FloatArray, size: int) -> FloatArray:
    """Basis functions (e, size, k) at u (e, k), which runs from -1 to 1 over the window."""
    design = np.empty((len(u), size, u.shape[1]))
    design[:, 0] = 1.0
    design[:, 1] = u
    design[:, 2] = u * u
    cosine, sine = np.cos(np.pi * u), np.sin(np.pi * u)
    c, s = cosine, sine
    for row in range(TREND_COLUMNS, size, 2):
        design[:, row] = c
        design[:, row + 1] = s
        c, s = c * cosine - s * sine, s * cosine + c * sine
    return design


@lru_cache(maxsize=32)
def _derivative(size: int) -> FloatArray:
    """Matrix (size, size): coefficients times it are those of the derivative, in the same basis."""
    matrix = np.zeros((size, size))
    matrix[1, 0], matrix[2, 1] = 1.0, 2.0
    for row in range(TREND_COLUMNS, size, 2):
        rate = np.pi * (1 + (row - TREND_COLUMNS) // 2)
        matrix[row, row + 1], matrix[row + 1, row] = -rate, rate
    return matrix


def _instants(coefficients: FloatArray, wanted: FloatArray) -> FloatArray:
    """Solve ``pi * u + coefficients . basis(u) = wanted`` by Newton's method -> (e, q).

    coefficients (e, 1, p), wanted (e, q).
    """
    few = coefficients.shape[2]
    both = np.concatenate([coefficients, coefficients @ _derivative(few)], axis=1)
    u = wanted / np.pi
    for _ in range(_NEWTON_STEPS):
        departure, slope = (both @ _design(u, few)).swapaxes(0, 1)
        slope = np.pi + slope
        slope = np.where(slope > 0, slope, np.nan)
        u = np.maximum(u - (np.pi * u + departure - wanted) / slope, -1.5)
        u = np.minimum(u, 1.5)
    return u


def _weights(
    design: FloatArray, gram: FloatArray, there: FloatArray
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Weight (e, q, k) of every frame in each value, and which values (e, q) are certain enough.

    design (e, p, k), gram (e, p, p), there (e, p, q): the basis at the wanted instants.
    """
    weights = _solve(gram, there).transpose(0, 2, 1) @ design
    # Of the weights themselves: worked out from equations near to singular it may be negative.
    return weights, (weights * weights).sum(axis=2) < MOST_LEVERAGE


def _solve(gram: FloatArray, right: FloatArray) -> FloatArray:
    """Solve stacked normal equations; a singular one gives NaN instead of an error."""
    try:
        return np.asarray(np.linalg.solve(gram, right), dtype=np.float64)
    except np.linalg.LinAlgError:
        solutions = np.full(right.shape, np.nan)
        for k, (g, r) in enumerate(zip(gram, right, strict=True)):
            with suppress(np.linalg.LinAlgError):
                solutions[k] = np.linalg.solve(g, r)
        return solutions


def refit_incomplete(
    position: FloatArray, values: FloatArray, design: FloatArray, there: FloatArray
) -> None:
    """Give the markers that miss frames their own weights, in place.

    position (q, c), values (n, c), design (p, n), there (p, q).
    """
    lost = np.flatnonzero(np.isnan(position[0, ::3]))
    for marker in lost:
        columns = slice(3 * marker, 3 * marker + 3)
        seen = np.isfinite(values[:, columns]).all(axis=1)
        if seen.sum() < FRAMES_PER_COLUMN * len(design):
            continue
        part = design[:, seen]
        weights, certain = _weights(part[None], (part @ part.T)[None], there[None])
        position[:, columns] = weights[0] @ values[seen, columns]
        position[~certain[0], columns] = np.nan
