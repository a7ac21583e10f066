"""A device's clock beside the clock on which its messages arrive.

Every message brings a stamp of the device and gets the time of its arrival. Their difference, the
gap, is the offset between the clocks plus the message's delay; a delay is never negative and has
no bound above. So the offset and its drift are the line below all gaps that lies closest to them,
which for delays of an exponential distribution is the likeliest one: an edge of their lower convex
hull, the one above or below which the mean stamp lies (Moon S, Skelly P, Towsley D (1999)
Estimation and removal of clock skew from network delay measurements, Proc IEEE INFOCOM, 227-234;
Paxson V (1998) On calibrating measurements of packet transit times, Proc ACM SIGMETRICS, 11-21).
Only the smallest gap of each second is kept, for the last two minutes.

Arrival alone cannot tell the least delay from the offset: it is part of the offset.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from livefit.frames import FloatArray

WINDOW_S = 1.0
KEPT_WINDOWS = 120
RECENT = 1024
"""Messages over which latency and jitter are taken."""
STEP_S = 0.005
"""Stamps that leave the frame numbers by more are looked into; jumps smaller are not found."""
CONFIRM_S = 1.0
"""The messages of so long a time say whether the clock jumped."""
DRIFT_AFTER_S = 10.0
"""The drift is not estimated from less."""
MOST_DRIFT = 0.02
"""A steeper line is one of delays."""
USUAL_DRIFT = 1e-4
"""Standard uncertainty of a crystal's drift that is not known yet."""
AWAY_S = 1.0
"""A message so much later than the line is looked into as well: the device may have paused."""
REPORT_EVERY_S = 1.0

_LEAST_RESIDUAL_S = 1e-6
_TENTH_ERROR = 1.7
"""Standard error of a tenth percentile, in standard deviations over the root of the number:
sqrt(0.1 * 0.9) over the normal density there."""


@dataclass(frozen=True)
class ClockLine:
    """How a device's clock runs beside the arrival clock.

    Attributes
    ----------
    at_s
        Stamp about which the line is held; level and slope err independently there.
    gap_s
        Arrival less stamp there, least delay included, s.
    slope
        Change of the gap for each second of the device.
    gap_se_s, slope_se
        Standard errors; the slope's is infinite while the drift is not known. They are those of
        least squares, which the line below is not worse than: too large for delays that are
        often near their least, about right for those that hardly ever are.
    """

    at_s: float
    gap_s: float
    slope: float
    gap_se_s: float
    slope_se: float

    def gap(self, t: float) -> float:
        """Arrival less stamp, s, at a stamp (s)."""
        return self.gap_s + self.slope * (t - self.at_s)

    def arrival(self, t: float) -> float:
        """Earliest arrival, s, of a stamp (s)."""
        return t + self.gap(t)

    def stamp(self, arrival: float) -> float:
        """The stamp, s, whose earliest arrival that is (s)."""
        return self.at_s + (arrival - self.at_s - self.gap_s) / (1.0 + self.slope)

    def se(self, t: float) -> float:
        """Standard error of the gap at a stamp (s), s."""
        slope_se = self.slope_se if math.isfinite(self.slope_se) else USUAL_DRIFT
        return math.hypot(self.gap_se_s, slope_se * (t - self.at_s))

    @property
    def drift_ppm(self) -> float:
        """By how much the device's clock runs fast against the arrival clock."""
        return 1e6 * (1.0 / (1.0 + self.slope) - 1.0)


@dataclass(frozen=True)
class ClockReport:
    """What there is to say of a stream's clock.

    Attributes
    ----------
    offset_s, offset_se_s
        Arrival less stamp at the newest stamp, least delay included, and its standard error.
    drift_ppm, drift_se_ppm
        By how much the device's clock runs fast; None before 10 s.
    latency_ms, latency_p99_ms
        Above the least delay: median and 99th percentile of the last 1,024 messages.
    jitter_ms
        Standard deviation of the stamps about a line in the frame numbers, by the median of its
        absolute value; None before 8 messages.
    jumps
        Jumps of the device's clock since the stream began.
    """

    offset_s: float
    offset_se_s: float
    drift_ppm: float | None
    drift_se_ppm: float | None
    latency_ms: float
    latency_p99_ms: float
    jitter_ms: float | None
    jumps: int


