"""The bicycle is found, lost when it is moved, and found again; and the fitter is told why not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livefit.frames import StreamInfo
from livefit.kernel.kernel import Kernel
from simulators import Change, Ride, RiderSimulation, Sensor, Style, observe, stream_info
from simulators.truth import instants
from tests.kernel.riding import (
    OVER_STROKE,
    QUARTERS,
    SAGITTAL,
    Outcome,
    against_truth,
    at_every_event,
    gathered,
    kernel_for,
    largest,
    ride,
    rows,
    shipped,
    unseen,
)

PLAIN = Sensor()
AXES = (*SAGITTAL, "toe_out", "knee_lateral", "pelvic_rotation")
"""What a wrong heading would spoil, too."""


def assert_true(outcome: Outcome, *, after: float, degrees: float = 0.1) -> None:
    found = against_truth(outcome, AXES, after=after)
    at_crank = [event.name for event in shipped().events if event.name not in OVER_STROKE]
    assert min(len(found["knee_flexion", side, "bdc"].error) for side in "LR") >= 5
    assert largest(found, "deg", (*at_crank, "mean"))[0] < degrees
    assert largest(found, "mm", (*at_crank, "mean"))[0] < 1.0


def missed_bottoms(outcome: Outcome, since: float) -> int:
    """True bottoms of the stroke after a time that passed before the first value came."""
    t = outcome.series()["knee_flexion", "R", "bdc"].t
    first = t[t > since][0]
    return int(
        (instants(outcome.simulation, "R", 180.0, since, outcome.seconds) < first - 0.02).sum()
    )


@pytest.mark.parametrize("degrees", [10.0, 30.0, 180.0])
def test_a_bicycle_turned_while_the_rider_waits(degrees: float) -> None:
    """On a turntable: the rider stops, is turned, and goes on."""
    changes = Ride(
        cadence_rpm=(Change(14.0, 0.0), Change(18.0, 90.0)),
        heading_deg=(Change(15.5, degrees, 2.0),),
    )
    outcome = ride(RiderSimulation(seed=1, ride=changes), PLAIN, 32.0)
    assert outcome.kernel.refused["the bicycle moved"] == 1
    # It goes on at 18.0 s, and is up to speed after a second.
    assert missed_bottoms(outcome, 19.0) <= 2
    assert_true(outcome, after=20.0)


@pytest.mark.parametrize("degrees", [10.0, 30.0, 180.0])
def test_a_bicycle_turned_while_the_rider_pedals(degrees: float) -> None:
    """Found again within two strokes, and true once the frames of the turn are forgotten.

    The search may catch the end of the turn; a fit of the newest frames alone shows that, at the
    latest 4 s after the search.
    """
    changes = Ride(heading_deg=(Change(12.0, degrees, 2.0),))
    outcome = ride(RiderSimulation(seed=1, ride=changes), PLAIN, 30.0)
    assert outcome.kernel.refused["the bicycle moved"] >= 1
    assert missed_bottoms(outcome, 14.0) <= 2
    assert_true(outcome, after=18.0)


def test_a_small_turn_does_not_go_unnoticed() -> None:
    """Two degrees move a foot by 172.5 mm * sin(2 deg) = 6 mm at the ends of the crank."""
    changes = Ride(
        cadence_rpm=(Change(14.0, 0.0), Change(18.0, 90.0)), heading_deg=(Change(15.5, 2.0, 1.0),)
    )
    outcome = ride(RiderSimulation(seed=1, ride=changes), PLAIN, 32.0)
    assert_true(outcome, after=24.0)


def test_a_bicycle_that_is_put_elsewhere() -> None:
    info, simulation = stream_info(PLAIN), RiderSimulation(seed=2)
    block = observe(simulation, PLAIN, count=5000)
    block.positions[block.t >= 10.0] += [300.0, -150.0, 40.0]
    kernel = kernel_for(info)
    outcome = Outcome(simulation, kernel, kernel.push(block), 25.0)
    assert kernel.refused["the bicycle moved"] == 1
    assert missed_bottoms(outcome, 10.0) <= 3
    assert_true(outcome, after=15.0)


def test_a_steady_ride_never_loses_the_bicycle() -> None:
    """Four minutes in which the rider gets tired, with twice the noise of the other rides."""
    style = Style(drift_deg_per_100_strokes=1.5)
    outcome = ride(RiderSimulation(seed=3, style=style), Sensor(rate_hz=100.0, noise_mm=1.0), 240.0)
    assert not outcome.kernel.refused
    assert outcome.kernel.strokes["R"] >= 350
    assert outcome.kernel.bike is not None
    for crank in outcome.kernel.bike.cranks.values():
        assert crank.length == pytest.approx(172.5, abs=0.3)


@pytest.mark.parametrize("foot", ["L", "R"])
def test_a_foot_out_of_sight_makes_no_step(foot: str) -> None:
    """Two feet that differ: the left one is one frame, 2.7 deg of crank at 90 rpm, early.

    Seen together they say the middle; the one that stays must go on saying it. Without that the
    crank would step by 1.35 deg. Twelve instants or more of 0.1 deg each leave 0.03 deg.
    """
    info, simulation = stream_info(PLAIN), RiderSimulation(seed=3)
    block = observe(simulation, PLAIN, count=3000)
    for name in ("L_CA", "L_VM"):
        column = info.labels.index(name)
        block.positions[:-1, column] = block.positions[1:, column]
    kernel = kernel_for(info)
    values = kernel.push(unseen(block, info, [f"{foot}_CA", f"{foot}_VM"], 8.0, 11.0))
    outcome = Outcome(simulation, kernel, values, 15.0)
    assert not kernel.refused
    late = {}
    for name, begin, end in (("hidden", 8.4, 10.6), ("seen", 11.4, 15.0)):
        found = against_truth(outcome, ["hip_angle"], after=begin, before=end)
        late[name] = np.concatenate([found["hip_angle", "R", event].late_deg for event in QUARTERS])
    assert len(late["hidden"]) >= 12
    assert late["seen"].mean() == pytest.approx(-1.35, abs=0.1)
    assert late["hidden"].mean() == pytest.approx(late["seen"].mean(), abs=0.1)
    assert np.abs(late["hidden"] - late["seen"].mean()).max() < 0.5


def test_a_foot_lost_for_a_minute_keeps_its_crank_and_the_mid_plane() -> None:
    sensor = Sensor(rate_hz=60.0)
    info, simulation = stream_info(sensor), RiderSimulation(seed=3)
    block = observe(simulation, sensor, count=75 * 60)
    kernel = kernel_for(info)
    values = kernel.push(unseen(block, info, ["L_CA", "L_VM"], 5.0, 65.0))
    outcome = Outcome(simulation, kernel, values, 75.0)
    assert not kernel.refused
    assert kernel.bike is not None
    assert kernel.bike.cranks.keys() == {"L", "R"}
    # One foot alone does not show the mid-plane: it would jump by half the feet's distance.
    found = against_truth(outcome, ["knee_lateral"], after=60.0)
    for key in ((m, s, e) for m, s, e in found if e in QUARTERS):
        assert abs(found[key].bias) < 1.0, key


def problem_of(info: StreamInfo, simulation: RiderSimulation, sensor: Sensor) -> Kernel:
    kernel = kernel_for(info)
    kernel.push(observe(simulation, sensor, count=int(8 * sensor.rate_hz)))
    return kernel


def test_without_foot_markers_the_text_says_which_are_needed() -> None:
    info = stream_info(PLAIN)
    kept = [k for k, name in enumerate(info.labels) if name[2:] not in ("CA", "VM")]
    fewer = replace(info, labels=tuple(info.labels[k] for k in kept))
    block = observe(RiderSimulation(), PLAIN, count=1600)
    kernel = Kernel(fewer, fewer.labels, at_every_event(), shipped().events)
    block = replace(block, positions=block.positions[:, kept])
    assert kernel.push(block) == []
    assert kernel.problem is not None
    assert "no foot markers: heel (CA) and fifth metatarsal head (VM)" in kernel.problem
    assert kernel.bike is None
    moment = kernel.moment()
    assert moment is not None
    assert np.isnan(moment.positions).all()


def test_foot_markers_that_are_never_seen_are_said_to_be_missing() -> None:
    info = stream_info(PLAIN)
    feet = [f"{side}_{name}" for side in "LR" for name in ("CA", "VM")]
    block = unseen(observe(RiderSimulation(), PLAIN, count=1600), info, feet, 0.0, 8.0)
    kernel = kernel_for(info)
    assert kernel.push(block) == []
    assert kernel.problem == "no foot is seen: heel (CA) and fifth metatarsal head (VM) needed"


def test_a_standing_rider_is_not_pedalling() -> None:
    still = RiderSimulation(style=Style(cadence_rpm=0.0))
    assert problem_of(stream_info(PLAIN), still, PLAIN).problem == "not pedalling"


def test_before_a_whole_turn_the_text_asks_to_keep_pedalling() -> None:
    info = stream_info(PLAIN)
    kernel = kernel_for(info)
    kernel.push(observe(RiderSimulation(style=Style(cadence_rpm=40.0)), PLAIN, count=240))
    assert kernel.problem == "no whole turn of the cranks yet: keep pedalling"


@pytest.mark.parametrize(("scale", "millimetres"), [(0.1, 17), (2.0, 345)])
def test_wrong_units_show_in_the_cranks_length(scale: float, millimetres: int) -> None:
    info = stream_info(Sensor(noise_mm=0.0))
    block = observe(RiderSimulation(), Sensor(noise_mm=0.0), count=1600)
    kernel = kernel_for(info)
    kernel.push(replace(block, positions=block.positions * scale))
    assert kernel.problem is not None
    if scale > 1:
        expected = f"path gives a crank of {millimetres} mm, expected 60 to 260: check units"
        assert expected in kernel.problem
    assert kernel.bike is None


def test_feet_that_go_round_no_circle_are_said_to() -> None:
    info = stream_info(PLAIN)
    block = observe(RiderSimulation(), PLAIN, count=1600)
    columns = [info.labels.index(f"{side}_{name}") for side in "LR" for name in ("CA", "VM")]
    positions = block.positions.copy()
    positions[:, columns] += np.random.default_rng(1).normal(0.0, 20.0, size=(1600, 4, 3))
    kernel = kernel_for(info)
    kernel.push(replace(block, positions=positions))
    assert kernel.bike is None
    assert kernel.problem is not None
    assert "path leaves a circle by" in kernel.problem
    assert "check its heel and fifth metatarsal markers" in kernel.problem


def test_the_first_frames_may_be_anything() -> None:
    """Nothing is known of the crank, then it is, with the frames of the search counted in."""
    info = stream_info(PLAIN)
    block = observe(RiderSimulation(seed=4), PLAIN, count=2000)
    kernel = kernel_for(info)
    assert kernel.moment() is None
    assert kernel.newest() is None
    assert kernel.quick() == []
    assert kernel.push(rows(block, slice(0, 0))) == []
    first = kernel.push(rows(block, slice(0, 3)))
    assert first == []
    assert kernel.speed_rpm() is None
    rest = gathered(kernel.push(rows(block, slice(3, None))))
    assert rest["knee_flexion", "R", "bdc"].t[0] < 1.1
