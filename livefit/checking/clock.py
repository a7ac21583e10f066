"""The device's clock against the receiver's: drift and delay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livefit.checking.beat import Beat
from livefit.checking.findings import Sheet, level_of
from livefit.checking.heard import Heard, Series, robust_sd
from livefit.frames import FloatArray

DRIFT_WARNING_PPM, DRIFT_FAULT_PPM = 150.0, 5_000.0
"""Two quartzes keep within 150 ppm of each other. Beyond it (0.5 s an hour) the stamps are not
measured but counted at a nominal rate, and signals of other devices slide away from the markers;
5,000 ppm are 0.45 rpm of cadence at 90 rpm."""
SURE = 4.0
"""Standard errors by which a drift must exceed its limit."""

LATENCY_WARNING_S, LATENCY_FAULT_S = 0.080, 0.250
"""How much later than the quickest frame the slowest twentieth comes, or how long it travels.
80 ms are five pictures of a screen and 43 deg of crank at 90 rpm, as long as the quick numbers wait
themselves: the figure visibly stumbles. After 250 ms, 135 deg, a rider who looks at the screen sees
another part of the stroke."""

PLAYED_PPM = 200_000.0
"""A clock so far off is a recording that is played at another speed."""

_WINDOW_S = 1.0
_FEWEST_WINDOWS = 4


@dataclass(frozen=True)
class Drift:
    """How the device's clock runs.

    Attributes
    ----------
    ppm
        By how much it runs fast against the receiver's.
    se_ppm
        Standard error.
    ahead_s
        (n,) arrival less device time of each frame, less the line of the quickest frames.
    """

    ppm: float
    se_ppm: float
    ahead_s: FloatArray


def drift_of(at: FloatArray, t: FloatArray) -> Drift | None:
    """Drift from the quickest frame of each second; None with fewer than four seconds.

    Parameters
    ----------
    at, t
        (n,) s: arrival, and device time without its scatter.

    Notes
    -----
    A frame may be late but never early, so that the lower envelope of arrival less device time is
    the clock: Paxson V (1998) On calibrating measurements of packet transit times. Proc ACM
    SIGMETRICS 11-21. Its slope is the median of the slopes between all pairs of windows, with the
    standard error of a straight line under the residuals' robust spread: Sen PK (1968) J Am Stat
    Assoc 63:1379-1389.
    """
    lag = at - t
    window = np.floor((t - t[0]) / _WINDOW_S).astype(np.int64)
    if window[-1] + 1 < _FEWEST_WINDOWS:
        return None
    lowest = []
    for k in range(int(window[-1]) + 1):
        rows = np.flatnonzero(window == k)
        if len(rows):
            lowest.append(rows[int(np.argmin(lag[rows]))])
    if len(lowest) < _FEWEST_WINDOWS:
        return None
    x, y = t[lowest] - t[0], lag[lowest]
    i, j = np.triu_indices(len(x), 1)
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    level = float(np.median(y - slope * x))
    left = y - level - slope * x
    error = robust_sd(left) / np.sqrt(((x - x.mean()) ** 2).sum())
    line = level + slope * (t - t[0]) + float(np.quantile(left, 0.1))
    return Drift(
        ppm=1e6 * (1.0 / (1.0 + slope) - 1.0), se_ppm=1e6 * float(error), ahead_s=lag - line
    )


def judge_clock(heard: Heard, series: Series, beat: Beat, sheet: Sheet) -> None:
    """Judge drift and delay of what came over a socket."""
    drift = drift_of(series.at, beat.smooth_t) if heard.live else None
    if drift is None:
        return
    _drift(drift, sheet)
    if abs(drift.ppm) < PLAYED_PPM:
        _latency(drift, series, beat, sheet)


def _drift(drift: Drift, sheet: Sheet) -> None:
    sheet.look("device clock", f"{drift.ppm:+.0f} ± {drift.se_ppm:.0f} ppm", "drift")
    sure = abs(drift.ppm) - SURE * drift.se_ppm
    level = level_of(sure, DRIFT_WARNING_PPM, DRIFT_FAULT_PPM)
    if not level:
        return
    fast = drift.ppm > 0
    times = 1.0 + 1e-6 * drift.ppm
    text = (
        f"The device's clock should keep time with this machine's within "
        f"{DRIFT_WARNING_PPM:g} ppm; it runs {abs(drift.ppm):.0f} ± {drift.se_ppm:.0f} ppm "
        f"{'fast' if fast else 'slow'}."
    )
    remedy = "Take stamps from a clock, not from a count of frames at a nominal rate."
    if not fast:
        remedy += " A sender that falls further and further behind looks alike: see its load."
    if abs(drift.ppm) >= PLAYED_PPM:
        text = f"Live frames were expected; these come {times:.2g} times as fast as their stamps."
        remedy = "Play a recording at speed=1 to check it as a live stream, or check the file."
    sheet.find("drift", level, text, remedy, ppm=drift.ppm, se_ppm=drift.se_ppm)


def _latency(drift: Drift, series: Series, beat: Beat, sheet: Sheet) -> None:
    late = float(np.quantile(drift.ahead_s, 0.95))
    travelled = series.at - series.sent
    known = travelled[np.isfinite(travelled) & (travelled >= 0.0) & (travelled < 60.0)]
    travel = float(np.quantile(known, 0.95)) if len(known) else float("nan")
    together = len(series) / len(np.unique(series.at))
    value = f"95 % within {1e3 * late:.0f} ms of the quickest"
    if np.isfinite(travel):
        value += f", {1e3 * travel:.0f} ms on the way"
    sheet.look("delay", value, "latency")
    level = level_of(float(np.nanmax([late, travel])), LATENCY_WARNING_S, LATENCY_FAULT_S)
    if not level:
        return
    gathered = together * beat.period_s
    if gathered > 0.5 * late:
        why = f" Frames come {together:.0f} at a time, which alone takes {1e3 * gathered:.0f} ms."
        remedy = "Send every frame in a message of its own as soon as it is measured."
    else:
        why = ""
        remedy = (
            "Look for buffers and load between device and this machine; prefer a cable to a "
            "wireless link."
        )
    on_way = f" From sending to arrival it takes {1e3 * travel:.0f} ms." if len(known) else ""
    sheet.find(
        "latency",
        level,
        f"Delay should vary by less than {1e3 * LATENCY_WARNING_S:g} ms; one frame in twenty "
        f"comes {1e3 * late:.0f} ms or more later than the quickest.{on_way}{why}",
        remedy,
        late_s=late,
        travel_s=travel,
        frames_together=together,
    )
