"""Extremes of noisy cycles: where in the stroke, how large, and how much of it is noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livefit.frames import FloatArray
from livefit.kernel.regression import HARMONICS
from livefit.kernel.strokes import GRID_DEG, GRID_PER_TURN, Strokes

_NEIGHBOURS = np.array([-1, 0, 1])[:, None, None]
_STEP = np.radians(GRID_DEG)
_REMEMBERED = 16
_FEWEST = 4
"""Differences of neighbouring strokes; below it the noise is not known."""
_FEWEST_HARMONICS = 6
"""With fewer, the highest one may still be the rider's own."""
_ORDERS = [np.arange(1, highest + 1) for highest in range(HARMONICS + 1)]
_SLOPE = np.array([float((orders**2).sum()) for orders in _ORDERS])
_BEND = np.array([float((orders**4).sum()) for orders in _ORDERS])


@dataclass(frozen=True)
class CycleNoise:
    """What noise adds to each stroke's cycle; NaN = not known.

    Attributes
    ----------
    slope, bend
        (s, k) variances of its first and second derivative, per rad2 and rad4.
    """

    slope: FloatArray
    bend: FloatArray


class NoiseMeter:
    """Tells from stroke to stroke how noisy each measure's cycle is.

    Parameters
    ----------
    columns
        Number of measures.

    Notes
    -----
    The regression gives a cycle of harmonics 1 to H whose coefficients all carry noise of one
    variance v. In the difference of neighbouring strokes the steady motion is gone, a rider's
    own differences are slow, and its highest harmonic is noise of variance 2 v. Faded in and out
    by Hann's window, so that a difference between begin and end stays out of it, the harmonic's
    cosine and sine keep 1/4 of their variance, and 1/16 comes from the next lower one. The square
    of such an amplitude is distributed exponentially: its median is ln 2 of its mean. The median
    of the last strokes, since one stroke with a mistaken marker must not count for many.
    """

    def __init__(self, columns: int) -> None:
        self._number = -1
        self._harmonics = 0
        self._cycle = np.full((1, GRID_PER_TURN + 1, columns), np.nan)
        self._recent = np.full((_REMEMBERED - 1, columns), np.nan)

    def take(self, strokes: Strokes) -> CycleNoise:
        """Noise of each of these strokes (at least one), from it and the ones before it."""
        numbers = np.concatenate([[self._number], strokes.number])
        harmonics = np.concatenate([[self._harmonics], strokes.harmonics])
        cycles = np.concatenate([self._cycle, strokes.cycles])
        self._number, self._harmonics = int(numbers[-1]), int(harmonics[-1])
        self._cycle = cycles[-1:]
        alike = (numbers[1:] - numbers[:-1] == 1) & (harmonics[1:] == harmonics[:-1])
        alike &= strokes.harmonics >= _FEWEST_HARMONICS
        waves = _FADED[strokes.harmonics] @ (cycles[1:] - cycles[:-1])
        square = waves[:, 0] ** 2 + waves[:, 1] ** 2
        variance = np.where(alike[:, None], square / (4 * _FADED_GAIN), np.nan)
        recent = np.concatenate([self._recent, variance])
        self._recent = recent[1 - _REMEMBERED :]
        v = _median(recent[np.arange(len(variance))[:, None] + np.arange(_REMEMBERED)]) / np.log(2)
        return CycleNoise(v * _SLOPE[strokes.harmonics, None], v * _BEND[strokes.harmonics, None])


def _faded() -> FloatArray:
    """(H + 1, 2, 37): what each harmonic's cosine and sine in a faded cycle are, by its order."""
    angle = np.radians(GRID_DEG) * np.arange(GRID_PER_TURN + 1)
    fade = np.sin(0.5 * angle) ** 2 * 2 / GRID_PER_TURN
    orders = np.arange(HARMONICS + 1)[:, None, None] * angle
    return np.concatenate([fade * np.cos(orders), fade * np.sin(orders)], axis=1)


_FADED = _faded()
_FADED_GAIN = 1 / 4 + 1 / 16


def _median(values: FloatArray) -> FloatArray:
    """Median (s, k) of what is not NaN in values (s, n, k); NaN where there is too little."""
    ordered = np.sort(values, axis=1)
    known = np.isfinite(ordered).sum(axis=1)
    stroke, column = np.ogrid[: values.shape[0], : values.shape[2]]
    below, above = (ordered[stroke, np.maximum(known - k, 0) // 2, column] for k in (1, 0))
    median: FloatArray = np.where(known < _FEWEST, np.nan, 0.5 * (below + above))
    return median


def extreme(
    cycles: FloatArray, sign: int | FloatArray, noise: CycleNoise | None = None
) -> tuple[FloatArray, FloatArray]:
    """Largest (sign 1) or smallest (-1) value of each cycle and its crank angle.

    Parameters
    ----------
    cycles
        (s, 37, k), every 10 degrees from one top dead centre to the next.
    sign
        One for all, or one for each of the k.
    noise
        Of the cycles, to be taken out of the values on average.

    Returns
    -------
    values, crank_deg
        (s, k) each; the parabola through the extreme row and its neighbours gives both, at the
        stroke's ends the row itself where the motion goes on outward. Its error is below 1e-3 of
        the extent for a motion of four harmonics.

    Notes
    -----
    The largest of noisy values is too large. With noise e on a curve f, the extreme moves to
    where the slopes e' and f'' x cancel, and rises by e + e'^2 / (2 |f''|): on average by the
    variance of the slope's noise over twice the bend (the delta method to the second order, as in
    Casella and Berger, Statistical Inference, ch. 5, from memory). So much is taken off. No curve
    is believed to be flatter than noise alone would bend it, so that never more comes off than
    1.1 standard deviations of one coefficient, two fifths of what a single value scatters by.
    There more noise is left in than is taken off. At the ends of a stroke nothing moves.
    """
    turned = sign * cycles
    best = turned.argmax(axis=1)
    middle = np.minimum(np.maximum(best, 1), GRID_PER_TURN - 1)
    stroke, column = np.ogrid[: cycles.shape[0], : cycles.shape[2]]
    before, here, after = turned[stroke, middle + _NEIGHBOURS, column]
    slope, bend = 0.5 * (after - before), 2 * here - before - after
    top = slope / np.where(bend > 0, bend, 1.0)
    shift = np.minimum(np.maximum(np.where(bend > 0, top, best - middle), -1.0), 1.0)
    value = here + slope * shift - 0.5 * bend * shift**2
    if noise is not None:
        round_by = 2 * np.maximum(bend / _STEP**2, np.sqrt(noise.bend))
        shifted = (np.abs(shift) < 1) & (round_by > 0)
        value -= np.divide(noise.slope, round_by, out=np.zeros_like(value), where=shifted)
    crank = np.mod((middle + shift) * GRID_DEG, 360.0)
    bad = np.isnan(cycles.sum(axis=1))
    return np.where(bad, np.nan, sign * value), np.where(bad, np.nan, crank)
