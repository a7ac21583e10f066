"""The estimate of a device's clock, against streams whose clock and delays are known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import linprog

from livefit.frames import FloatArray
from livefit.node.clock import ClockReport, StreamClock, onto

LEAST_DELAY_S = 0.004
BEGAN = 5.0e4
"""The arrival clock when a stream starts, s."""


@dataclass(frozen=True)
class Truth:
    """A stream with a known clock: true instants, stamps and arrivals."""

    rate_hz: float
    true: FloatArray
    stamps: FloatArray
    arrivals: FloatArray

    def played(self, start: int = 0, stop: int | None = None) -> StreamClock:
        clock = StreamClock(self.rate_hz)
        for row in range(start, len(self.true) if stop is None else stop):
            clock.take(row, float(self.stamps[row]), float(self.arrivals[row]))
        return clock

    def report(self) -> ClockReport:
        report = self.played().report(float(self.arrivals[-1]))
        assert report is not None
        return report


def stream(
    seed: int = 0,
    *,
    rate_hz: float = 100.0,
    seconds: float = 60.0,
    fast_ppm: float = 200.0,
    origin: float = 123.0,
    delays: Callable[[np.random.Generator, int], FloatArray] | None = None,
    jitter_s: float = 0.0,
) -> Truth:
    """Frames through a way that keeps their order."""
    rng = np.random.default_rng(seed)
    count = int(rate_hz * seconds)
    since = np.arange(count) / rate_hz
    late = rng.exponential(1e-3, count) if delays is None else delays(rng, count)
    stamps = origin + since * (1 + 1e-6 * fast_ppm) + jitter_s * rng.standard_normal(count)
    arrivals = np.maximum.accumulate(BEGAN + since + LEAST_DELAY_S + late)
    return Truth(rate_hz, BEGAN + since, stamps, arrivals)


def heavy(rng: np.random.Generator, count: int) -> FloatArray:
    """Pareto's distribution with an infinite variance; sometimes hundreds of ms."""
    return np.asarray(1e-3 * rng.pareto(1.5, count))


def lognormal(rng: np.random.Generator, count: int) -> FloatArray:
    """Hardly ever near its least."""
    return np.exp(rng.normal(np.log(1.5e-3), 1.0, count))


@pytest.mark.parametrize("rate_hz", [30.0, 100.0, 250.0])
@pytest.mark.parametrize("fast_ppm", [200.0, -200.0, 0.0])
def test_drift_after_a_minute_of_exponential_delays(rate_hz: float, fast_ppm: float) -> None:
    report = stream(1, rate_hz=rate_hz, fast_ppm=fast_ppm).report()
    assert report.drift_ppm == pytest.approx(fast_ppm, abs=10.0)
    assert report.drift_se_ppm is not None
    assert report.drift_se_ppm < 5.0
    assert report.jumps == 0


@pytest.mark.parametrize("delays", [None, heavy, lognormal])
def test_the_standard_errors_cover_the_truth(
    delays: Callable[[np.random.Generator, int], FloatArray] | None,
) -> None:
    """Two standard errors are to hold in 95 of 100 streams: 17 of 20 is the least likely 5 %."""
    drift = offset = 0
    for seed in range(20):
        truth = stream(seed, rate_hz=50.0, seconds=30.0, delays=delays)
        report = truth.report()
        assert report.drift_ppm is not None
        assert report.drift_se_ppm is not None
        drift += abs(report.drift_ppm - 200.0) < 2 * report.drift_se_ppm
        gap = float(truth.true[-1] - truth.stamps[-1]) + LEAST_DELAY_S
        offset += abs(report.offset_s - gap) < 2 * report.offset_se_s
    assert drift >= 17
    assert offset >= 17


def test_the_line_is_the_linear_programme_of_the_smallest_gaps() -> None:
    """Moon, Skelly & Towsley (1999): below all gaps, least sum of distances; solved by scipy."""
    truth = stream(3, rate_hz=1.0, seconds=100.0, fast_ppm=150.0)
    line = truth.played().line()
    t, gap = truth.stamps - truth.stamps.mean(), truth.arrivals - truth.stamps
    base = gap.min()
    solved = linprog(
        [0.0, -1.0],
        A_ub=np.column_stack([t, np.ones_like(t)]),
        b_ub=(gap - base) * 1e3,
        bounds=[(None, None), (None, None)],
    )
    slope, level = np.asarray(solved.x) / 1e3
    assert line.slope == pytest.approx(slope, abs=1e-9)
    assert line.gap(float(truth.stamps.mean())) == pytest.approx(base + level, abs=1e-8)


def test_latency_is_that_above_the_least() -> None:
    """Quantiles of the exponential distribution: ln 2 and ln 100 times its mean of 5 ms."""
    report = stream(
        5, rate_hz=30.0, seconds=120.0, delays=lambda rng, n: rng.exponential(5e-3, n)
    ).report()
    assert report.latency_ms == pytest.approx(5 * np.log(2), rel=0.12)
    assert report.latency_p99_ms == pytest.approx(5 * np.log(100), rel=0.25)


def test_jitter_is_that_of_the_stamps() -> None:
    assert stream(6).report().jitter_ms == pytest.approx(0.0, abs=1e-3)
    report = stream(6, jitter_s=2e-3).report()
    assert report.jitter_ms == pytest.approx(2.0, rel=0.1)
    assert report.jumps == 0


