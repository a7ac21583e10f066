"""What is wrong with numbers and times, put in by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livefit.checking import Arrival, Heard, StreamHeard
from livefit.checking.clock import drift_of
from livefit.frames import MarkerBlock
from simulators import Sensor, stream_info
from tests.checking.checked_examples import (
    CLOCK_S,
    INFO,
    SECONDS,
    SENSOR,
    arrivals,
    heard,
    judged,
    names,
    ride,
    rows,
    the,
)

RNG_SEED = 7
RATE_HZ = SENSOR.rate_hz


def test_a_rate_that_is_not_the_stated_one() -> None:
    info = replace(INFO, rate_hz=90.0)
    report = judged(heard(arrivals(ride()), info))
    assert names(report) == {"rate_wrong"}
    assert the(report, "rate_wrong").numbers["found_hz"] == pytest.approx(100.0, rel=1e-4)
    assert the(report, "rate_wrong").level == "fault"


def test_a_rate_that_changes_in_mid_stream() -> None:
    block = ride()
    every_second = np.concatenate([np.arange(700), np.arange(700, len(block), 2)])
    kept = rows(block, every_second)
    slower = MarkerBlock(np.arange(len(kept)), kept.t, kept.positions, kept.channels)
    came = [
        Arrival(rows(slower, slice(k, k + 1)), CLOCK_S + float(slower.t[k]) + 0.002)
        for k in range(len(slower))
    ]
    report = judged(came)
    assert names(report) == {"rate_changed"}
    found = the(report, "rate_changed").numbers
    assert (found["slowest_hz"], found["fastest_hz"]) == pytest.approx((50.0, 100.0), rel=1e-3)
    assert found["at_s"] == pytest.approx(7.0, abs=1.0)


def test_stamps_that_scatter() -> None:
    block = ride()
    scatter = np.random.default_rng(RNG_SEED).normal(0.0, 0.003, len(block))
    report = judged(replace(block, t=block.t + scatter))
    assert names(report) == {"jitter"}
    # A running median of 21 values follows the scatter by a share of about 5 %.
    assert the(report, "jitter").numbers["sd_ms"] == pytest.approx(3.0, rel=0.12)


def test_stamps_that_are_true_though_the_stream_says_they_scatter() -> None:
    uneven = Sensor(rate_hz=RATE_HZ, sampling="stamped", jitter_s=0.002)
    said = replace(stream_info(uneven), sampling="periodic")
    report = judged(heard(ride(uneven), said))
    assert names(report) == {"jitter"}
    assert the(report, "jitter").numbers["followed"] == pytest.approx(1.0, abs=0.1)
    assert "stamped" in the(report, "jitter").remedy


def test_stamps_that_scatter_though_the_stream_says_they_are_true() -> None:
    even = Sensor(rate_hz=RATE_HZ, jitter_s=0.002)
    said = replace(stream_info(even), sampling="stamped")
    report = judged(heard(ride(even), said))
    assert names(report) == {"jitter"}
    assert the(report, "jitter").numbers["followed"] == pytest.approx(0.0, abs=0.1)
    assert "periodic" in the(report, "jitter").remedy


def test_a_stray_stamp_in_a_hundred() -> None:
    block = ride()
    t = block.t.copy()
    t[50::100] += 2.0
    report = judged(replace(block, t=t))
    assert names(report) == {"jitter"}
    assert the(report, "jitter").numbers["stray_share"] == pytest.approx(0.01, rel=1e-6)


def test_frames_lost_at_random() -> None:
    block = ride()
    kept = np.random.default_rng(RNG_SEED).random(len(block)) >= 0.03
    report = judged(rows(block, np.flatnonzero(kept)))
    assert names(report) == {"gaps"}
    found = the(report, "gaps")
    inside = np.flatnonzero(kept)
    assert found.numbers["lost"] == inside[-1] - inside[0] + 1 - len(inside)
    assert "at random" in found.text


def test_frames_lost_in_bursts() -> None:
    block = ride()
    kept = np.arange(len(block)) % 400 >= 12
    report = judged(rows(block, np.flatnonzero(kept)))
    assert names(report) == {"gaps"}
    assert the(report, "gaps").numbers["mean_length"] == 12.0
    assert "in bursts" in the(report, "gaps").text


def test_frames_lost_without_a_hole_in_the_numbers() -> None:
    block = ride()
    kept = rows(block, np.flatnonzero(np.arange(len(block)) % 140 != 70))
    said = MarkerBlock(np.arange(len(kept)), kept.t, kept.positions, kept.channels)
    report = judged(said)
    assert the(report, "gaps").level == "fault"
    assert the(report, "gaps").numbers["unnumbered"] == 10


def test_messages_that_come_twice() -> None:
    once = arrivals(ride())
    twice = [a for k, a in enumerate(once) for a in ([a, a] if k % 20 == 0 else [a])]
    report = judged(twice)
    assert names(report) == {"duplicates"}
    assert the(report, "duplicates").numbers["repeated"] == 70


def test_old_positions_under_new_numbers() -> None:
    block = ride()
    old = np.arange(len(block)) // 2 * 2
    report = judged(replace(block, positions=block.positions[old]))
    assert the(report, "duplicates").numbers["frozen"] == len(block) // 2
    assert the(report, "duplicates").level == "fault"


def test_messages_that_overtake() -> None:
    came = arrivals(ride())
    for k in range(100, 1300, 100):
        came[k], came[k + 1] = came[k + 1], came[k]
    report = judged(came)
    assert names(report) == {"disorder"}
    found = the(report, "disorder").numbers
    assert (found["late"], found["latest_by"]) == (12, 1)


def test_a_delay_that_varies() -> None:
    rng = np.random.default_rng(RNG_SEED)
    came = [replace(a, at_s=a.at_s + float(rng.exponential(0.06))) for a in arrivals(ride())]
    report = judged(came)
    assert names(report) == {"latency"}
    # 95th percentile of an exponential distribution: 3 times its mean.
    assert the(report, "latency").numbers["late_s"] == pytest.approx(0.18, rel=0.15)


def test_frames_in_bundles() -> None:
    report = judged(arrivals(ride(), size=20))
    assert names(report) == {"latency"}
    assert the(report, "latency").numbers["frames_together"] == 20
    assert "message of its own" in the(report, "latency").remedy


def test_a_constant_delay_on_the_way() -> None:
    report = judged([replace(a, at_s=a.at_s + 0.3) for a in arrivals(ride())])
    assert names(report) == {"latency"}
    assert the(report, "latency").numbers["travel_s"] == pytest.approx(0.305, abs=0.005)


@pytest.mark.parametrize("ppm", [800.0, -800.0, 8_000.0])
def test_a_clock_that_drifts(ppm: float) -> None:
    block = ride()
    report = judged(replace(block, t=77_000.0 + block.t * (1 + 1e-6 * ppm)))
    assert "drift" in names(report)
    found = the(report, "drift")
    assert found.numbers["ppm"] == pytest.approx(ppm, abs=max(4 * found.numbers["se_ppm"], 10.0))
    assert found.level == ("fault" if abs(ppm) > 5_000 else "warning")


@pytest.mark.parametrize("ppm", [0.0, 60.0, -300.0])
def test_drift_is_right_under_heavy_delays(ppm: float) -> None:
    rng = np.random.default_rng(RNG_SEED)
    t = np.arange(0.0, 60.0, 0.005)
    queue = np.where(rng.random(len(t)) < 0.3, rng.exponential(0.05, len(t)), 0.0)
    at = 1_000.0 + t / (1 + 1e-6 * ppm) + 0.001 + rng.exponential(0.001, len(t)) + queue
    found = drift_of(at, t)
    assert found is not None
    assert found.ppm == pytest.approx(ppm, abs=10.0)


def test_a_pause() -> None:
    block = ride()
    late = [
        replace(a, at_s=max(a.at_s, CLOCK_S + 8.0)) if 7.0 < a.at_s - CLOCK_S < 8.0 else a
        for a in arrivals(block)
    ]
    report = judged(late)
    assert "stall" in names(report)
    assert the(report, "stall").numbers["longest_s"] == pytest.approx(1.0, abs=0.02)


def test_a_stream_that_falls_silent() -> None:
    report = judged(replace(heard(ride()), ended_s=4.0))
    assert names(report) == {"stall"}
    assert the(report, "stall").level == "fault"


def test_numbers_and_time_that_begin_anew() -> None:
    block = ride()
    again = rows(block, slice(0, 900))
    first = arrivals(rows(block, slice(0, 500)))
    later = [replace(a, at_s=a.at_s + 5.0, sent_s=None) for a in arrivals(again)]
    report = judged([*first, *later])
    assert names(report) == {"restart"}
    assert the(report, "restart").level == "fault"


def test_time_alone_that_begins_anew() -> None:
    block = ride()
    t = np.where(block.numbers < 500, block.t + 300.0, block.t)
    report = judged(replace(block, t=t))
    assert names(report) == {"restart"}


def test_two_streams_one_after_the_other() -> None:
    came = arrivals(ride())
    streams = [StreamHeard(INFO, came[:400], "both"), StreamHeard(INFO, came[400:], "both")]
    report = judged(Heard("two", True, SECONDS, streams))
    assert names(report) == {"restart"}
    assert the(report, "restart").level == "warning"


def test_nothing_came() -> None:
    report = judged(Heard("nobody", True, 5.0))
    assert names(report) == {"silent"}
    assert not report.judged


def test_too_few_frames() -> None:
    report = judged(rows(ride(), slice(0, 10)))
    assert the(report, "stall").level == "fault"


def test_messages_that_were_refused() -> None:
    report = judged(replace(heard(ride()), refused=70, reasons=("one reason", "the last one")))
    assert names(report) == {"mangled"}
    assert "the last one" in the(report, "mangled").text
    assert the(report, "mangled").level == "fault"
    assert the(judged(replace(heard(ride()), refused=1, reasons=("x",))), "mangled").level == (
        "warning"
    )