def onto(
    t: float, one: ClockLine, other: ClockLine, *, least_delays_se_s: float = 0.0
) -> tuple[float, float]:
    """Map an instant on one device's clock onto another's through their common arrival clock.

    Parameters
    ----------
    t
        Stamp of the first device, s.
    one, other
        The devices' lines beside the same arrival clock.
    least_delays_se_s
        How much the two ways' least delays may differ (standard uncertainty): stamps and
        arrivals do not show it.

    Returns
    -------
    t, se
        The other device's stamp of the same instant, and its standard error, s.
    """
    mapped = other.stamp(one.arrival(t))
    return mapped, math.hypot(one.se(t), other.se(mapped), least_delays_se_s)


class StreamClock:
    """Estimates one device's clock while its messages come.

    Parameters
    ----------
    rate_hz
        Nominal frame rate.

    Attributes
    ----------
    jumps
        Jumps of the device's clock.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self.jumps = 0
        self._drift = 0.0
        self.begin_anew()

    def begin_anew(self) -> None:
        """The device's clock has another origin from now on; its drift stays."""
        self._lowest: deque[tuple[float, float]] = deque(maxlen=KEPT_WINDOWS)
        self._window: tuple[float, float] | None = None
        self._window_ends = -math.inf
        self._suspects: deque[tuple[int, float, float]] | None = None
        self._suspected = 0.0
        self._last: tuple[int, float] | None = None
        self._seen = 0
        self._first = 0
        self._numbers = np.zeros(RECENT)
        self._stamps = np.zeros(RECENT)
        self._gaps = np.zeros(RECENT)
        self._line: ClockLine | None = None
        self._report: ClockReport | None = None
        self._reported = -math.inf

    def take(self, number: int, t: float, arrival: float) -> None:
        """Take a message by its newest frame: number, stamp (s), arrival (s)."""
        last, self._last = self._last, (number, t)
        if self._suspects is None and last is not None:
            step = (t - last[1]) - (number - last[0]) / self._rate_hz
            if abs(step) > STEP_S or arrival - t - self.line().gap(t) > AWAY_S:
                self._suspects = deque(maxlen=RECENT)
                self._suspected = arrival
        if self._suspects is None:
            self._keep(number, t, arrival)
            return
        self._suspects.append((number, t, arrival))
        if arrival - self._suspected >= CONFIRM_S:
            self._judge(self._suspects)

    def _keep(self, number: int, t: float, arrival: float) -> None:
        gap = arrival - t
        if not self._seen:
            self._first = number
        at = self._seen % RECENT
        self._numbers[at], self._stamps[at], self._gaps[at] = number - self._first, t, gap
        self._seen += 1
        window = self._window
        if window is None or arrival >= self._window_ends:
            if window is not None:
                self._lowest.append(window)
                self._line = None
            self._window = (t, gap)
            self._window_ends = arrival + WINDOW_S
        elif gap - self._drift * (t - window[0]) < window[1]:
            self._window = (t, gap)

    def _judge(self, suspects: deque[tuple[int, float, float]]) -> None:
        """Tell a jump of the clock from a pause of the device, jitter, or a stamp gone wrong.

        By the tenth percentile: delays blur what lies above it, single stamps what lies below.
        The first half is left out: what a stalled network held back comes in it.
        """
        self._suspects = None
        line = self.line()
        above = np.array([arrival - t - line.gap(t) for _, t, arrival in suspects])
        settled = np.array([a for _, _, a in suspects]) >= self._suspected + CONFIRM_S / 2
        usual = self._latency(line)
        chance = _TENTH_ERROR * _spread(usual) / math.sqrt(min(settled.sum(), len(usual)))
        shift = float(np.percentile(above[settled], 10)) - float(np.percentile(usual, 10))
        jumped = abs(shift) > STEP_S + 5 * chance
        if jumped:
            self.begin_anew()
            self.jumps += 1
        for (number, t, arrival), over in zip(suspects, above, strict=True):
            if jumped or over > -STEP_S:
                self._keep(number, t, arrival)
        self._last = suspects[-1][:2]

    def line(self) -> ClockLine:
        """How the clock runs, as far as is known.

        Raises
        ------
        ValueError
            Before the first message.
        """
        if self._window is None:
            raise ValueError("no message has come yet: there is no line of its clock")
        t, gap = self._window
        if self._line is None or gap < self._line.gap(t) - _LEAST_RESIDUAL_S:
            self._line = _line_below(np.array([*self._lowest, self._window]), self._drift)
            self._drift = self._line.slope
        return self._line

    def _latency(self, line: ClockLine) -> FloatArray:
        """Delays (s) of the recent messages above the least."""
        held = min(self._seen, RECENT)
        above = self._gaps[:held] - line.gap_s - line.slope * (self._stamps[:held] - line.at_s)
        return np.maximum(above, 0.0)

    def report(self, now: float) -> ClockReport | None:
        """What there is to say; None before the first message. At most once a second anew.

        now: of the arrival clock, s.
        """
        if self._window is not None and not 0.0 <= now - self._reported < REPORT_EVERY_S:
            self._report = self._new_report()
            self._reported = now
        return self._report

    def _new_report(self) -> ClockReport:
        line = self.line()
        newest = float(self._stamps[(self._seen - 1) % RECENT])
        latency = 1e3 * self._latency(line)
        known = math.isfinite(line.slope_se)
        return ClockReport(
            offset_s=line.gap(newest),
            offset_se_s=line.se(newest),
            drift_ppm=line.drift_ppm if known else None,
            drift_se_ppm=1e6 * line.slope_se if known else None,
            latency_ms=float(np.median(latency)),
            latency_p99_ms=float(np.percentile(latency, 99)),
            jitter_ms=self._jitter_ms(),
            jumps=self.jumps,
        )

    def _jitter_ms(self) -> float | None:
        held = min(self._seen, RECENT)
        if held < 8:
            return None
        number = self._numbers[:held] - self._numbers[:held].mean()
        t = self._stamps[:held] - self._stamps[:held].mean()
        return 1e3 * _spread(t - number * (number @ t) / max(number @ number, 1.0))


