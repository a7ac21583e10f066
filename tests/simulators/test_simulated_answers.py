"""Cleats, and riders who answer a change of the bicycle each in their own way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulators import Bicycle, RiderSimulation
from simulators.answering import Answering, Changed, random_rider
from simulators.truth import spindle_in_foot, values_at
from tests.simulators.simulated_examples import EVEN, UNEVEN, held_at, marker

SHOE = ("LM", "CA", "VM", "FM")
STROKE = np.arange(72) / 72 * 60.0 / 90.0
EVEN_RIDER = RiderSimulation(style=EVEN)


def test_a_cleat_further_forward_sets_the_shoe_back_on_the_pedal() -> None:
    straight = replace(EVEN, toe_out_deg=0.0)
    before, after = (
        held_at(100.0, straight, Bicycle(cleat_forward_mm=by)).positions(np.zeros(1))
        for by in (0.0, 4.0)
    )
    for side in "LR":
        sole = marker(before, f"{side}_VM") - marker(before, f"{side}_CA")
        for name in SHOE:
            step = marker(after, f"{side}_{name}") - marker(before, f"{side}_{name}")
            assert np.linalg.norm(step) == pytest.approx(4.0, abs=0.3 if name == "LM" else 1e-9)
            assert (step * sole).sum() < 0
        pedal = f"{side}_PED"
        np.testing.assert_allclose(marker(after, pedal), marker(before, pedal), atol=1e-9)


@pytest.mark.parametrize("forward", [0.0, 6.0, -3.0])
def test_the_spindle_in_the_foot_follows_the_cleat(forward: float) -> None:
    rider = replace(UNEVEN, bicycle=replace(UNEVEN.bicycle, cleat_forward_mm=forward))
    positions = rider.positions(np.linspace(0.0, 3.0, 50))
    heel, toe, pedal = (marker(positions, f"R_{name}")[:, :2] for name in ("CA", "VM", "PED"))
    along = toe - heel
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    off = pedal - toe
    place = [(off * along).sum(axis=1), along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0]]
    for found, known in zip(place, spindle_in_foot(rider), strict=True):
        np.testing.assert_allclose(found, known, atol=1e-9)


def pitch(rider: RiderSimulation, side: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.asarray(values_at(rider, ["foot_inclination"], side, STROKE)["foot_inclination"])


def test_a_rider_answers_as_the_numbers_say() -> None:
    answering = Answering(
        amplitude_deg_per_mm=0.1, left_pitch_deg_per_mm=0.05, elbow_deg_per_mm=-0.2,
        follows_setback=0.5,
    )  # fmt: skip
    after = answering.after(EVEN_RIDER, Changed(saddle_height=10.0, setback=6.0, crank=-5.0))
    assert after.bicycle.setback_mm == EVEN_RIDER.bicycle.setback_mm + 3.0
    assert after.bicycle.crank_mm == EVEN_RIDER.bicycle.crank_mm - 5.0
    assert after.style.elbow_deg == EVEN_RIDER.style.elbow_deg - 2.0
    only = answering.after(EVEN_RIDER, Changed(saddle_height=10.0))
    by = {side: pitch(only, side) - pitch(EVEN_RIDER, side) for side in "LR"}
    # The toe-out of the shoe takes some seconds of arc of the pitch, seen from the side.
    assert by["R"].mean() == pytest.approx(10 * EVEN.pitch_per_saddle_deg_per_mm, abs=0.01)
    assert by["L"].mean() - by["R"].mean() == pytest.approx(0.5, abs=0.01)
    assert np.ptp(by["R"]) == pytest.approx(2 * 10 * 0.1, abs=0.02)


def test_nothing_changed_is_the_same_ride() -> None:
    assert Answering().after(EVEN_RIDER, Changed()) == EVEN_RIDER


def test_riders_by_chance_differ_and_reach() -> None:
    riders = [random_rider(np.random.default_rng([5, k])) for k in range(30)]
    again = random_rider(np.random.default_rng([5, 0]))
    assert again == riders[0]
    assert len({rider.simulation.body.stature_mm for rider in riders}) > 20
    for rider in riders:
        up = rider.answering.after(rider.simulation, Changed(saddle_height=10.0))
        down = rider.answering.after(rider.simulation, Changed(saddle_height=-10.0))
        knees = [
            values_at(replace(ride, style=replace(ride.style, variation=EVEN.variation)),
                      ["knee_flexion"], "R", STROKE)["knee_flexion"].min()
            for ride in (down, rider.simulation, up)
        ]  # fmt: skip
        # However they answer, a higher saddle straightens the knee.
        assert knees[0] > knees[1] > knees[2] > 3.0
