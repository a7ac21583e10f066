"""The crank's phase against numerical calculus."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.interpolate import CubicSpline

from simulators import Change, Ride, RiderSimulation
from simulators.pedalling import Pedalling
from simulators.schedule import Schedule, blend, blend_integral

CADENCE = Schedule(80.0, (Change(4.0, 0.0, 2.0), Change(8.0, -50.0, 1.0), Change(10.0, 100.0, 2.0)))
"""Pedals, stops from 4 to 6 s, pedals backward from 8 to about 11 s, then forward."""


def pedalling(cadence: Schedule = CADENCE, start: float = 0.4) -> Pedalling:
    return Pedalling(cadence, start=start, speed_variation=0.1, wander=0.05, seed=5)


@pytest.mark.parametrize("end", [1.0, 4.9, 7.0, 8.3, 15.0])
def test_the_integral_is_that_of_the_value(end: float) -> None:
    edges = [4.0, 6.0, 8.0, 9.0, 10.0, 12.0]
    numerical, _ = quad(lambda t: CADENCE.at(np.array([t]))[0], 0, end, points=edges, epsabs=1e-10)
    assert CADENCE.integral(np.array([end]))[0] == pytest.approx(numerical, abs=1e-8)


def test_the_blend_has_two_continuous_derivatives() -> None:
    # A quintic's derivatives by hand: 30 x^2 (1 - x)^2 and 60 x (1 - x) (1 - 2 x).
    x = np.linspace(-0.5, 1.5, 8001)
    inside = (x > 0) & (x < 1)
    first = CubicSpline(x, blend(x))(x, 1)
    second = CubicSpline(x, blend(x))(x, 2)
    # The spline's own error: h^3 and h^2 times a fourth derivative of at most 360, doubled.
    h = x[1] - x[0]
    np.testing.assert_allclose(first, inside * 30 * x**2 * (1 - x) ** 2, atol=720 * h**3 + 1e-11)
    np.testing.assert_allclose(second, inside * 60 * x * (1 - x) * (1 - 2 * x), atol=360 * h)
    np.testing.assert_allclose(CubicSpline(x, blend_integral(x))(x, 1), blend(x), atol=1e-9)


def test_the_speed_is_the_derivative_of_the_phase() -> None:
    crank = pedalling()
    t, h = np.linspace(0, 15, 997), 1e-5
    numerical = (crank.phase(t + h) - crank.phase(t - h)) / (2 * h)
    np.testing.assert_allclose(crank.speed(t), numerical, atol=1e-5)


def test_the_phase_starts_where_told_and_rises_with_the_cadence() -> None:
    crank = pedalling()
    assert crank.phase(np.zeros(1))[0] == pytest.approx(0.4, abs=1e-12)
    assert (np.diff(crank.phase(np.linspace(0, 5.9, 5000))) > 0).all()
    assert np.ptp(crank.phase(np.linspace(6, 8, 50))) < 1e-9
    assert (np.diff(crank.phase(np.linspace(8.05, 10, 500))) < 0).all()


def test_an_hour_keeps_the_asked_cadence() -> None:
    crank = pedalling(Schedule(90.0))
    turns = np.diff(crank.phase(np.array([0.0, 3600.0])))[0] / (2 * np.pi)
    # The wander only shifts the phase: by its amplitudes 0.05 sqrt(2/3) (7.3 + 17.9 + 41.7) rad,
    # and the rhythm in the stroke by 0.05 rad, each at both ends.
    assert turns == pytest.approx(5400, abs=2 * (0.05 * np.sqrt(2 / 3) * 66.9 + 0.05) / (2 * np.pi))


def test_crossings_are_exact_and_each_turn_is_crossed_once() -> None:
    crank = pedalling()
    level = np.radians(120)
    times = crank.crossings(level, 0.0, 15.0)
    turns = (crank.phase(times) - level) / (2 * np.pi)
    np.testing.assert_allclose(turns, np.arange(len(times)), atol=1e-9)
    # A slow second way: the first sample of a fine grid beyond each level.
    grid = np.arange(0, 15, 1e-4)
    phase = crank.phase(grid)
    slow = [
        grid[np.argmax(phase >= level + 2 * np.pi * k)]
        for k in range(int((phase.max() - level) // (2 * np.pi)) + 1)
    ]
    np.testing.assert_allclose(times, slow, atol=1e-4)
    assert (crank.speed(times) > 0).all()


def test_crossings_do_not_depend_on_where_one_looks() -> None:
    crank = pedalling()
    whole = crank.crossings(0.0, 0.0, 15.0)
    cuts = [0.0, 3.3, 9.5, 10.9, 15.0]
    pieces = [crank.crossings(0.0, a, b) for a, b in pairwise(cuts)]
    np.testing.assert_allclose(np.concatenate(pieces), whole, atol=1e-9)


def test_changes_out_of_order_or_before_the_ride_are_refused() -> None:
    with pytest.raises(ValueError, match="in order of time"):
        Schedule(1.0, (Change(2.0, 1.0), Change(1.0, 0.0)))
    with pytest.raises(ValueError, match="begins at 0 s"):
        Ride(cadence_rpm=(Change(-1.0, 80.0),))
    with pytest.raises(ValueError, match="above 0 s"):
        Change(1.0, 80.0, 0.0)


def test_a_change_leaves_the_past_as_it_was() -> None:
    before = RiderSimulation()
    after = before.changed("cadence_rpm", Change(5.0, 110.0)).changed(
        "saddle_height_mm", Change(5.0, 720.0)
    )
    t = np.linspace(0, 5, 300)
    np.testing.assert_array_equal(after.positions(t), before.positions(t))
    assert np.abs(after.positions(t + 3) - before.positions(t + 3)).max() > 50
