"""The beat of a stream from its numbers and time stamps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livefit.checking.heard import Series, robust_sd, steady
from livefit.frames import FloatArray, IntArray

WINDOW_S = 1.0
FEWEST_IN_WINDOW = 30
_JUMP = 0.6
"""Of a period: a time that jumps by more and stays has lost a frame without a number."""
_SURE = 4.0
_APART = 3


@dataclass(frozen=True)
class Beat:
    """How numbers and time stamps of a stream go together.

    Attributes
    ----------
    period_s
        Between two frames, from the time stamps.
    rates_hz
        (w,) in windows of a second, in order; ``rates_at_s`` their middles since the first frame.
    off_s
        (n,) each stamp less the even beat.
    scatter_s
        (n,) each stamp less the running median of its neighbours'.
    smooth_t
        (n,) s: the stamps without their scatter.
    jumps_s
        (n - 1,) by how much the time goes on beyond the beat between two frames, and stays;
        0 where it does not.
    """

    period_s: float
    rates_hz: FloatArray
    rates_at_s: FloatArray
    off_s: FloatArray
    scatter_s: FloatArray
    smooth_t: FloatArray
    jumps_s: FloatArray

    @property
    def rate_hz(self) -> float:
        """Frames a second of device time."""
        return 1.0 / self.period_s

    @property
    def jitter_s(self) -> float:
        """Standard deviation of the stamps about the beat, robust."""
        return robust_sd(self.scatter_s)


def beat_of(series: Series) -> Beat:
    """The beat of a series (at least two frames).

    The rate of a window is the median slope over half the window, the period the median over the
    windows: neither stray stamps nor a few jumps move it. After Theil H (1950) Indag Math 12:85-91.
    """
    n = series.numbers - series.numbers[0]
    t = series.t - series.t[0]
    length = max(FEWEST_IN_WINDOW, round(WINDOW_S * series.info.rate_hz))
    starts = range(0, max(len(n) - length + 1, 1), length)
    windows = [slice(start, start + length) for start in starts]
    slopes = np.array([_slope(n[w], t[w]) for w in windows])
    good = slopes > 0
    period = float(np.median(slopes[good])) if good.any() else 1.0 / series.info.rate_hz
    off = t - period * n
    smooth = steady(off)
    jumps = np.diff(smooth)
    jumps[np.abs(jumps) < max(_JUMP * period, _SURE * robust_sd(off - smooth))] = 0.0
    jumps[_crowded(jumps != 0.0)] = 0.0
    return Beat(
        period_s=period,
        rates_hz=1.0 / slopes[good],
        rates_at_s=np.array([float(np.median(t[w])) for w in windows])[good],
        off_s=off,
        scatter_s=off - smooth,
        smooth_t=series.t[0] + period * n + smooth,
        jumps_s=jumps,
    )


def _crowded(jumps: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which of the jumps (n,) have another one close by: another rate, not single frames lost."""
    near = np.convolve(jumps, np.ones(2 * _APART + 1))[_APART : _APART + len(jumps)]
    crowded: NDArray[np.bool_] = near > 1.5
    return crowded


def _slope(n: IntArray, t: FloatArray) -> float:
    """Median slope of t over n, s a frame, over half the rows."""
    half = max(len(n) // 2, 1)
    return float(np.median((t[half:] - t[:-half]) / (n[half:] - n[:-half])))
