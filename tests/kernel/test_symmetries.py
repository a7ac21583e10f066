"""Where the bicycle stands, which axis points up and what a marker is called do not matter.

Positions are turned and shifted in double precision: 1e3 mm to 16 digits are 1e-13 mm, which a
regression and an angle over 150 mm enlarge some hundred times. 1e-6 leaves room and would show
any real dependence.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livefit.frames import FloatArray, MarkerBlock, StreamInfo, Up
from simulators import RiderSimulation, Sensor, observe, stream_info
from simulators.sensor import capture_axes
from tests.kernel.riding import Key, Series, gathered, kernel_for, ride

SAME = 1e-6
RIDER = RiderSimulation(seed=8)
CLEAN = Sensor(rate_hz=100.0, noise_mm=0.0)
SECONDS = 6.0


def assert_alike(one: dict[Key, Series], other: dict[Key, Series]) -> None:
    assert one.keys() == other.keys()
    assert len(one) > 200
    for key, series in one.items():
        assert np.array_equal(series.strokes, other[key].strokes), key
        assert series.values == pytest.approx(other[key].values, abs=SAME, nan_ok=True), key
        assert series.t == pytest.approx(other[key].t, abs=SAME), key


@settings(max_examples=12, deadline=None, derandomize=True, database=None)
@given(st.floats(0.0, 360.0), st.sampled_from(get_args(Up)))
def test_any_heading_and_any_up_axis(heading: float, up: Up) -> None:
    turned = replace(CLEAN, heading_deg=heading, up=up)
    found = ride(RIDER, turned, SECONDS).series()
    assert_alike(ride(RIDER, CLEAN, SECONDS).series(), found)


@pytest.mark.parametrize("up", get_args(Up))
@pytest.mark.parametrize("heading", [0.0, 123.0, 290.0])
def test_bike_axes_are_found_as_they_stand(up: Up, heading: float) -> None:
    place = (700.0, -1200.0, 300.0)
    sensor = replace(CLEAN, heading_deg=heading, up=up, offset_mm=place)
    kernel = ride(RIDER, sensor, SECONDS).kernel
    assert kernel.bike is not None
    expected = capture_axes(up, np.array([heading]))[0].T
    # The heel and toe markers of the clean rider leave their circles by less than 0.1 mm.
    assert kernel.bike.rotation == pytest.approx(expected, abs=1e-3)
    assert kernel.bike.origin == pytest.approx(place, abs=0.1)


@cache
def noisy() -> tuple[StreamInfo, MarkerBlock]:
    sensor = Sensor(dropout=0.02, rate_hz=100.0)
    return stream_info(sensor), observe(RIDER, sensor, count=800)


def measured(positions: FloatArray, info: StreamInfo | None = None) -> dict[Key, Series]:
    own, block = noisy()
    moved = MarkerBlock(block.numbers, block.t, positions)
    return gathered(kernel_for(info or own).push(moved))


@settings(max_examples=8, deadline=None, derandomize=True, database=None)
@given(st.tuples(*[st.floats(-5000.0, 5000.0)] * 3))
def test_a_shift_changes_nothing(shift: tuple[float, float, float]) -> None:
    positions = noisy()[1].positions
    assert_alike(measured(positions), measured(positions + np.array(shift)))


@settings(max_examples=8, deadline=None, derandomize=True, database=None)
@given(st.floats(0.0, 2 * np.pi))
def test_a_turn_of_noisy_positions_changes_nothing(angle: float) -> None:
    positions = noisy()[1].positions
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    assert_alike(measured(positions), measured(positions @ turn.T))


@settings(max_examples=8, deadline=None, derandomize=True, database=None)
@given(st.randoms(use_true_random=False))
def test_labels_may_come_in_any_order(random: st.DataObject) -> None:
    info, block = noisy()
    order = list(range(len(info.labels)))
    random.shuffle(order)  # type: ignore[attr-defined]
    shuffled = replace(info, labels=tuple(info.labels[k] for k in order))
    assert_alike(measured(block.positions), measured(block.positions[:, order], shuffled))


def test_markers_that_are_not_known_change_nothing() -> None:
    info, block = noisy()
    more = replace(info, labels=("spare", *info.labels, "wand"))
    noise = np.random.default_rng(1).normal(size=(len(block), 1, 3)) * 1e4
    positions = np.concatenate([noise, block.positions, noise], axis=1)
    assert_alike(measured(block.positions), measured(positions, more))


TURNS_OVER = ("pelvic_obliquity", "pelvic_rotation")
"""Positive toward the rider's right, so that a mirror turns their sign."""


def test_a_rider_in_the_mirror_has_left_and_right_exchanged() -> None:
    """At heading 0 with z up, y of the capture axes points to the rider's left."""
    info, block = noisy()
    other = {"L": "R", "R": "L", "B": "B"}
    sides = [info.labels.index(f"{other[label[0]]}{label[1:]}") for label in info.labels]
    mirrored = measured(block.positions[:, sides] * [1.0, -1.0, 1.0])
    compared = 0
    for (measure, side, event), series in measured(block.positions).items():
        found = mirrored[measure, other[side], event]
        if side == "B":
            continue
        near = np.abs(found.t[None] - series.t[:, None]) < 1e-3
        assert near.sum() >= len(series.t) - 1
        ours, theirs = np.nonzero(near)
        expected = pytest.approx(series.values[ours], abs=SAME, nan_ok=True)
        assert found.values[theirs] == expected, (measure, side, event)
        compared += len(ours)
    assert compared > 1000
    instant = {"tdc": "bdc", "forward": "rearward", "bdc": "tdc", "rearward": "forward"}
    for measure in TURNS_OVER:
        for event, opposite in instant.items():
            series = measured(block.positions)[measure, "B", event]
            found = mirrored[measure, "B", opposite]
            ours, theirs = np.nonzero(np.abs(found.t[None] - series.t[:, None]) < 1e-3)
            assert len(ours) >= 5
            expected = pytest.approx(-series.values[ours], abs=SAME, nan_ok=True)
            assert found.values[theirs] == expected, (measure, event)