def jump_seen_after(truth: Truth, at: int, clock: StreamClock) -> float | None:
    """Time (s) by the arrival clock from row `at` until a jump is counted."""
    for row in range(at, len(truth.true)):
        clock.take(row, float(truth.stamps[row]), float(truth.arrivals[row]))
        if clock.jumps:
            return float(truth.arrivals[row] - truth.arrivals[at])
    return None


@pytest.mark.parametrize("by_s", [0.02, -0.02, 3.0, -3.0, 1e6, -1e6])
@pytest.mark.parametrize("after_s", [3, 30])
def test_a_jump_of_the_clock_is_found_within_two_seconds(by_s: float, after_s: int) -> None:
    sound = stream(7)
    at = after_s * 100
    jumped = sound.stamps + by_s * (np.arange(len(sound.stamps)) >= at)
    truth = Truth(sound.rate_hz, sound.true, jumped, sound.arrivals)
    clock = truth.played(stop=at)
    seen = jump_seen_after(truth, at, clock)
    assert seen is not None
    assert seen < 2.0
    for row in range(at + 200, len(truth.true)):
        clock.take(row, float(truth.stamps[row]), float(truth.arrivals[row]))
    report = clock.report(float(truth.arrivals[-1]))
    assert report is not None
    assert report.jumps == 1
    assert report.drift_ppm == pytest.approx(200.0, abs=10.0)
    gap = float(truth.true[-1] - truth.stamps[-1]) + LEAST_DELAY_S
    assert report.offset_s == pytest.approx(gap, abs=2e-4)


def test_a_device_that_paused_while_its_clock_stood_still_is_found() -> None:
    """Numbers and stamps go on as if nothing had been: only the arrivals tell."""
    sound = stream(8, seconds=20.0)
    paused = sound.arrivals + 5.0 * (np.arange(len(sound.true)) >= 1000)
    truth = Truth(sound.rate_hz, sound.true, sound.stamps, paused)
    seen = jump_seen_after(truth, 1000, truth.played(stop=1000))
    assert seen is not None
    assert seen < 2.0


def test_no_jump_is_seen_in_stalls_losses_stray_stamps_and_jitter() -> None:
    sound = stream(9, rate_hz=100.0, jitter_s=1e-3)
    arrivals, stamps = sound.arrivals.copy(), sound.stamps.copy()
    arrivals[600:2000] = arrivals[2000]
    stamps[2500] += 0.6
    stamps[3000] -= 50.0
    clock = StreamClock(100.0)
    for row in [n for n in range(len(stamps)) if not 3500 <= n < 3900]:
        clock.take(row, float(stamps[row]), float(arrivals[row]))
    report = clock.report(float(arrivals[-1]))
    assert report is not None
    assert report.jumps == 0
    # Stamps that scatter by 1 ms to both sides: the smallest gap of a second to about 0.3 ms.
    assert report.drift_ppm == pytest.approx(200.0, abs=30.0)


def test_what_is_kept_is_bounded() -> None:
    """The same number of objects after three minutes and after five."""
    truth = stream(10, rate_hz=100.0, seconds=300.0)
    clock = truth.played(stop=20_000)
    sizes = [_size(clock)]
    for row in range(20_000, 30_000):
        now = float(truth.arrivals[row])
        clock.take(row, float(truth.stamps[row]), now)
        clock.report(now)
    sizes.append(_size(clock))
    assert sizes[0] == sizes[1]


def _size(clock: StreamClock) -> int:
    """Numbers held in all that the clock refers to."""

    def held(value: object) -> int:
        if isinstance(value, np.ndarray):
            kept: NDArray[np.float64] = value
            return int(kept.size)
        return sum(map(held, value)) if isinstance(value, tuple | list | set) else 1

    return sum(
        held(tuple(value) if hasattr(value, "maxlen") else value) for value in vars(clock).values()
    )


def test_two_devices_are_aligned_through_the_arrival_clock() -> None:
    """Both saw the same true instants; least delays are equal here, so the map has no bias."""
    one = stream(11, fast_ppm=150.0, origin=7.0)
    other = stream(12, fast_ppm=-80.0, origin=9e5, rate_hz=250.0)
    lines = one.played().line(), other.played().line()
    for since in (0.0, 30.0, 59.0):
        t, se = onto(7.0 + since * (1 + 150e-6), *lines)
        assert se < 2e-4
        assert t == pytest.approx(9e5 + since * (1 - 80e-6), abs=min(3 * se, 1e-4))
    known_worse = onto(7.0, *lines, least_delays_se_s=3e-3)[1]
    assert known_worse == pytest.approx(3e-3, rel=0.01)
    there = onto(20.0, *lines)[0]
    assert onto(there, *lines[::-1])[0] == pytest.approx(20.0, abs=1e-9)


def test_before_the_first_message_there_is_nothing_to_say() -> None:
    clock = StreamClock(100.0)
    assert clock.report(1.0) is None
    with pytest.raises(ValueError, match="no message has come yet"):
        clock.line()
    clock.take(0, 2.0, 5.0)
    report = clock.report(5.0)
    assert report is not None
    assert (report.offset_s, report.drift_ppm, report.jitter_ms) == (3.0, None, None)
