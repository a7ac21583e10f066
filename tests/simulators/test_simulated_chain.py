"""The closed chain against rigid bodies, the circle, and a planar rider worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livefit.frames import FloatArray
from simulators import Bicycle, Body, RiderSimulation, Style
from simulators.chain import OutOfReachError
from simulators.settings import PLANAR
from tests.simulators.simulated_examples import EVEN, UNEVEN, angle_deg, held_at, length, marker

SECONDS = np.linspace(0, 20, 1501)


def test_segments_keep_their_published_lengths() -> None:
    # Drillis & Contini 1966, Body Segment Parameters, Tech. Rep. 1166.03: shares of stature.
    published = {"thigh": 0.245, "shank": 0.246, "trunk": 0.288, "upper": 0.186, "fore": 0.146}
    tall = Body(1900.0)
    joints = replace(UNEVEN, body=tall, bicycle=Bicycle.fitted(tall)).joints(SECONDS)
    leg, arm = joints.leg, joints.arm
    mirrored = leg.hip * [1, 1, 1]
    mirrored[:, 0, 2] *= -1
    shoulders = arm.shoulder[:, 0] * [1, 1, 0]
    measured = {
        "thigh": length(leg.hip, leg.knee),
        "shank": length(leg.knee, leg.ankle),
        "trunk": length(mirrored.mean(axis=1), shoulders),
        "upper": length(arm.shoulder, arm.elbow),
        "fore": length(arm.elbow, arm.wrist),
    }
    for name, lengths in measured.items():
        np.testing.assert_allclose(lengths, published[name] * 1900, rtol=0, atol=1e-9)


def test_markers_of_one_segment_keep_their_distances() -> None:
    positions = UNEVEN.positions(SECONDS)
    pairs = [("GT", "LE"), ("LE", "LM"), ("LE", "HF"), ("HF", "LM"), ("CA", "VM"), ("CA", "FM"),
             ("ASIS", "PSIS"), ("PED", "CA"), ("PED", "VM"), ("PED", "FM")]  # fmt: skip
    for side in "LR":
        for a, b in pairs:
            apart = length(marker(positions, f"{side}_{a}"), marker(positions, f"{side}_{b}"))
            assert np.ptp(apart) < 1e-9, (side, a, b)


def test_a_shorter_shank_is_shorter_on_the_left_only() -> None:
    legs = replace(UNEVEN, body=Body(left_shank_shorter_mm=9.0)).joints(SECONDS).leg
    shanks = length(legs.knee, legs.ankle)
    np.testing.assert_allclose(shanks[:, 1] - shanks[:, 0], 9.0, atol=1e-9)


def test_spindles_stay_on_the_crank_circle_opposite_each_other() -> None:
    positions = UNEVEN.positions(SECONDS)
    left, right = (marker(positions, f"{side}_PED") for side in "LR")
    np.testing.assert_allclose(np.hypot(right[:, 0], right[:, 1]), 172.5, atol=1e-9)
    np.testing.assert_allclose(left[:, :2], -right[:, :2], atol=1e-9)
    np.testing.assert_allclose(left[:, 2], -right[:, 2], atol=1e-9)
    assert (right[:, 2] > 0).all()


def test_the_spindle_stays_in_place_in_the_shoe() -> None:
    positions = UNEVEN.positions(SECONDS)
    for side in "LR":
        heel, toe, pedal = (marker(positions, f"{side}_{n}")[:, :2] for n in ("CA", "VM", "PED"))
        along = (toe - heel) / length(toe, heel)[:, None]
        up = np.stack([-along[:, 1], along[:, 0]], axis=1)
        place = np.stack([((pedal - toe) * axis).sum(axis=1) for axis in (along, up)], axis=1)
        assert np.ptp(place, axis=0).max() < 1e-9
        # Where a cleat holds a shoe: behind the fifth metatarsal head, below it
        # (common practice, no source).
        assert -30 < place[0, 0] < -10
        assert -50 < place[0, 1] < -35


def test_an_even_rider_is_symmetric_half_a_turn_later() -> None:
    simulation = RiderSimulation(style=EVEN)
    half = 60 / 90 / 2
    now, later = simulation.positions(SECONDS), simulation.positions(SECONDS + half)
    for name in ("AC", "EL", "US", "ASIS", "PSIS", "GT", "LE", "LM", "CA", "VM", "HF", "FM", "PED"):
        mirrored = marker(now, f"R_{name}") * [1, 1, -1]
        np.testing.assert_allclose(marker(later, f"L_{name}"), mirrored, atol=1e-9)


def test_markers_lie_outside_their_joints_on_their_side() -> None:
    positions = RiderSimulation().positions(SECONDS)
    for name in ("AC", "EL", "US", "ASIS", "PSIS", "GT", "LE", "LM", "CA", "VM"):
        assert (marker(positions, f"R_{name}")[:, 2] > 20).all()
        assert (marker(positions, f"L_{name}")[:, 2] < -20).all()


PLANAR_BICYCLE = Bicycle(
    saddle_height_mm=742.0, seat_tube_deg=73.0, setback_mm=0.0, crank_mm=172.5, q_factor_mm=66.0
)


def planar_knee(crank_deg: float, pitch_deg: float, saddle_mm: float = 742.0) -> float:
    """Knee flexion of a leg in one plane: both feet straight below the hips, no sideways motion."""
    style = replace(
        PLANAR, pitch_mean_deg=pitch_deg, pitch_amplitude_deg=0.0, pitch_second_deg=0.0,
        pitch_per_saddle_deg_per_mm=0.0, sink_per_saddle=0.0,
    )  # fmt: skip
    bicycle = replace(PLANAR_BICYCLE, saddle_height_mm=saddle_mm)
    leg = held_at(crank_deg, style, bicycle).joints(np.zeros(1)).leg
    assert np.ptp([leg.hip[0, 1, 2], leg.knee[0, 1, 2], leg.ankle[0, 1, 2]]) < 1e-9
    return float(180 - angle_deg(leg.hip, leg.knee, leg.ankle)[0, 1])


def planar_knee_by_hand(crank_deg: float, pitch_deg: float, saddle_mm: float) -> float:
    """The same by the law of cosines: hip 85 mm above the saddle, ankle 125 behind, 95 above."""
    tube, crank, pitch = np.radians([73.0, crank_deg, pitch_deg])
    hip = complex(-saddle_mm * np.cos(tube), saddle_mm * np.sin(tube) + 85)
    pedal = 172.5 * complex(np.sin(crank), np.cos(crank))
    reach = abs(hip - pedal - complex(-125, 95) * np.exp(-1j * pitch))
    thigh, shank = 0.245 * 1780, 0.246 * 1780
    inside = (thigh**2 + shank**2 - reach**2) / (2 * thigh * shank)
    return float(180 - np.degrees(np.arccos(inside)))


@pytest.mark.parametrize(
    ("crank_deg", "pitch_deg", "knee_deg"),
    [(180, 20, 29.4), (163, 20, 28.3), (90, 15, 66.3), (0, 10, 107.2),
     (180, 10, 21.3), (180, 15, 26.0), (180, 25, 31.8), (180, 30, 33.5)],
)  # fmt: skip
def test_the_planar_check_rider(crank_deg: float, pitch_deg: float, knee_deg: float) -> None:
    # Stature 1.78 m, seat tube 73 deg, crank 172.5, saddle 742 mm; knee by the law of cosines.
    knee = planar_knee(crank_deg, pitch_deg)
    assert knee == pytest.approx(planar_knee_by_hand(crank_deg, pitch_deg, 742.0), abs=1e-9)
    # Worked out beforehand and rounded to 0.1 deg; the last row rounds 33.45.
    assert knee == pytest.approx(knee_deg, abs=0.0501)


def test_the_planar_check_riders_saddle() -> None:
    at_rest = planar_knee(180, 20)
    # Differences of two angles, each change rounded to 0.1 deg.
    assert planar_knee(180, 20, 752.0) - at_rest == pytest.approx(-5.7, abs=0.05)
    assert planar_knee(180, 20, 732.0) - at_rest == pytest.approx(4.7, abs=0.0501)


def test_the_knee_obeys_the_law_of_cosines_in_space() -> None:
    leg = UNEVEN.joints(SECONDS).leg
    thigh, shank = 0.245 * 1780, 0.246 * 1780
    reach: FloatArray = length(leg.hip, leg.ankle)
    cosine = (thigh**2 + shank**2 - reach**2) / (2 * thigh * shank)
    np.testing.assert_allclose(
        angle_deg(leg.hip, leg.knee, leg.ankle), np.degrees(np.arccos(cosine)), atol=1e-9
    )


def test_a_saddle_out_of_reach_is_refused() -> None:
    with pytest.raises(OutOfReachError, match=r"lower.*saddle"):
        RiderSimulation(bicycle=Bicycle(saddle_height_mm=800.0))
    with pytest.raises(OutOfReachError, match=r"leaves \d mm .* expected 8 mm"):
        RiderSimulation(
            style=Style(pitch_per_saddle_deg_per_mm=0.0, sink_per_saddle=0.0),
            bicycle=Bicycle(saddle_height_mm=748.0),
        )
    with pytest.raises(OutOfReachError, match="taller rider"):
        RiderSimulation(bicycle=Bicycle(bar_reach_mm=900.0))


def test_impossible_bodies_and_styles_are_refused() -> None:
    with pytest.raises(ValueError, match="stature must be 1200 to 2300 mm, got 178"):
        Body(178.0)
    with pytest.raises(ValueError, match="speed_variation"):
        Style(speed_variation=0.9)
