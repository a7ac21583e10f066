"""Touches in the stream of the tip, and the guided list of points."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from livefit.bicycle.guide import Guide
from livefit.bicycle.touching import Touch, TouchDetector, mean_covariance
from livefit.frames import FloatArray
from simulators.pointing import Hand, Pointing, touch_points
from tests.bicycle.bicycle_examples import EXACT, POINTS, detect

PLACES = {
    "one": np.array([0.0, 0.0, 500.0]),
    "two": np.array([0.0, 30.0, 500.0]),
    "three": np.array([400.0, 100.0, 800.0]),
}


def told(pointing: Pointing, cuts: list[int]) -> list[Touch]:
    detector = TouchDetector(100.0)
    poses = EXACT.poses(pointing.seen)
    tips = poses.place(EXACT.tip)
    edges = [0, *sorted(cuts), len(tips)]
    return [
        touch
        for a, b in pairwise(edges)
        for touch in detector.push(pointing.t[a:b], tips[a:b], poses.rotation[a:b])
    ]


def test_every_point_is_told_once_and_where_it_is() -> None:
    touches = detect(touch_points(1, PLACES, list(PLACES)), EXACT)
    assert len(touches) == 3
    for touch, place in zip(touches, PLACES.values(), strict=True):
        error = touch.point - place
        assert np.linalg.norm(error) < 1.0
        # Chi-square of 3 degrees: above 16 once in a thousand.
        assert error @ np.linalg.solve(touch.covariance, error) < 16
        assert touch.slipped_mm == 0


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(0, 620), max_size=30))
def test_touches_do_not_depend_on_how_the_frames_are_cut(cuts: list[int]) -> None:
    pointing = touch_points(2, PLACES, list(PLACES), hand=Hand(lost=0.1))
    whole, cut = told(pointing, []), told(pointing, cuts)
    assert [touch.t for touch in cut] == [touch.t for touch in whole]
    assert all((a.point == b.point).all() for a, b in zip(cut, whole, strict=True))


def test_a_pointer_that_keeps_moving_or_is_hardly_seen_touches_nothing() -> None:
    t = np.arange(600) / 100.0
    turns = np.broadcast_to(np.eye(3), (600, 3, 3))
    noise = np.random.default_rng(1).normal(size=(600, 3))
    creeping = np.outer(t, [12.0, 0.0, 0.0]) + noise
    assert TouchDetector(100.0).push(t, creeping, turns) == []
    assert len(TouchDetector(100.0).push(t, noise, turns)) == 1
    assert TouchDetector(100.0).push(t, 8.0 * noise, turns) == []
    noise[np.random.default_rng(2).random(600) < 0.6] = np.nan
    assert TouchDetector(100.0).push(t, noise, turns) == []


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("slip_mm", [6.0, 20.0])
def test_a_slip_is_noticed_and_its_size_told(seed: int, slip_mm: float) -> None:
    """The tip slips after a third of the touch: before it has been still for a second, or after."""

    def touched(hold_s: float) -> list[Touch]:
        hand, slips = Hand(hold_s=hold_s), {"two": slip_mm}
        return detect(touch_points(seed, PLACES, list(PLACES), hand=hand, slips_mm=slips), EXACT)

    first, slipped, last = touched(2.4)
    assert first.slipped_mm == last.slipped_mm == 0
    assert slipped.slipped_mm == pytest.approx(slip_mm, abs=1.5)
    early = touched(4.0)[1]
    assert early.slipped_mm == 0
    assert np.linalg.norm(early.point - PLACES["two"]) < 1.0


@pytest.mark.parametrize("seed", range(4))
def test_a_small_slip_late_in_the_touch_costs_little(seed: int) -> None:
    slips = {"two": 2.5}
    pointing = touch_points(seed, PLACES, list(PLACES), hand=Hand(hold_s=2.4), slips_mm=slips)
    # Told after one second, of which the tip slipped in the last fifth.
    assert np.linalg.norm(detect(pointing, EXACT)[1].point - PLACES["two"]) < 1.2


def test_the_mean_of_autocorrelated_values_is_as_sure_as_theory_says() -> None:
    """First-order autoregression a: the variance of a mean is (1 + a) / (1 - a) times white's.

    Bartlett MS (1946) J R Stat Soc Suppl 8:27-41, large n.
    """
    random = np.random.default_rng(1)
    for a in (0.0, 0.5, 0.8):
        claimed = [
            mean_covariance(_autoregression(random, a, 400))[0, 0] * 400 * (1 - a**2)
            for _ in range(150)
        ]
        assert np.mean(claimed) == pytest.approx((1 + a) / (1 - a), rel=0.15)


def _autoregression(random: np.random.Generator, a: float, n: int) -> FloatArray:
    return np.asarray(lfilter([1.0], [1.0, -a], random.normal(size=(n + 100, 2)), axis=0)[100:])


STILL = Touch(np.zeros(3), np.eye(3), np.eye(3), 1.0, 100, 0.0)
SLIPPED = Touch(np.zeros(3), np.eye(3), np.eye(3), 1.0, 100, 0.0, slipped_mm=4.0)


def test_the_list_is_walked_from_first_to_last() -> None:
    guide = Guide(POINTS[:3])
    assert guide.text == f"1 of 3: {POINTS[0].say}"
    guide = guide.touch(STILL).skip()
    assert guide.now == POINTS[2]
    guide = guide.touch(STILL)
    assert guide.now is None
    assert guide.text == "All points done: 2 touched, 1 left out."
    assert guide.touch(STILL) == guide.skip() == guide
    assert guide.next().index == 3


def test_a_slipped_touch_is_asked_for_again() -> None:
    guide = Guide(POINTS[:3]).touch(SLIPPED)
    assert guide.index == 0
    assert guide.touches == {}
    assert guide.text.startswith("The tip slipped by 4 mm; lift it and touch again. 1 of 3")
    assert guide.touch(STILL).text.startswith("2 of 3")


def test_back_keeps_and_retake_forgets() -> None:
    first, second = POINTS[0].name, POINTS[1].name
    guide = Guide(POINTS[:3]).touch(STILL).touch(STILL)
    assert guide.back().back().back().index == 0
    assert set(guide.back().touches) == {first, second}
    assert set(guide.back().next().touches) == {first, second}
    assert set(guide.retake().touches) == {first}
    assert guide.retake().now == POINTS[1]
    assert set(guide.retake(first).touches) == {second}
    assert set(guide.back().skip().touches) == {first}
    assert guide.back().skip().back().touch(STILL).skipped == frozenset()
    with pytest.raises(KeyError, match="expected one of: crank_axis_left"):
        guide.retake("elsewhere")


@given(st.lists(st.sampled_from(["touch", "slip", "skip", "next", "back", "retake"]), max_size=40))
def test_no_order_of_steps_leaves_the_list(steps: list[str]) -> None:
    guide = Guide(POINTS[:4])
    for step in steps:
        match step:
            case "touch":
                guide = guide.touch(STILL)
            case "slip":
                guide = guide.touch(SLIPPED)
            case _:
                guide = getattr(guide, step)()
        assert 0 <= guide.index <= 4
        assert not guide.skipped & set(guide.touches)
        assert {*guide.skipped, *guide.touches} <= {point.name for point in guide.points}
        assert guide.text