def _spread(values: FloatArray) -> float:
    """Standard deviation by the median of the absolute deviations (normal values)."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _line_below(points: FloatArray, drift: float) -> ClockLine:
    """The line below all (n, 2) stamps and gaps that lies closest; `drift` while they are few."""
    t, gap = points.T
    span = float(t.max() - t.min())
    known = span >= DRIFT_AFTER_S and len(t) > 2
    middle = float(t.mean())
    slope = _hull_slope(t - middle, gap - gap[0]) if known else drift
    slope = min(max(slope, -MOST_DRIFT), MOST_DRIFT)
    rest = gap - slope * (t - middle)
    level = float(rest.min())
    usual = max(float(np.median(rest - level)) / math.log(2.0), _LEAST_RESIDUAL_S)
    return ClockLine(
        at_s=middle,
        gap_s=level,
        slope=slope,
        gap_se_s=usual,
        slope_se=usual * math.sqrt(12.0 / len(t)) / span if known else math.inf,
    )


def _hull_slope(t: FloatArray, gap: FloatArray) -> float:
    """Slope of the edge of the lower convex hull of (n,) points at t = 0.

    Andrew AM (1979) Another efficient algorithm for convex hulls in two dimensions, Inf Process
    Lett 9:216-219.
    """
    hull: list[tuple[float, float]] = []
    for x, y in sorted(zip(t.tolist(), gap.tolist(), strict=True)):
        while len(hull) > 1:
            (x0, y0), (x1, y1) = hull[-2:]
            if (x1 - x0) * (y - y0) > (y1 - y0) * (x - x0):
                break
            hull.pop()
        hull.append((x, y))
    (x0, y0), (x1, y1) = next((a, b) for a, b in pairwise(hull) if b[0] >= 0.0)
    return (y1 - y0) / (x1 - x0) if x1 > x0 else 0.0
