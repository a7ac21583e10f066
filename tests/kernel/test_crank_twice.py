"""The crank against other solvers: scipy.optimize, scipy's rotations, closed forms."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from livefit.frames import FloatArray, Up
from livefit.kernel.crank import BikeFrame
from livefit.kernel.crank_search import (
    SPINDLE_PRIOR_MM,
    CrankNotFoundError,
    circle_through,
    find_bike,
    level_rotation,
)
from simulators import RiderSimulation, Sensor, observe, stream_info
from simulators.truth import spindle_in_foot

SENSOR = Sensor(rate_hz=50.0)


def feet(seconds: float, seed: int = 1, sensor: Sensor = SENSOR) -> dict[str, FloatArray]:
    info = stream_info(sensor)
    names = ("CA", "VM", *sensor.extra)
    block = observe(RiderSimulation(seed=seed), sensor, count=int(seconds * sensor.rate_hz))
    return {
        side: block.positions[:, [info.labels.index(f"{side}_{name}") for name in names]]
        for side in "LR"
    }


@pytest.mark.parametrize("up", get_args(Up))
def test_levelling_is_a_proper_rotation_that_lifts_up_to_the_second_axis(up: Up) -> None:
    """``scipy.spatial.transform.Rotation`` takes any matrix and returns the nearest rotation."""
    matrix = level_rotation(up)
    assert Rotation.from_matrix(matrix).as_matrix() == pytest.approx(matrix, abs=1e-12)
    assert np.linalg.det(matrix) == pytest.approx(1.0)
    upward = np.zeros(3)
    upward["xyz".index(up[1])] = 1.0 if up[0] == "+" else -1.0
    assert matrix @ upward == pytest.approx([0.0, 1.0, 0.0])


@pytest.mark.parametrize("heading", [0.0, 45.0, 200.0, 300.0])
def test_bike_axes_are_capture_axes_turned(heading: float) -> None:
    """Heading 0, z up: forward is x. First -90 deg about x levels, then back about the new y."""
    sensor = Sensor(rate_hz=50.0, heading_deg=heading)
    bike = find_bike(feet(10.0, sensor=sensor), "+z")
    expected = Rotation.from_euler("xy", [-90.0, -heading], degrees=True)
    found = Rotation.from_matrix(bike.rotation)
    # 0.5 mm sideways over 500 frames on a crank of 172.5 mm: 0.01 deg.
    assert np.degrees((found * expected.inv()).magnitude()) < 0.05
    random = np.random.default_rng(1).normal(size=(5, 4, 3)) * 1000
    turned = found.apply((random - bike.origin).reshape(-1, 3)).reshape(random.shape)
    assert bike.to_bike(random) == pytest.approx(turned, abs=1e-9)
    assert bike.by_axis(random) == pytest.approx(np.moveaxis(turned, -1, 0), abs=1e-9)


def solved_elsewhere(bike: BikeFrame, side: str, foot: FloatArray) -> FloatArray:
    """Spindle (2), centre (2) and length by Levenberg-Marquardt with finite differences."""
    flat = (foot - bike.origin) @ bike.rotation.T
    heel, toe = (flat[:, k, 0] + 1j * flat[:, k, 1] for k in (0, 1))
    along = (toe - heel) / np.abs(toe - heel)
    spread = bike.cranks[side].residual

    def off(parameters: FloatArray) -> FloatArray:
        a, b, x, y, length = parameters
        spindle = toe + (a + 1j * b) * along
        circle = np.abs(spindle - (x + 1j * y)) - length
        return np.concatenate([circle, spread / SPINDLE_PRIOR_MM * parameters[:2]])

    start = np.array([0.0, 0.0, toe.real.mean(), toe.imag.mean(), 150.0])
    solution = least_squares(off, start, method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    return np.asarray(solution.x)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_crank_is_scipys_least_squares_solution(seed: int) -> None:
    """``scipy.optimize.least_squares`` on the same residuals, from complex numbers.

    Gauss-Newton stops below 1e-4 mm of step and converges at least tenfold a step there. With
    noise so small that there is nothing to take out for it: 1 mm would be 0.2 mm of spindle, and
    it goes with the square.
    """
    seen = feet(10.0, seed, Sensor(rate_hz=50.0, noise_mm=0.005))
    bike = find_bike(seen, "+z")
    for side, foot in seen.items():
        crank = bike.cranks[side]
        found = [*crank.spindle, *crank.centre, crank.length]
        assert found == pytest.approx(solved_elsewhere(bike, side, foot), abs=1e-4)


def test_noise_leaves_no_bias_in_spindle_and_length() -> None:
    """The simulator's truth, over 40 rides with 2 mm of noise: within 4 standard errors.

    Plain least squares, by scipy on the same frames, is off by more than that in all three.
    """
    sensor = Sensor(rate_hz=50.0, noise_mm=2.0)
    found, plain = [], []
    for seed in range(40):
        seen = feet(20.0, seed, sensor)
        bike = find_bike(seen, "+z")
        for side, foot in seen.items():
            crank = bike.cranks[side]
            found.append([*crank.spindle, crank.length])
            plain.append(solved_elsewhere(bike, side, foot)[[0, 1, 4]])
    rider = RiderSimulation()
    truth = np.array([*spindle_in_foot(rider), rider.bicycle.crank_mm])
    error = 4 * np.std(found, axis=0, ddof=1) / np.sqrt(len(found))
    assert (np.abs(np.mean(found, axis=0) - truth) < error).all()
    assert (np.abs(np.mean(plain, axis=0) - truth) > error).all()


def test_the_crank_angle_is_that_of_the_spindle_about_the_centre() -> None:
    seen = feet(4.0, 5)
    bike = find_bike(seen, "+z")
    for side, foot in seen.items():
        crank = bike.cranks[side]
        flat = (foot - bike.origin) @ bike.rotation.T
        heel, toe = (flat[:, k, 0] + 1j * flat[:, k, 1] for k in (0, 1))
        spindle = toe + complex(*crank.spindle) * (toe - heel) / np.abs(toe - heel)
        arm = spindle - complex(*crank.centre)
        # From the top toward forward: clockwise from the imaginary axis.
        expected = np.angle(1j / arm * np.abs(arm))
        found = crank.arm(bike.by_axis(foot))
        assert np.arctan2(found[0], found[1]) == pytest.approx(expected, abs=1e-9)
        alone = replace(bike, cranks={side: crank})
        assert alone.departures(found[:, None])[0] == pytest.approx(
            np.hypot(np.abs(arm) - crank.length, flat[:, 1, 2] - crank.outward), abs=1e-9
        )


def test_circle_through_points_on_one() -> None:
    """Closed form: any three points and more of a circle give that circle back."""
    angle = np.array([0.1, 0.9, 2.0, 4.0, 5.5])
    points = np.stack([300 + 172.5 * np.cos(angle), -80 + 172.5 * np.sin(angle)], axis=1)
    centre, radius = circle_through(points)
    assert centre == pytest.approx([300.0, -80.0])
    assert radius == pytest.approx(172.5)


def test_a_pedal_marker_makes_a_plain_circle() -> None:
    """Then the spindle is seen, and the crank is the geometric circle through where it was."""
    seen = feet(10.0, sensor=Sensor(rate_hz=50.0, extra=("PED",)))
    bike = find_bike(seen, "+z")
    for side, foot in seen.items():
        pedal = ((foot - bike.origin) @ bike.rotation.T)[:, 2]

        def off(p: FloatArray, pedal: FloatArray = pedal) -> FloatArray:
            return np.asarray(np.hypot(pedal[:, 0] - p[0], pedal[:, 1] - p[1]) - p[2])

        solution = least_squares(off, [0.0, 0.0, 100.0], method="lm", xtol=1e-14)
        crank = bike.cranks[side]
        assert [*crank.centre, crank.length] == pytest.approx(solution.x, abs=1e-4)
        # Covariance of the same solver; its residuals are white, as the marker's noise is.
        jacobian = np.asarray(solution.jac, dtype=np.float64)
        curvature = np.linalg.inv(jacobian.T @ jacobian)
        se = np.sqrt(curvature[2, 2] * 2 * solution.cost / (len(pedal) - 3))
        assert se < crank.length_se < 2 * se


def test_a_start_from_an_earlier_answer_only_saves_time() -> None:
    seen = feet(10.0, 6)
    afresh = find_bike(seen, "+z")
    near = find_bike({side: foot[:100] for side, foot in seen.items()}, "+z")
    again = find_bike(seen, "+z", near)
    assert again.rotation == pytest.approx(afresh.rotation, abs=1e-4)
    for side, crank in afresh.cranks.items():
        assert again.cranks[side].length == pytest.approx(crank.length, abs=2e-2)
        assert again.cranks[side].spindle == pytest.approx(crank.spindle, abs=2e-1)


def test_half_a_turn_is_not_enough() -> None:
    half = {side: foot[:16] for side, foot in feet(1.0).items()}
    with pytest.raises(CrankNotFoundError, match="no whole turn of the cranks yet"):
        find_bike(half, "+z")


def test_frames_that_miss_a_foot_marker_are_left_out() -> None:
    foot = feet(10.0, 7)["L"]
    holed = foot.copy()
    holed[100:140, 0] = np.nan
    one = find_bike({"L": holed}, "+z").cranks["L"]
    other = find_bike({"L": np.delete(foot, np.s_[100:140], axis=0)}, "+z").cranks["L"]
    assert one == other
    with pytest.raises(CrankNotFoundError, match=r"heel \(CA\) and fifth metatarsal head \(VM\)"):
        find_bike({"L": np.full((100, 2, 3), np.nan)}, "+z")
