"""Which strokes count: starting, stopping, standing, turning backward, too slow, too fast, gaps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from livefit.frames import FloatArray
from simulators import Change, Ride, RiderSimulation, Sensor, Style, observe, stream_info
from simulators.truth import crank_angle, instants
from tests.kernel.riding import (
    QUARTERS,
    Outcome,
    against_truth,
    gathered,
    kernel_for,
    ride,
    rows,
    unseen,
)

PLAIN = Sensor()
NOISY = Sensor(noise_mm=3.0)
"""More than an optical system's worst: a foot at rest seems to jump by centimetres."""
EVEN = Style(cadence_wander=0.0)


def pedalled(
    changes: Sequence[Change], seconds: float, *, rpm: float = 90.0, sensor: Sensor = PLAIN
) -> Outcome:
    """A ride that begins at a cadence and changes it."""
    style = Style(cadence_rpm=rpm, cadence_wander=0.0)
    simulation = RiderSimulation(style=style, ride=Ride(cadence_rpm=tuple(changes)), seed=2)
    return ride(simulation, sensor, seconds)


def bottoms(outcome: Outcome, side: str = "R") -> FloatArray:
    """When a knee flexion at the bottom of the stroke was given."""
    series = outcome.series().get(("knee_flexion", side, "bdc"))
    return np.empty(0) if series is None else series.t[np.isfinite(series.values)]


def true_bottoms(outcome: Outcome, t0: float, t1: float) -> FloatArray:
    return instants(outcome.simulation, "R", 180.0, t0, t1)


def forward_bottoms(outcome: Outcome, t0: float, t1: float) -> FloatArray:
    """When the right crank comes to the bottom turning forward, however often it was there."""
    t = np.arange(t0, t1, 1e-3)
    turn = np.floor(crank_angle(outcome.simulation, "R", t) / (2 * np.pi) - 0.5)
    passed: FloatArray = t[1:][np.diff(turn) > 0]
    return passed


def assert_each_once(outcome: Outcome, t0: float, t1: float) -> None:
    """Every true bottom of the stroke between t0 and t1 has its value, and only one."""
    found, true = bottoms(outcome), true_bottoms(outcome, t0, t1)
    found = found[(found > t0) & (found <= t1)]
    assert len(true) > 3
    assert len(found) == len(true)
    assert np.abs(found - true).max() < 0.02


def assert_no_doubles(outcome: Outcome) -> None:
    for key, series in outcome.series().items():
        assert len(np.unique(series.strokes)) == len(series.strokes), key
        # 140 rpm: 0.43 s from stroke to stroke.
        t = series.t[np.isfinite(series.t)]
        assert np.diff(t).min(initial=1.0) > 0.4, key


@pytest.mark.parametrize("sensor", [PLAIN, NOISY])
def test_a_start_from_standing(sensor: Sensor) -> None:
    outcome = pedalled([Change(3.0, 90.0, 2.0)], 15.0, rpm=0.0, sensor=sensor)
    assert_each_once(outcome, 5.2, 14.5)
    assert not (bottoms(outcome) < 4.0).any()
    assert_no_doubles(outcome)


@pytest.mark.parametrize("sensor", [PLAIN, NOISY])
def test_a_stop_and_a_long_stand(sensor: Sensor) -> None:
    changes = [Change(8.0, 0.0), Change(20.0, 90.0)]
    outcome = pedalled(changes, 30.0, sensor=sensor)
    assert_each_once(outcome, 0.2, 7.5)
    assert_each_once(outcome, 21.5, 29.5)
    found = bottoms(outcome)
    assert not ((found > 9.0) & (found < 20.0)).any()
    assert set(outcome.kernel.refused) <= {"slower than 30 rpm", "starting or stopping"}
    assert sum(outcome.kernel.refused.values()) <= 3
    assert_no_doubles(outcome)


@pytest.mark.parametrize("start_deg", [0.0, 90.0, 179.5, 180.5, 270.0])
def test_a_rider_who_stands_still_makes_no_stroke(start_deg: float) -> None:
    """Noise about an event is no event."""
    still = RiderSimulation(style=Style(cadence_rpm=0.0, start_deg=start_deg))
    outcome = ride(still, PLAIN, 10.0)
    assert outcome.values == []
    assert outcome.kernel.problem == "not pedalling"
    assert not outcome.kernel.strokes


@pytest.mark.parametrize("stop", np.linspace(8.0, 8.6, 7))
def test_a_stop_at_an_event_does_not_count_it_twice(stop: float) -> None:
    """Wherever in the stroke the crank comes to rest, and however the noise shakes it there."""
    changes = [Change(float(stop), 0.0, 0.3), Change(12.0, 90.0)]
    outcome = pedalled(changes, 18.0, sensor=Sensor(noise_mm=2.0))
    assert_no_doubles(outcome)
    found = bottoms(outcome)
    assert len(found) <= len(true_bottoms(outcome, 0.0, 18.0))
    assert_each_once(outcome, 13.5, 17.5)


