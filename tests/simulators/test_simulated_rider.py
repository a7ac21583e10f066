"""Whether the simulated rider moves as published riders do, and the same way every time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livefit.frames import FloatArray
from simulators import Bicycle, Body, Change, Ride, RiderSimulation, Sensor, Style, Variation
from simulators.sensor import observe
from simulators.truth import truth_at, truth_over_strokes, values_at
from tests.simulators.simulated_examples import EVEN, UNEVEN, held_at

RIDER = RiderSimulation()


def at(measure: str, crank_deg: float, rider: RiderSimulation = RIDER) -> FloatArray:
    return truth_at(rider, measure, "R", crank_deg, 0.0, 60.0)[1]


def over(measure: str, kind: str, rider: RiderSimulation = RIDER) -> FloatArray:
    return truth_over_strokes(rider, measure, "R", kind, 0.0, 30.0)[1]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("stature_mm", "crank_mm"), [(1600.0, 165.0), (1780.0, 172.5), (1950.0, 175.0)]
)
def test_knee_flexion_lies_in_the_published_bands(stature_mm: float, crank_mm: float) -> None:
    body = Body(stature_mm)
    rider = RiderSimulation(body=body, bicycle=Bicycle.fitted(body, crank_mm))
    # Ferrer-Roca et al. 2012, J Strength Cond Res 26:3025-3029: 30 to 40 deg, crank in line with
    # the seat tube.
    assert 30 < at("knee_flexion", 163.0, rider).mean() < 40
    # Swart & Holliday 2019, Curr Sports Med Rep 18:490-496: 33 to 43 deg at low intensity.
    assert 33 < at("knee_flexion", 180.0, rider).mean() < 43


def test_the_knee_is_most_bent_near_the_top_of_the_stroke() -> None:
    # 105 to 115 deg: common practice, from memory.
    assert 105 < at("knee_flexion", 0.0).mean() < 115
    assert 105 < over("knee_flexion", "maximum").mean() < 115


def test_ranges_of_motion_are_near_the_published_ones() -> None:
    # BMC Musculoskelet Disord 2021, 22:1044, 31 riders: knee 75.2, hip 43.9, ankle 26.9 deg.
    # No SD was read; a tenth of it allowed for one rider.
    for measure, published in (
        ("knee_flexion", 75.2), ("hip_angle", 43.9), ("ankle_dorsiflexion", 26.9)
    ):  # fmt: skip
        assert over(measure, "range").mean() == pytest.approx(published, rel=0.12), measure
    # Ericson et al. 1988, J Orthop Sports Phys Ther 9:273-278: 2 plantar to 22 dorsiflexion;
    # the spread between riders is about 4 (Millour et al. 2020, doi 10.28985/0620.jsc.03).
    assert over("ankle_dorsiflexion", "minimum").mean() == pytest.approx(-2, abs=4)
    assert over("ankle_dorsiflexion", "maximum").mean() == pytest.approx(22, abs=4)


def test_posture_is_that_of_a_road_rider() -> None:
    # Holliday & Swart 2021, Sports Med Health Sci 3:93-100, 50 road riders: elbow 19 +- 8.
    assert abs(over("elbow_flexion", "mean").mean() - 19) < 8
    # Silberman et al. 2005, Clin J Sport Med 15:271-276: trunk about 45 deg on the hoods.
    assert over("trunk_inclination", "mean").mean() == pytest.approx(45, abs=5)
    # Knee over the spindle at 3 o'clock: +-10 mm, common practice, from memory.
    assert abs(at("knee_over_spindle", 90.0).mean()) < 10
    # Sauer et al. 2007, Med Sci Sports Exerc 39:2204-2211: roll of about 2 deg, toward the side
    # that pushes.
    assert over("pelvic_obliquity", "range").mean() / 2 == pytest.approx(2, abs=1)
    assert at("pelvic_obliquity", 90.0).mean() < -1


def test_the_knee_moves_sideways_by_millimetres() -> None:
    # Med Sci Sports Exerc suppl., abstract 322: medio-lateral deviation 8 +- 3 mm without pain.
    assert 5 < over("knee_lateral", "range").mean() < 20


def test_strokes_differ_as_much_as_riders_do() -> None:
    # Stroke SD of knee flexion at the bottom 1 to 2 deg: from memory.
    long = truth_at(RIDER, "knee_flexion", "L", 180.0, 0.0, 600.0)[1]
    assert 1 < long.std() < 2
    # Strokes are nearly independent: neighbours correlate by at most a quarter.
    d = long - long.mean()
    assert abs((d[1:] * d[:-1]).mean() / d.var()) < 0.25


def saddle_slopes(rider: RiderSimulation) -> dict[str, float]:
    """Change over 30 mm of saddle, 15 up and 15 down, of a rider who has settled."""
    height = rider.bicycle.saddle_height_mm

    def value(measure: str, by_mm: float) -> float:
        held = held_at(180.0, EVEN, Bicycle(saddle_height_mm=height + by_mm))
        return float(values_at(held, [measure], "R", np.zeros(1))[measure][0])

    return {
        name: value(name, 15.0) - value(name, -15.0)
        for name in ("knee_flexion", "ankle_dorsiflexion", "hip_angle")
    }


def test_saddle_height_moves_the_knee_as_published() -> None:
    # Ferrer-Roca et al. 2014, J Strength Cond Res 28:784-791: 4 % of the saddle height (about
    # 30 mm) are 7 deg of knee and 8 deg of ankle; so 4 to 5 mm of saddle to a degree of knee.
    slopes = saddle_slopes(RIDER)
    assert 4 <= 30 / -slopes["knee_flexion"] <= 5
    assert slopes["ankle_dorsiflexion"] == pytest.approx(-8, abs=1)


def test_a_rider_settles_on_a_moved_saddle_over_some_strokes() -> None:
    move = Change(10.0, RIDER.bicycle.saddle_height_mm + 10, 1.5)
    rider = RiderSimulation(style=EVEN, ride=Ride(saddle_height_mm=(move,)))
    times, knee = truth_at(rider, "knee_flexion", "R", 180.0, 0.0, 60.0)
    before, after = knee[times < 10], knee[times > 40]
    held = RiderSimulation(style=EVEN, bicycle=Bicycle(saddle_height_mm=move.to))
    settled = truth_at(held, "knee_flexion", "R", 180.0, 0.0, 20.0)[1]
    np.testing.assert_allclose(after, settled.mean(), atol=0.01)
    assert np.ptp(before) < 1e-6
    # The knee first straightens by more than what remains: the ankle follows later.
    assert knee.min() < settled.mean() - 0.5
    away = np.abs(knee[times > 12] - settled.mean())
    assert (np.diff(away) < 0).all()
    # (1 + s) exp(-s) is 0.05 at s = 4.74: 14.2 strokes of 3 each, one more for rounding up.
    assert np.argmax(away < 0.055 * (knee.max() - knee.min())) <= 15


def test_setback_moves_the_knee_behind_the_spindle() -> None:
    back = replace(RIDER, bicycle=replace(RIDER.bicycle, setback_mm=RIDER.bicycle.setback_mm + 10))
    moved = at("knee_over_spindle", 90.0, back).mean() - at("knee_over_spindle", 90.0).mean()
    assert -12 < moved < -4


def test_lower_bar_leans_the_trunk() -> None:
    low = replace(RIDER, bicycle=replace(RIDER.bicycle, bar_height_mm=610.0))
    assert over("trunk_inclination", "mean", low).mean() < 46
    assert over("trunk_inclination", "mean").mean() > 46


def test_a_seed_gives_one_ride_and_another_seed_another() -> None:
    t = np.linspace(0, 30, 500)
    again = RiderSimulation().positions(t)
    np.testing.assert_array_equal(RIDER.positions(t), again)
    other = replace(RIDER, seed=2).positions(t)
    assert np.abs(other - again).max() > 5


def test_any_times_in_any_number_give_the_same_positions() -> None:
    t = np.random.default_rng(4).uniform(0, 3600, 300)
    whole = UNEVEN.positions(t)
    one_by_one = np.concatenate([UNEVEN.positions(t[k : k + 1]) for k in range(len(t))])
    np.testing.assert_array_equal(one_by_one, whole)
    assert UNEVEN.positions(t[:0]).shape == (0, *whole.shape[1:])


def test_motion_is_smooth() -> None:
    # Two continuous derivatives: the third difference over h^3 stays bounded as h shrinks, so
    # that the second difference of the second halves' worth of samples agrees.
    t = np.arange(0, 8, 1e-3)
    acceleration = np.diff(UNEVEN.positions(t), 2, axis=0) / 1e-6
    jump = np.abs(np.diff(acceleration, axis=0)).max()
    assert jump < 0.05 * np.abs(acceleration).max()


def test_drift_shows_after_a_hundred_strokes() -> None:
    style = replace(EVEN, drift_deg_per_100_strokes=2.0)
    foot = truth_at(RiderSimulation(style=style), "foot_inclination", "R", 90.0, 0.0, 70.0)[1]
    assert foot[100] - foot[0] == pytest.approx(2.0, abs=1e-6)


def test_asymmetry_shows_on_the_left_only() -> None:
    toe_down = RiderSimulation(style=replace(EVEN, left_pitch_deg=5.0))
    even = RiderSimulation(style=EVEN)
    for side, more in (("L", 5.0), ("R", 0.0)):
        foot, plain = (
            truth_at(rider, "foot_inclination", side, 90.0, 0.0, 3.0)[1]
            for rider in (toe_down, even)
        )
        np.testing.assert_allclose(foot - plain, more, atol=0.05)


def test_standing_still_keeps_every_marker_in_place() -> None:
    still = RiderSimulation(style=Style(cadence_rpm=0.0, start_deg=70.0))
    assert np.ptp(still.positions(np.linspace(0, 60, 50)), axis=0).max() < 1e-9


def test_the_variation_has_the_asked_size() -> None:
    varied = replace(EVEN, variation=Variation(2.0, 0.0, 0.0, 0.0, 0.0))
    rider = RiderSimulation(style=varied)
    for crank in (0.0, 60.0, 180.0):
        foot = truth_at(rider, "foot_inclination", "R", crank, 0.0, 1200.0)[1]
        # 1800 strokes: the SD of an SD is SD / sqrt(2 n); four of these.
        assert foot.std() == pytest.approx(2.0, abs=4 * 2.0 / np.sqrt(3600))


def test_an_hour_is_made_in_chunks() -> None:
    block = observe(RIDER, Sensor(noise_mm=0.0), first=3599 * 200, count=200)
    assert len(block) == 200
    assert np.isfinite(block.positions).all()
