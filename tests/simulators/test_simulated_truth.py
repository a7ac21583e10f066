"""The truth against geometry that knows only the marker positions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from livefit.frames import FloatArray
from simulators import Change, Ride, RiderSimulation
from simulators.truth import (
    MEASURES,
    crank_angle,
    instants,
    spindle_in_foot,
    truth_at,
    truth_over_strokes,
    values_at,
)
from tests.simulators.simulated_examples import EVEN, UNEVEN, angle_deg, marker

RATE = 1000.0
T = np.arange(0, 12, 1 / RATE)
POSITIONS = UNEVEN.positions(T)


def tilt(a: FloatArray, b: FloatArray, u: int, v: int) -> FloatArray:
    d = b - a
    direction: FloatArray = np.degrees(np.arctan2(d[:, v], d[:, u]))
    return direction


def by_hand(measure: str, side: str) -> FloatArray:
    """Every measure at every sample, from vectors, arctan2 and a rotation of the left side."""

    def m(name: str) -> FloatArray:
        return marker(POSITIONS, f"{side}_{name}") * [1, 1, -1 if side == "L" else 1]

    def both(name: str) -> FloatArray:
        return marker(POSITIONS, name)

    def wrapped(x: FloatArray) -> FloatArray:
        return (x + 180) % 360 - 180

    hand: dict[str, Callable[[], FloatArray]] = {
        "knee_flexion": lambda: 180 - angle_deg(m("GT"), m("LE"), m("LM")),
        "hip_angle": lambda: angle_deg(m("AC"), m("GT"), m("LE")),
        "ankle_angle": lambda: angle_deg(m("LE"), m("LM"), m("VM")),
        "ankle_dorsiflexion": lambda: wrapped(
            tilt(m("CA"), m("VM"), 0, 1) - tilt(m("LM"), m("LE"), 0, 1) + 90
        ),
        "foot_inclination": lambda: -tilt(m("CA"), m("VM"), 0, 1),
        "shank_inclination": lambda: tilt(m("LM"), m("LE"), 0, 1),
        "thigh_inclination": lambda: -tilt(m("GT"), m("LE"), 0, 1),
        "trunk_inclination": lambda: tilt(m("GT"), m("AC"), 0, 1),
        "shoulder_angle": lambda: angle_deg(m("GT"), m("AC"), m("EL")),
        "elbow_flexion": lambda: 180 - angle_deg(m("AC"), m("EL"), m("US")),
        "knee_over_spindle": lambda: m("LE")[:, 0] - m("PED")[:, 0],
        "knee_lateral": lambda: m("LE")[:, 2],
        "knee_to_foot_lateral": lambda: m("LE")[:, 2] - m("VM")[:, 2],
        "knee_height": lambda: m("LE")[:, 1],
        "hip_height": lambda: m("GT")[:, 1],
        "pelvic_obliquity": lambda: tilt(both("L_ASIS"), both("R_ASIS"), 2, 1),
        "pelvic_rotation": lambda: 90 - tilt(both("L_ASIS"), both("R_ASIS"), 0, 2),
        "toe_out": lambda: tilt(m("CA"), m("VM"), 0, 2),
    }
    return hand[measure]()


def spindle_angle(side: str) -> FloatArray:
    pedal = marker(POSITIONS, f"{side}_PED")
    return np.unwrap(np.arctan2(pedal[:, 0], pedal[:, 1]))


@pytest.mark.parametrize("side", ["L", "R"])
@pytest.mark.parametrize("measure", list(MEASURES))
def test_every_measure_agrees_with_vectors_and_splines(measure: str, side: str) -> None:
    # Instants from the pedal marker's own angle, values by a spline through 1000 samples a
    # second. The spline errs by 5/384 h^4 f'''' (de Boor 1978): 90 rpm and harmonics up to 6 of
    # 60 units give 1e-7.
    crank = spindle_angle(side)
    inverse = CubicSpline(crank, T)
    curve = CubicSpline(T, by_hand(measure, side))
    for level in (0.0, 90.0, 163.0, 180.0, 270.0):
        times, values = truth_at(UNEVEN, measure, side, level, 1.0, 11.0)
        np.testing.assert_allclose(times, inverse(levels(crank, level, 1.0, 11.0)), atol=1e-8)
        np.testing.assert_allclose(values, curve(times), atol=1e-6)


def levels(crank: FloatArray, level_deg: float, t0: float, t1: float) -> FloatArray:
    """The level and whole turns more, as far as the unwrapped angle goes from t0 to t1."""
    first, last = (np.interp([t0, t1], T, crank) - np.radians(level_deg)) / (2 * np.pi)
    turns = np.arange(np.ceil(first), np.floor(last) + 1)
    phases: FloatArray = np.radians(level_deg) + 2 * np.pi * turns
    return phases


def test_once_only_measures_are_timed_by_the_right_crank() -> None:
    both = truth_at(UNEVEN, "pelvic_obliquity", "B", 90.0, 0.0, 5.0)
    right = truth_at(UNEVEN, "pelvic_obliquity", "R", 90.0, 0.0, 5.0)
    np.testing.assert_array_equal(both, right)


@pytest.mark.parametrize("measure", ["knee_flexion", "hip_angle", "knee_lateral"])
def test_values_over_a_stroke(measure: str) -> None:
    begins, high = truth_over_strokes(UNEVEN, measure, "L", "maximum", 0.5, 10.0)
    _, low = truth_over_strokes(UNEVEN, measure, "L", "minimum", 0.5, 10.0)
    _, span = truth_over_strokes(UNEVEN, measure, "L", "range", 0.5, 10.0)
    _, mean = truth_over_strokes(UNEVEN, measure, "L", "mean", 0.5, 10.0)
    values, crank = by_hand(measure, "L"), spindle_angle("L")
    curve = CubicSpline(crank, values)
    tops = levels(crank, 0.0, 0.5, 10.0)[:-1]
    assert len(begins) == len(tops)
    for k, top in enumerate(tops):
        inside = values[(crank >= top) & (crank < top + 2 * np.pi)]
        inside = np.append(inside, curve([top, top + 2 * np.pi]))
        # Between samples 1 ms apart a curve of 60 units and 3 harmonics at 90 rpm rises above
        # the highest sample by at most (3 w h / 2)^2 / 2 of it.
        assert inside.max() - 1e-9 <= high[k] <= inside.max() + 60 * (1.5 * 9.5e-3) ** 2 / 2
        assert low[k] == pytest.approx(inside.min(), abs=60 * (1.5 * 9.5e-3) ** 2 / 2)
        # The mean of 720 points of a curve whose ends differ by d errs by d / 1440.
        drift = float(abs(curve(top + 2 * np.pi) - curve(top)))
        integral = curve.integrate(top, top + 2 * np.pi) / (2 * np.pi)
        assert mean[k] == pytest.approx(float(integral), abs=drift / 1440 + 1e-5)
    np.testing.assert_allclose(span, high - low, atol=1e-12)


def test_cadence_is_one_over_the_time_from_top_to_top() -> None:
    tops = instants(UNEVEN, "R", 0.0, 0.0, 12.0)
    times, rpm = truth_at(UNEVEN, "cadence", "R", 180.0, tops[0], tops[-1])
    np.testing.assert_allclose(rpm, 60 / np.diff(tops), rtol=1e-12)
    assert ((times > tops[:-1]) & (times < tops[1:])).all()
    even = RiderSimulation(style=EVEN)
    np.testing.assert_allclose(truth_at(even, "cadence", "L", 90.0, 1.0, 9.0)[1], 90.0, rtol=1e-10)


def test_a_stroke_that_is_never_completed_has_no_cadence() -> None:
    stopping = RiderSimulation(style=EVEN, ride=Ride(cadence_rpm=(Change(4.0, 0.0),)))
    times, rpm = truth_at(stopping, "cadence", "R", 90.0, 2.0, 20.0)
    assert np.isnan(rpm[-1])
    assert np.isfinite(rpm[:-1]).all()
    assert times[-1] < 5.0


def test_the_left_crank_is_half_a_turn_ahead() -> None:
    pedal = marker(POSITIONS, "L_PED")
    angle = crank_angle(UNEVEN, "L", T)
    np.testing.assert_allclose(172.5 * np.sin(angle), pedal[:, 0], atol=1e-9)
    np.testing.assert_allclose(172.5 * np.cos(angle), pedal[:, 1], atol=1e-9)
    np.testing.assert_allclose(angle - crank_angle(UNEVEN, "R", T), np.pi)


def test_the_spindle_in_the_foot_is_where_the_pedal_marker_is() -> None:
    for side in "LR":
        heel, toe, pedal = (marker(POSITIONS, f"{side}_{n}")[:, :2] for n in ("CA", "VM", "PED"))
        along = (toe - heel) / np.linalg.norm(toe - heel, axis=1)[:, None]
        up = np.stack([-along[:, 1], along[:, 0]], axis=1)
        seen = [((pedal - toe) * along).sum(1).mean(), ((pedal - toe) * up).sum(1).mean()]
        np.testing.assert_allclose(spindle_in_foot(UNEVEN), seen, atol=1e-9)


def test_unknown_measures_and_sides_are_refused() -> None:
    with pytest.raises(ValueError, match=r"no true value of 'elbow' is known; known are knee_flex"):
        truth_at(UNEVEN, "elbow", "R", 0.0, 0.0, 2.0)
    with pytest.raises(ValueError, match="side must be L, R or B, got 'left'"):
        values_at(UNEVEN, ["knee_flexion"], "left", T[:3])
