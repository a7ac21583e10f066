"""Faults of the measured frames, each against what its words promise."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pydantic import TypeAdapter

from livefit.frames import FloatArray, MarkerBlock
from simulators import RiderSimulation, Sensor, observe, stream_info
from simulators.faults import fault_names, read_fault
from simulators.frame_faults import AnyFrameFault, FrameFault, apply_faults, check_faults
from simulators.options import read_options
from simulators.scene import Scene

SENSOR = Sensor(rate_hz=100.0, noise_mm=0.0, extra=("PED",))
RIDER = RiderSimulation()
SCENE = Scene(RIDER, stream_info(SENSOR))
KINDS: TypeAdapter[FrameFault] = TypeAdapter(AnyFrameFault)


def whole(count: int = 600) -> MarkerBlock:
    return observe(RIDER, SENSOR, count=count)


def after(block: MarkerBlock, **settings: Any) -> MarkerBlock:
    """The block with one fault in it."""
    return apply_faults([KINDS.validate_python(settings)], block, SCENE)


def marker(block: MarkerBlock, label: str) -> FloatArray:
    return block.positions[:, SCENE.column(label)]


def length(block: MarkerBlock, one: str, other: str) -> FloatArray:
    distance: FloatArray = np.linalg.norm(marker(block, one) - marker(block, other), axis=1)
    return distance


def blank(count: int) -> MarkerBlock:
    """Frames of which only the numbers matter."""
    numbers = np.arange(count, dtype=np.int64)
    unseen = np.zeros((count, len(SCENE.info.labels), 3))
    return MarkerBlock(numbers, numbers / 100.0, unseen)


@pytest.mark.parametrize("name", [name for name in fault_names() if read_fault(name).frames])
def test_a_frame_is_the_same_whatever_block_it_is_in(name: str) -> None:
    fault = read_fault(name)
    simulation, sensor, _ = read_options({"rate": "40", **fault.source})
    scene = Scene(simulation, stream_info(sensor))
    block = observe(simulation, sensor, count=520)
    at_once = apply_faults(fault.frames, block, scene)
    cut = []
    for low, high in zip([0, 1, 2, 130, 401], [1, 2, 130, 401, 520], strict=True):
        rows = (block.numbers >= low) & (block.numbers < high)
        part = MarkerBlock(block.numbers[rows], block.t[rows], block.positions[rows])
        cut.append(apply_faults(fault.frames, part, scene))
    pieces = MarkerBlock.joined(cut)
    np.testing.assert_array_equal(pieces.numbers, at_once.numbers)
    np.testing.assert_array_equal(pieces.t, at_once.t)
    np.testing.assert_array_equal(pieces.positions, at_once.positions)


def test_random_losses_are_as_many_as_asked_for_and_independent() -> None:
    n = 100_000
    lost = np.ones(n, dtype=bool)
    lost[after(blank(n), kind="random_loss", share=0.1).numbers] = False
    assert lost.mean() == pytest.approx(0.1, abs=4 * np.sqrt(0.1 * 0.9 / n))
    both = (lost[1:] & lost[:-1]).mean()
    assert both == pytest.approx(0.01, abs=4 * np.sqrt(0.01 / n))


def test_bursts_have_the_share_and_the_lengths_of_a_two_state_chain() -> None:
    """Gilbert 1960: spells are geometric, so that their standard deviation is sqrt(m (m - 1))."""
    n, mean = 400_000, 8.0
    lost = np.ones(n, dtype=bool)
    chain = after(blank(n), kind="bursty_loss", share=0.2, mean_frames=mean)
    lost[chain.numbers] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[0], lost, [0]])))
    lengths = edges[1::2] - edges[::2]
    error = np.sqrt(mean * (mean - 1) / len(lengths))
    assert lengths.mean() == pytest.approx(mean, abs=4 * error)
    assert lengths.std() == pytest.approx(np.sqrt(mean * (mean - 1)), rel=0.05)
    assert lost.mean() == pytest.approx(0.2, abs=0.01)
    milder = after(blank(n), kind="bursty_loss", share=0.2, mean_frames=mean, lost_in_bad=0.5,
                   lost_in_good=0.01)  # fmt: skip
    assert 1 - len(milder) / n == pytest.approx(0.2 * 0.5 + 0.8 * 0.01, abs=0.01)


def test_hidden_follows_the_own_crank() -> None:
    """The witness is where the end of the pedal spindle stands."""
    block = whole()
    hidden = after(block, kind="hidden", markers=["L_GT", "R_LE"], from_deg=300, to_deg=390)
    for label in ("L_GT", "R_LE"):
        x, _, up = marker(block, f"{label[0]}_PED").T
        crank = np.degrees(np.arctan2(x, up)) % 360.0
        gone = np.isnan(marker(hidden, label)[:, 0])
        clear = np.abs((crank - 345.0 + 180.0) % 360.0 - 180.0)
        assert gone[clear < 44.5].all()
        assert not gone[clear > 45.5].any()
        assert 0.2 < gone.mean() < 0.3
    assert np.isfinite(marker(hidden, "R_GT")).all()


def test_zeros_stand_for_what_is_missing() -> None:
    hidden = after(whole(100), kind="hidden", markers=["R_LE"])
    zeros = after(hidden, kind="zeros")
    assert (marker(zeros, "R_LE") == 0.0).all()
    np.testing.assert_array_equal(marker(zeros, "R_GT"), marker(hidden, "R_GT"))


def test_stamps_scatter_drift_and_begin_elsewhere() -> None:
    block = blank(20_000)
    off = after(block, kind="stamps", jitter_ms=4.0).t - block.t
    assert off.std() == pytest.approx(4e-3, rel=4 / np.sqrt(2 * len(off)))
    assert off.mean() == pytest.approx(0.0, abs=4 * 4e-3 / np.sqrt(len(off)))
    # A normal distribution: its fourth moment is three squares of its second.
    assert (off**4).mean() == pytest.approx(3 * off.var() ** 2, rel=0.1)
    clock = after(block, kind="stamps", drift_ppm=200.0, offset_s=50.0).t
    assert clock[0] == 50.0
    assert clock[-1] - clock[0] == pytest.approx(block.t[-1] * 1.0002, abs=1e-9)
    ahead = after(block, kind="ahead", share=0.01, by_s=2.0).t - block.t
    assert set(ahead.round(9)) == {0.0, 2.0}
    assert (ahead > 1).mean() == pytest.approx(0.01, abs=0.003)


def test_two_labels_exchange_and_change_back() -> None:
    block = whole()
    swapped = after(block, kind="swapped", one="R_LE", other="R_LM", at_s=2.0, until_s=4.0)
    during = (block.numbers >= 200) & (block.numbers < 400)
    for one, other in (("R_LE", "R_LM"), ("R_LM", "R_LE")):
        np.testing.assert_array_equal(marker(swapped, one)[during], marker(block, other)[during])
        np.testing.assert_array_equal(marker(swapped, one)[~during], marker(block, one)[~during])


def test_a_marker_slides_along_the_line_to_another() -> None:
    block = whole()
    slipped = after(block, kind="slipped", marker="R_LE", toward="R_GT", mm=8.0, at_s=2.0)
    thigh = length(slipped, "R_LE", "R_GT") - length(block, "R_LE", "R_GT")
    np.testing.assert_allclose(thigh[:200], 0.0, atol=1e-9)
    np.testing.assert_allclose(thigh[250:], -8.0, atol=1e-9)
    assert thigh[225] == pytest.approx(-4.0, abs=1e-9)
    away = np.linalg.norm(marker(slipped, "R_LE") - marker(block, "R_LE"), axis=1)
    np.testing.assert_allclose(away[250:], 8.0)


def test_a_loose_marker_swings_along_the_upward_axis() -> None:
    block = whole()
    loose = after(block, kind="swinging", marker="R_CA", mm=12.0, hz=5.0, at_s=1.0)
    moved = marker(loose, "R_CA") - marker(block, "R_CA")
    assert not moved[:100].any()
    assert not moved[:, :2].any()
    assert np.abs(moved).max() == pytest.approx(12.0, abs=1e-6)
    spectrum = np.abs(np.fft.rfft(moved[100:, 2]))
    assert np.fft.rfftfreq(500, 0.01)[spectrum.argmax()] == pytest.approx(5.0)


def test_strays_are_so_far_away_and_in_every_direction() -> None:
    moved = marker(after(blank(40_000), kind="strays", marker="R_LE", share=0.1, mm=200.0), "R_LE")
    away = np.linalg.norm(moved, axis=1)
    gone = away > 0
    np.testing.assert_allclose(away[gone], 200.0)
    assert gone.mean() == pytest.approx(0.1, abs=0.006)
    # Even on the sphere: no mean, and a third of the square on each axis.
    np.testing.assert_allclose(moved[gone].mean(axis=0), 0.0, atol=8.0)
    np.testing.assert_allclose((moved[gone] ** 2).mean(axis=0), 200.0**2 / 3, rtol=0.05)


def test_scale_and_steps() -> None:
    block = whole(50)
    scaled = after(block, kind="scaled", factor=0.001)
    np.testing.assert_allclose(scaled.positions * 1000, block.positions)
    coarse = after(block, kind="rounded", step_mm=5.0).positions
    assert not np.mod(coarse, 5.0).any()
    assert np.abs(coarse - block.positions).max() <= 2.5


def test_a_rate_that_changes_leaves_no_gap_in_the_numbers() -> None:
    block = whole()
    slower = after(block, kind="slower", one_in=3, at_s=2.0)
    assert slower.numbers.tolist() == list(range(200 + 134))
    np.testing.assert_allclose(np.diff(slower.t[:201]), 0.01)
    np.testing.assert_allclose(np.diff(slower.t[201:]), 0.03)
    np.testing.assert_array_equal(slower.positions[200:], block.positions[200::3])


def test_a_marker_that_the_stream_has_not_is_refused_before_the_ride() -> None:
    fault = KINDS.validate_python({"kind": "hidden", "markers": ["R_XX"]})
    with pytest.raises(ValueError, match=r"needs the marker 'R_XX', the stream has L_AC, R_AC"):
        check_faults([fault], SCENE)
