"""The tip against general solvers of scipy and the simulator's truth; and when it is refused."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from livefit.bicycle.pivot import fit_pivot, pivot_closed_form
from livefit.bicycle.pointer import Calibration, CalibrationError, calibrate
from livefit.bicycle.rigid import register
from livefit.frames import FloatArray
from simulators.pointing import LABELS, SHAPE, TIP, Hand, turn_about_tip
from tests.bicycle.bicycle_examples import DAY, calibrated


def tip_error(calibration: Calibration) -> FloatArray:
    """Tip found less true tip, in the axes that the calibration chose."""
    true = register(SHAPE, calibration.shape[None]).place(TIP)[0]
    return np.asarray(calibration.tip - true)


def test_the_closed_form_is_the_linear_least_squares_solution() -> None:
    """``numpy.linalg.lstsq`` of R tip - point = -origin, three rows a frame."""
    poses = register(SHAPE, turn_about_tip(1, seconds=8.0, hand=Hand(lost=0.0)).seen)
    rows = np.concatenate([poses.rotation, np.broadcast_to(-np.eye(3), poses.rotation.shape)], -1)
    wanted = np.linalg.lstsq(rows.reshape(-1, 6), -poses.origin.ravel(), rcond=None)[0]
    assert np.concatenate(pivot_closed_form(poses)) == pytest.approx(wanted, abs=1e-8)


def test_the_tip_is_that_of_a_general_solver_and_so_is_its_uncertainty() -> None:
    """``scipy.optimize.least_squares`` over tip, point and every frame's rotation vector."""
    hand = Hand(rate_hz=4.0, lost=0.05)
    turned = turn_about_tip(2, seconds=6.0, hand=hand)
    usable = np.isfinite(turned.seen[..., 0]).sum(axis=1) >= 3
    seen, t = turned.seen[usable], turned.t[usable]
    poses = register(SHAPE, seen)
    start = pivot_closed_form(poses)
    turns = Rotation.from_matrix(poses.rotation)

    def off(parameters: FloatArray) -> FloatArray:
        tip, fixed = parameters[:3], parameters[3:6]
        matrices = (Rotation.from_rotvec(parameters[6:].reshape(-1, 3)) * turns).as_matrix()
        fitted = np.einsum("nij,mj->nmi", matrices, SHAPE - tip) + fixed
        return np.asarray(np.nan_to_num(seen - fitted).ravel())

    guess = np.concatenate([*start, np.zeros(3 * len(seen))])
    solved = least_squares(off, guess, xtol=1e-14, ftol=1e-14, gtol=1e-12)
    found = fit_pivot(SHAPE, seen, t, start)
    assert found.tip == pytest.approx(solved.x[:3], abs=1e-4)
    assert found.fixed == pytest.approx(solved.x[3:6], abs=1e-4)
    jacobian = np.asarray(solved.jac)
    classical = found.residual**2 * np.linalg.inv(jacobian.T @ jacobian)[:3, :3]
    # The covariance is estimated from 12 batches; white noise has the classical one.
    assert np.trace(found.covariance) == pytest.approx(np.trace(classical), rel=0.6)


def test_half_a_millimetre_of_noise_and_twenty_seconds_give_a_fifth_of_a_millimetre() -> None:
    errors = [tip_error(calibrated(seed)) for seed in range(5)]
    assert max(np.linalg.norm(errors, axis=1)) < 0.2
    assert calibrated(0).tip_se < 0.1
    assert calibrated(0).noise == pytest.approx(0.5, rel=0.05)
    assert calibrated(0).residual == pytest.approx(0.5, rel=0.05)


def test_the_uncertainty_of_the_tip_is_honest() -> None:
    """Squared errors over the covariance: chi-square of 3 degrees for each of 24 tips."""
    hand = Hand(rate_hz=40.0)
    sizes = []
    for seed in range(24):
        calibration = calibrated(100 + seed, 15.0, hand)
        error = tip_error(calibration)
        sizes.append(error @ np.linalg.solve(calibration.covariance, error))
    # 72 degrees of freedom: mean 1, standard deviation 0.17.
    assert 0.6 < sum(sizes) / 72 < 1.6


def test_the_noise_of_the_poses_does_not_pull_the_tip_toward_the_markers() -> None:
    """Plain least squares on the poses shortens the pointer by 2 var(noise) / var(turn)."""
    hand = Hand(noise_mm=1.5, lost=0.0)
    plain, ours = [], []
    for seed in range(6):
        seen = turn_about_tip(seed, hand=hand).seen
        plain.append(pivot_closed_form(register(SHAPE, seen))[0][2] - TIP[2])
        t = np.arange(len(seen)) / 100.0
        found = fit_pivot(SHAPE, seen, t, pivot_closed_form(register(SHAPE, seen)))
        ours.append(found.tip[2] - TIP[2])
    assert abs(np.mean(ours)) < 0.1 < abs(np.mean(plain)) / 2


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        ({"seconds": 3.0}, "Turn the pointer for longer"),
        ({"tilt_deg": (4.0, 3.0), "spin_deg": 4.0}, "turn about two axes"),
        ({"tilt_deg": (35.0, 0.0), "spin_deg": 0.0}, "turn about two axes"),
        ({"slip_mm": 3.0}, "stay on one point"),
        ({"moved_mm": 2.0}, "POINTER_4 moved by about"),
        ({"hand": Hand(noise_mm=6.0)}, "moved|known to"),
    ],
)
def test_a_bad_calibration_is_refused_with_the_reason(fault: dict[str, Any], reason: str) -> None:
    turned = turn_about_tip(1, **fault)
    with pytest.raises(CalibrationError, match=reason):
        calibrate(LABELS, turned.seen, turned.t, day=DAY)


@pytest.mark.parametrize("seed", range(5))
def test_slips_and_moved_markers_are_noticed_whichever_way_they_go(seed: int) -> None:
    for turned in (turn_about_tip(seed, slip_mm=4.0), turn_about_tip(seed, moved_mm=3.0)):
        with pytest.raises(CalibrationError, match=r"stay on one point|moved by about"):
            calibrate(LABELS, turned.seen, turned.t, day=DAY)


def test_markers_elsewhere_than_defined_are_refused() -> None:
    turned = turn_about_tip(1, seconds=8.0)
    wrong = SHAPE + np.outer([0, 1, 0, 0], [12.0, 0.0, 0.0])
    with pytest.raises(CalibrationError, match=r"found POINTER_2 1\d\.\d mm from there"):
        calibrate(LABELS, turned.seen, turned.t, day=DAY, nominal=wrong)
    right = calibrate(LABELS, turned.seen, turned.t, day=DAY, nominal=SHAPE)
    assert np.linalg.norm(tip_error(right)) < 0.3


def test_an_old_calibration_is_called_old() -> None:
    calibration = calibrated(0)
    assert not calibration.is_old(DAY, 30)
    assert not calibration.is_old(DAY + timedelta(days=30), 30)
    assert calibration.is_old(DAY + timedelta(days=31), 30)
    assert calibration.is_old(date(2025, 2, 28), 30)
