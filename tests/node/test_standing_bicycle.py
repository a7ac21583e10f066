"""A measured bicycle under a simulated rider: where it stands, and whether the feet agree."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from livefit.frames import FloatArray
from livefit.node.requests import answer
from livefit.node.settings import Settings
from livefit.wire.messages import StandingBicycle
from simulators import RiderSimulation, Sensor, Style, observe
from simulators.standing_bicycle import Design, Stand
from simulators.truth import MEASURES, instants, values_at
from tests.node.streams import (
    SENSOR,
    Played,
    block,
    description,
    messages,
    play,
    played,
    processing,
    row,
)

POINTS = Design().points()
OFFSET = np.array(SENSOR.offset_mm)


def touched(**changes: Any) -> dict[str, Any]:
    """A bicycle that stands where the simulated rider's cranks turn."""
    args: dict[str, Any] = {
        "points": {name: place.tolist() for name, place in POINTS.items()},
        "rotation": Stand().rotation().T.ravel().tolist(),
        "origin": OFFSET.tolist(),
        "seat_tube_deg": 72.0,
        "crank_mm": 172.5,
        "crank_se_mm": 0.2,
    }
    return args | changes


def stood(**changes: Any) -> Played:
    """A node that was given the bicycle before a whole ride."""
    node = processing()
    answer(node, "bicycle", touched(**changes), 0.0)
    node.describe(description())
    return Played(node, play(node, messages(block())))


def placed(ride: Played) -> dict[str, FloatArray]:
    message = ride.node.standing_bicycle()
    assert isinstance(message, StandingBicycle)
    return {name: np.array(place) for name, place in message.points.items()}


@pytest.fixture(scope="module")
def ridden() -> Played:
    return stood()


def test_it_stands_where_the_feet_turn(ridden: Played) -> None:
    """The simulator's rider sits on a bicycle whose own axes are these."""
    ridden.snapshot()
    for name, place in placed(ridden).items():
        np.testing.assert_allclose(place, POINTS[name], atol=3.0)
    assert ridden.node.standing_bicycle() is None
    assert not ridden.snapshot().warnings


def test_its_seat_tube_defines_the_event(ridden: Played) -> None:
    one = row(ridden.snapshot(), "knee_flexion", "R", "seat_tube")
    other = row(played(Settings(seat_tube_deg=72.0)).snapshot(), "knee_flexion", "R", "seat_tube")
    assert one.crank_deg == pytest.approx(162.0)
    assert (one.n, one.mean) == (other.n, other.mean)


@pytest.mark.parametrize("nose_up", [-2.0, 3.0])
def test_a_bicycle_that_stands_nose_up_has_a_flatter_seat_tube(nose_up: float) -> None:
    """Turned as a whole about the crank axis, every line turns by the same angle."""
    node = processing()
    node.describe(description())
    rotation = Stand(nose_up_deg=nose_up, heading_deg=30.0).rotation().T.ravel().tolist()
    result = answer(node, "bicycle", touched(rotation=rotation), 0.0)
    assert result["seat_tube_deg"] == pytest.approx(72.0 - nose_up)
    assert answer(node, "bicycle", {}, 0.0) == {"seat_tube_deg": 73.0}


def test_given_during_the_ride_the_averages_begin_anew() -> None:
    ride = played()
    assert row(ride.snapshot(), "knee_flexion", "R", "bdc").n > 5
    answer(ride.node, "bicycle", touched(), ride.now)
    assert not [r for r in ride.snapshot().rows if r.n]
    # The same again changes nothing that is averaged.
    more = block(seconds=24.0)
    sent = [m for m in messages(more) if m.first >= len(block())]
    now = play(ride.node, sent)
    count = row(ride.node.snapshot(now), "knee_flexion", "R", "bdc").n
    assert count > 5
    answer(ride.node, "bicycle", touched(), now)
    assert row(ride.node.snapshot(now), "knee_flexion", "R", "bdc").n == count


def test_a_crank_that_the_feet_do_not_know() -> None:
    told = stood(crank_mm=175.0).snapshot().warnings
    assert len(told) == 2
    assert told[0].startswith("the left foot turns on a crank of 172.")
    assert "the pointer measured 175.0 mm" in told[1]
    assert not stood(crank_mm=173.0).snapshot().warnings


def test_a_bicycle_that_was_moved_since() -> None:
    ride = stood(origin=np.add(OFFSET, (30.0, 0.0, 25.0)).tolist())
    [told] = ride.snapshot().warnings
    assert "30 mm forward and 25 mm up" in told
    assert "livefit touch --again" in told
    for name, place in placed(ride).items():
        np.testing.assert_array_equal(place, POINTS[name])
    turned = stood(rotation=Stand(heading_deg=5.0).rotation().T.ravel().tolist())
    assert "points 5.0 deg aside" in turned.snapshot().warnings[0].replace("-", "")
    answer(ride.node, "bicycle", {}, ride.now)
    assert placed(ride) == {}
    assert not ride.snapshot().warnings


def test_the_touched_axis_counts_where_a_stiff_foot_leaves_it_open() -> None:
    """A foot that hardly turns: the feet alone leave the spindle's place open by centimetres."""
    style = Style(pitch_amplitude_deg=0.4, speed_variation=0.0)
    simulation = RiderSimulation(style=style, seed=3)
    sensor = Sensor(rate_hz=100.0, noise_mm=1.5)
    ride = observe(simulation, sensor, count=1500)
    true = values_at(
        simulation, MEASURES, "R", instants(simulation, "R", 90.0, 5.0, 14.0)
    )["knee_over_spindle"].mean()  # fmt: skip
    off, unsure = [], 0.0
    for args in ({}, touched(axis_se_mm=0.3)):
        node = processing()
        answer(node, "bicycle", args, 0.0)
        node.describe(description(sensor=sensor))
        now = play(node, messages(ride, sensor=sensor))
        snapshot = node.snapshot(now)
        crank = next(c for c in snapshot.cranks if c.side == "R")
        unsure = max(crank.spindle_se_mm or [0.0])
        mean = row(snapshot, "knee_over_spindle", "R", "forward").mean
        assert mean is not None
        off.append(abs(mean - true))
    assert unsure > 3.0
    assert off[1] < min(off[0], 2.5)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"points": {}}, "points must be a map of 1 to 100 places"),
        ({"points": {"a": [1.0, 2.0]}}, "a place must be three numbers in mm"),
        ({"points": {"a": [1.0, 2.0, float("nan")]}}, "a place must be three numbers in mm"),
        ({"rotation": None}, "rotation and origin belong together"),
        ({"rotation": [1.0] * 9}, "rotation must turn right-handed axes"),
        ({"rotation": [1.0]}, "rotation must be 9 numbers"),
        ({"origin": "here"}, "origin must be 3 numbers"),
        ({"crank_mm": -1.0}, "crank_mm must be a number from 0 up"),
        ({"crank_se_mm": True}, "crank_se_mm must be a number"),
        ({"seat_tube_deg": 20.0}, "seat-tube angle must lie between"),
    ],
)
def test_what_is_no_bicycle_is_refused(changes: dict[str, Any], told: str) -> None:
    node = processing()
    with pytest.raises(ValueError, match=told):
        answer(node, "bicycle", touched(**changes), 0.0)
    assert node.standing_bicycle() is None
