"""The noise of each marker, from the smoothness of its path."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from livefit.checking.beat import Beat
from livefit.checking.findings import Sheet, level_of
from livefit.checking.heard import Series
from livefit.checking.labels import Markers
from livefit.frames import FloatArray

NOISE_WARNING_MM, NOISE_FAULT_MM = 2.0, 5.0
"""Standard deviation a coordinate. 1 mm at hip, knee and ankle is 0.33 deg of knee flexion in one
frame and 0.12 deg in a stroke of 133 frames: 2 mm are 0.25 deg a stroke, still below what riders
differ from stroke to stroke; with 5 mm the foot no longer shows a circle (6 mm off it at most)."""

STEP_WARNING_MM, STEP_FAULT_MM = 2.0, 10.0
"""Steps in which positions come: rounding to s is a noise of s / sqrt(12), and in step with the
crank, so that strokes do not average it out."""

ORDER = 6
_WIDEST = 1.5
"""Times its own length that a window may be stretched by lost frames."""
_FEWEST = 30
_LAST_BITS_MM = 2e-3


def noise_of(track: FloatArray, x: FloatArray, order: int = ORDER) -> FloatArray:
    """Standard deviation of white noise on each coordinate, mm; NaN with too few whole runs.

    Parameters
    ----------
    track
        (n, 3) mm, NaN = missing.
    x
        (n,) instants in frame periods.
    order
        m: of the difference.

    Notes
    -----
    Divided difference of order m over m + 1 successive frames, its weights brought to unit length:
    it is 0 for a polynomial of degree m - 1 and has the noise's own standard deviation else. With
    even frames this is the difference of order m over the root of its sum of squared weights,
    sqrt(C(2m, m)): the variate difference method (Anderson TW 1971, The Statistical Analysis of
    Time Series, section 3.4; for m = 1 von Neumann J 1941, Ann Math Stat 12:367-395). For m = 6 a
    pedal path of 172.5 mm at 90 rpm and 30 Hz leaves 0.005 mm. The standard deviation is 1.4826
    times the median of the absolute values, so that stray positions do not count.
    """
    seen = np.flatnonzero(np.isfinite(track).all(axis=1))
    if len(seen) < order + _FEWEST:
        return np.full(3, np.nan)
    rows = np.lib.stride_tricks.sliding_window_view(seen, order + 1)
    at = x[rows]
    at = at - at[:, :1]
    good = at[:, -1] <= _WIDEST * order
    if np.count_nonzero(good) < _FEWEST:
        return np.full(3, np.nan)
    rows, at = rows[good], at[good]
    apart = at[:, :, None] - at[:, None, :]
    apart[:, np.arange(order + 1), np.arange(order + 1)] = 1.0
    weights = 1.0 / apart.prod(axis=2)
    weights /= np.sqrt((weights**2).sum(axis=1))[:, None]
    left = np.einsum("nk,nkc->nc", weights, track[rows])
    sd: FloatArray = 1.4826 * np.median(np.abs(left), axis=0)
    return sd


def judge_noise(series: Series, beat: Beat, markers: Markers, sheet: Sheet) -> Mapping[str, float]:
    """Judge the noise of every marker; returns it by canonical name, mm a coordinate."""
    stamped = series.info.sampling == "stamped"
    x = series.t / beat.period_s if stamped else (series.numbers - series.numbers[0]) * 1.0
    noise: dict[str, float] = {}
    for name in markers.columns:
        each = noise_of(markers.of(name), x)
        noise[name] = float(np.sqrt(np.mean(each**2)))
        if np.isfinite(noise[name]):
            _noise(name, each, noise[name], sheet)
    known = [value for value in noise.values() if np.isfinite(value)]
    step = max((step_of(markers.of(name)) for name in markers.columns), default=0.0)
    if known:
        worst = max(noise, key=lambda name: np.nan_to_num(noise[name]))
        sheet.look(
            "noise", f"{np.median(known):.2f} mm, at most {noise[worst]:.2f} mm ({worst})", "noise"
        )
    level = level_of(step, STEP_WARNING_MM, STEP_FAULT_MM)
    if level:
        sheet.find(
            "noise",
            level,
            f"Positions come in steps of {step:.3g} mm; less than {STEP_WARNING_MM:g} mm was "
            "expected.",
            "Send positions unrounded, as float32 at least.",
            step_mm=step,
        )
    return noise


def _noise(name: str, each: FloatArray, sd: float, sheet: Sheet) -> None:
    level = level_of(sd, NOISE_WARNING_MM, NOISE_FAULT_MM)
    if level:
        worst = "xyz"[int(np.argmax(each))]
        sheet.find(
            "noise",
            level,
            f"{name} has a noise of {sd:.1f} mm a coordinate (most along {worst}, "
            f"{each.max():.1f} mm); less than {NOISE_WARNING_MM:g} mm was expected.",
            "Calibrate anew; cameras nearer to the rider, larger markers, shorter exposure, or two "
            "cameras that see each marker from different sides.",
            subject=name,
            sd_mm=sd,
            worst_axis_mm=float(each.max()),
        )


def step_of(track: FloatArray) -> float:
    """The step in which a marker's positions come, mm: the smallest between two different ones."""
    steps = []
    for axis in track[np.isfinite(track[:, 0])].T:
        # Rounding and a change of unit may leave the same value with different last bits.
        apart = np.diff(np.unique(np.round(axis, 3)))
        apart = apart[apart > _LAST_BITS_MM]
        if len(axis) >= _FEWEST and len(apart):
            steps.append(float(apart.min()))
    return min(steps, default=0.0)