def test_pedalling_backward_never_counts() -> None:
    changes = [Change(8.0, 0.0), Change(10.0, -60.0), Change(15.0, 0.0), Change(17.0, 90.0)]
    outcome = pedalled(changes, 34.0)
    assert_each_once(outcome, 0.2, 7.5)
    found = bottoms(outcome)
    forward = forward_bottoms(outcome, 15.5, 34.0)
    assert not ((found > 9.0) & (found < forward[0] - 0.02)).any()
    again = true_bottoms(outcome, 10.0, 34.0)[0]
    assert_each_once(outcome, again + 0.8, 33.5)
    assert_no_doubles(outcome)
    assert_agrees(outcome, again + 0.8)


def assert_agrees(outcome: Outcome, after: float) -> None:
    found = against_truth(outcome, ["knee_flexion", "knee_over_spindle"], after=after)
    assert len(found) == 36
    for key, against in found.items():
        limit = 0.2 if key[0] == "knee_flexion" else 1.0
        assert abs(against.bias) < limit, key


@pytest.mark.parametrize("over_s", [0.1, 0.3])
def test_a_short_turn_backward_spoils_its_own_stroke_and_says_so(over_s: float) -> None:
    """17 and 37 degrees back and on again: the frames are not one stroke's."""
    turn = [Change(8.0, -30.0, over_s), Change(8.05 + over_s, 90.0, over_s)]
    outcome = pedalled(turn, 14.0)
    assert outcome.kernel.refused == {"pedalled backwards": 1}
    found, true = bottoms(outcome), true_bottoms(outcome, 0.5, 13.5)
    spoilt = [t for t in true if np.abs(found - t).min() > 0.1]
    assert len(spoilt) == 1
    assert 8.0 < spoilt[0] < 9.0
    assert_no_doubles(outcome)
    errors = against_truth(outcome, ["knee_flexion"])
    # 0.05 deg an event, five of those and the crank's bias.
    assert max(np.abs(errors["knee_flexion", "R", event].error).max() for event in QUARTERS) < 0.3


def test_a_ride_that_begins_backward() -> None:
    outcome = pedalled([Change(6.0, 90.0, 2.0)], 25.0, rpm=-60.0)
    forward = true_bottoms(outcome, 6.0, 25.0)
    assert len(bottoms(outcome)) > 10
    assert not (bottoms(outcome) < 6.5).any()
    assert_each_once(outcome, forward[1] + 0.1, 24.5)
    assert_no_doubles(outcome)


@pytest.mark.parametrize("rpm", [30.0, 140.0])
def test_the_slowest_and_the_fastest_cadence_that_count(rpm: float) -> None:
    outcome = pedalled([], 20.0, rpm=rpm)
    assert_each_once(outcome, 60 / rpm, 20.0 - 60 / rpm)
    assert not outcome.kernel.refused
    found = against_truth(outcome, ["knee_flexion"])
    assert max(abs(against.bias) for against in found.values()) < 0.2


@pytest.mark.parametrize(
    ("rpm", "reason"), [(25.0, "slower than 30 rpm"), (150.0, "faster than 140 rpm")]
)
def test_too_slow_and_too_fast_is_refused_and_said(rpm: float, reason: str) -> None:
    outcome = pedalled([], 20.0, rpm=rpm)
    assert len(bottoms(outcome)) == 0
    assert set(outcome.kernel.refused) == {reason}
    turns = 20.0 * rpm / 60
    assert turns - 3 <= outcome.kernel.refused[reason] <= turns
    assert sum(outcome.kernel.strokes.values()) == 0


@pytest.mark.parametrize("lost", ["frames", "feet"])
def test_a_gap_too_long_to_bridge_is_refused_and_counted(lost: str) -> None:
    """0.3 s at 90 rpm are 162 degrees of crank; up to 90 are bridged."""
    info, simulation = stream_info(PLAIN), RiderSimulation(style=EVEN, seed=4)
    block = observe(simulation, PLAIN, count=2400)
    kernels = {}
    for length in (0.12, 0.3):
        begin, end = 6.0, 6.0 + length
        if lost == "frames":
            holed = rows(block, (block.t < begin) | (block.t >= end))
        else:
            holed = unseen(block, info, ["L_CA", "L_VM", "R_CA", "R_VM"], begin, end)
        kernel = kernel_for(info)
        outcome = Outcome(simulation, kernel, kernel.push(holed), 12.0)
        kernels[length] = kernel, bottoms(outcome)
        assert_agrees(outcome, 0.0)
    true = instants(simulation, "R", 180.0, 0.5, 11.6)
    short, long = kernels[0.12], kernels[0.3]
    assert not short[0].refused
    assert set(long[0].refused) == {"frames or feet lost for too long"}
    assert 1 <= long[0].refused["frames or feet lost for too long"] <= 3
    assert np.abs(short[1][-len(true) :] - true).max() < 0.02
    assert 1 <= len(short[1]) - len(long[1]) <= 2
    gone = [t for t in true if np.abs(long[1] - t).min() > 0.1]
    # Each lost bottom has the gap within half a turn, 0.33 s, of it.
    assert all(6.0 - 0.34 < t < 6.3 + 0.34 for t in gone)


def test_a_missing_marker_takes_only_its_own_measures() -> None:
    info, simulation = stream_info(PLAIN), RiderSimulation(style=EVEN, seed=4)
    block = observe(simulation, PLAIN, count=2400)
    series = gathered(kernel_for(info).push(block))
    without = gathered(kernel_for(info).push(unseen(block, info, ["L_LE"], 5.0, 8.0)))
    needs_knee = {
        "knee_flexion", "hip_angle", "ankle_angle", "ankle_dorsiflexion", "shank_inclination",
        "thigh_inclination", "knee_over_spindle", "knee_lateral", "knee_to_foot_lateral",
        "knee_height",
    }  # fmt: skip
    assert series.keys() == without.keys()
    for key, whole in series.items():
        holed = without[key]
        if key[1] == "L" and key[0] in needs_knee:
            inside = (holed.t > 5.4) & (holed.t < 7.6)
            away = (holed.t < 4.2) | (holed.t > 8.8)
            assert inside.sum() >= 2, key
            assert np.isnan(holed.values[inside]).all(), key
            if key[2] in ("maximum", "minimum", "range"):
                # What is taken off for noise rests on the strokes before.
                assert np.abs(holed.values[away] - whole.values[away]).max() < 0.1, key
                away &= holed.t < 5.0
            assert np.array_equal(holed.values[away], whole.values[away]), key
        else:
            assert np.array_equal(holed.values, whole.values), key
        assert np.array_equal(holed.t, whole.t), key


def test_a_marker_missing_now_and_then_is_bridged() -> None:
    sensor = Sensor(dropout=0.05, burst_frames=5)
    outcome = ride(RiderSimulation(seed=5), sensor, 15.0)
    assert not outcome.kernel.refused
    found = against_truth(outcome)
    for (measure, side, event), against in found.items():
        # Gaps that run into each other may be wider than the highest harmonic's period.
        assert len(against.error) >= 15, (measure, side, event)
        if event not in ("maximum", "minimum", "range"):
            limit = 1.0 if measure in ("knee_over_spindle", "hip_height") else 0.1
            assert abs(against.bias) < limit, (measure, side, event)


def test_too_few_frames_in_a_stroke_are_refused_and_said() -> None:
    """At 10 Hz a stroke at 90 rpm has 6.7 frames: fewer than three harmonics need."""
    outcome = pedalled([], 30.0, sensor=Sensor(rate_hz=10.0))
    assert len(bottoms(outcome)) == 0
    assert set(outcome.kernel.refused) <= {"too few frames in a stroke"}
    assert outcome.kernel.refused or outcome.kernel.problem


def test_it_is_said_while_the_cranks_are_turned_backward() -> None:
    """From 10 to 15 s at -60 rpm: 5 turns back, and half a turn while it slows down."""
    back = [Change(8.0, 0.0), Change(10.0, -60.0), Change(15.0, 0.0)]
    problem = pedalled(back, 16.5).kernel.problem
    assert problem is not None
    assert "turned backwards 5 times" in problem
    assert pedalled([*back, Change(17.0, 90.0)], 22.0).kernel.problem is None


@pytest.mark.parametrize("turns", [1, 2, 5])
def test_turns_backward_need_not_be_pedalled_again(turns: int) -> None:
    back = [Change(8.0, 0.0), Change(10.0, -60.0), Change(10.0 + turns, 0.0), Change(17.0, 90.0)]
    outcome = pedalled(back, 32.0)
    assert_no_doubles(outcome)
    after = forward_bottoms(outcome, 15.5, 31.0)
    found = bottoms(outcome)
    found = found[found > 15.5]
    # A turn to come past the farthest that it was, and half of one for the window.
    assert found[0] <= after[2] + 0.02
    expected = after[after > found[0] - 0.02]
    assert np.abs(found[: len(expected)] - expected).max() < 0.02
    speed = outcome.kernel.speed_rpm()
    assert speed is not None
    assert abs(speed - 90.0) < 2.0
