"""The sensor's faults have the asked size, and a frame is the same in any block."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import get_args

import numpy as np
import pytest
from numpy.typing import NDArray

from livefit.frames import FloatArray, MarkerBlock, Up
from simulators import Change, RiderSimulation, Sensor, observe, stream_info
from simulators.markers import LABELS, LANDMARKS
from simulators.truth import crank_angle
from tests.simulators.simulated_examples import UNEVEN

RIDER = RiderSimulation()
CLEAN = Sensor(noise_mm=0.0, up="+y", extra=("HF", "FM", "PED", "BIKE"))
FAULTY = Sensor(
    noise_mm=0.7, soft_tissue_mm=10, dropout=0.1, blank=0.02, lost=0.05, jitter_s=0.001,
    heading_deg=40, crank_sensor=True,
)  # fmt: skip


def true_of(sensor: Sensor, block: MarkerBlock) -> FloatArray:
    """True positions, in bike axes, of the frames and markers of a block."""
    seen = [LABELS.index(label) for label in stream_info(sensor).labels]
    return RIDER.positions(block.numbers / sensor.rate_hz)[:, seen]


def unseen(sensor: Sensor, count: int) -> NDArray[np.bool_]:
    """Which markers of which frames have no position (n, m)."""
    missing: NDArray[np.bool_] = np.isnan(observe(RIDER, sensor, count=count).positions[..., 0])
    return missing


def in_bike_axes(block: MarkerBlock) -> FloatArray:
    """Captured with up +y at heading 0: forward is +z, so that right is -x."""
    return block.positions[..., [2, 1, 0]] * [1, 1, -1]


def test_a_frame_is_the_same_in_any_block() -> None:
    whole = observe(RIDER, FAULTY, first=100, count=900)
    edges = [100, 101, 101, 140, 255, 256, 257, 600, 1000]
    pieces = [observe(RIDER, FAULTY, first=a, count=b - a) for a, b in pairwise(edges)]
    for field in ("numbers", "t", "positions", "channels"):
        joined = np.concatenate([getattr(piece, field) for piece in pieces])
        np.testing.assert_array_equal(joined, getattr(whole, field))


def test_noise_is_white_and_as_large_as_asked() -> None:
    sensor = replace(CLEAN, noise_mm=0.8)
    block = observe(RIDER, sensor, first=0, count=4000)
    error = in_bike_axes(block) - true_of(sensor, block)
    n = error.size
    assert error.std() == pytest.approx(0.8, abs=4 * 0.8 / np.sqrt(2 * n))
    assert abs(error.mean()) < 4 * 0.8 / np.sqrt(n)
    assert abs((error[1:] * error[:-1]).mean()) < 4 * 0.64 / np.sqrt(n)
    assert abs((error[:, 1:] * error[:, :-1]).mean()) < 4 * 0.64 / np.sqrt(n)


@pytest.mark.parametrize("up", get_args(Up))
@pytest.mark.parametrize("heading_deg", [0.0, 75.0, -160.0])
def test_capture_axes_are_a_rotation_with_the_right_way_up(up: Up, heading_deg: float) -> None:
    sensor = replace(CLEAN, up=up, heading_deg=heading_deg, offset_mm=(10.0, -20.0, 30.0))
    block = observe(RIDER, sensor, count=50)
    true = true_of(sensor, block)
    captured = block.positions - [10.0, -20.0, 30.0]
    # One rotation for all: the best one (Kabsch 1976, Acta Cryst. A32:922-923) is exact.
    u, _, vt = np.linalg.svd(true.reshape(-1, 3).T @ captured.reshape(-1, 3))
    turn = u @ vt
    assert np.linalg.det(turn) == pytest.approx(1.0, abs=1e-9)
    np.testing.assert_allclose(true @ turn, captured, atol=1e-8)
    above = captured[..., "xyz".index(up[1])] * (1.0 if up[0] == "+" else -1.0)
    np.testing.assert_allclose(above, true[..., 1], atol=1e-8)


def test_headings_turn_counter_clockwise_seen_from_above() -> None:
    def forward(heading_deg: float) -> FloatArray:
        sensor = replace(CLEAN, up="+z", heading_deg=heading_deg)
        block = observe(RIDER, sensor, count=1)
        at = stream_info(sensor).labels.index
        front, rear = block.positions[0, at("BIKE_FRONT")], block.positions[0, at("BIKE_REAR")]
        ahead: FloatArray = front[:2] - rear[:2]
        return ahead

    ahead, left = forward(0.0), forward(90.0)
    # A quarter turn counter-clockwise takes (x, y) to (-y, x).
    np.testing.assert_allclose(left, [-ahead[1], ahead[0]], atol=1e-9)


def test_a_turned_bicycle_turns_in_the_capture_volume() -> None:
    turning = replace(
        RIDER, style=replace(RIDER.style, cadence_rpm=0.0)
    ).changed("heading_deg", Change(1.0, 180.0, 3.0))  # fmt: skip
    block = observe(turning, CLEAN, first=0, count=1001)
    before, after = block.positions[0], block.positions[-1]
    np.testing.assert_allclose(after[:, [0, 2]], -before[:, [0, 2]], atol=1e-8)
    np.testing.assert_allclose(after[:, 1], before[:, 1], atol=1e-8)


@pytest.mark.parametrize(("share", "burst"), [(0.2, 1), (0.1, 5), (0.5, 8)])
def test_dropouts_have_the_asked_share_and_length(share: float, burst: int) -> None:
    sensor = Sensor(dropout=share, burst_frames=burst)
    missing = unseen(sensor, 20_000)
    # Gaps are as if independent: 20 markers x 20 000 frames / (2 x gap length) of them.
    gaps_seen = missing.size / (2 * burst)
    assert missing.mean() == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / gaps_seen))
    starts = (missing[1:] & ~missing[:-1]).sum()
    assert missing.sum() / starts >= burst * 0.95
    together = (missing[:, :-1] & missing[:, 1:]).mean()
    assert together == pytest.approx(share**2, abs=4 * share / np.sqrt(gaps_seen))


def test_a_missing_marker_misses_all_three_coordinates() -> None:
    missing = np.isnan(observe(RIDER, Sensor(dropout=0.2), count=500).positions)
    for axis in (1, 2):
        np.testing.assert_array_equal(missing[..., axis], missing[..., 0])


def test_blank_frames_miss_every_marker() -> None:
    missing = unseen(Sensor(blank=0.1), 20_000)
    assert (missing.all(axis=1) == missing.any(axis=1)).all()
    assert missing[:, 0].mean() == pytest.approx(0.1, abs=4 * np.sqrt(0.09 / 2000))


def test_lost_frames_leave_holes_in_the_numbers() -> None:
    block = observe(RIDER, Sensor(lost=0.05), first=40, count=20_000)
    assert len(block) / 20_000 == pytest.approx(0.95, abs=4 * np.sqrt(0.05 * 0.95 / 20_000))
    assert block.numbers[0] >= 40
    np.testing.assert_allclose(block.t, block.numbers / 200.0, atol=1e-12)


def test_jitter_moves_the_stamps_and_not_the_motion() -> None:
    quiet, shaken = (observe(RIDER, Sensor(jitter_s=j), count=5000) for j in (0.0, 0.0005))
    jitter = shaken.t - shaken.numbers / 200.0
    assert jitter.std() == pytest.approx(0.0005, abs=4 * 0.0005 / np.sqrt(10_000))
    np.testing.assert_array_equal(shaken.positions, quiet.positions)
    wild = observe(RIDER, Sensor(jitter_s=0.01), count=5000)
    assert (np.diff(wild.t) > 0).all()


def test_stamped_frames_are_taken_at_their_stamps() -> None:
    sensor = replace(CLEAN, jitter_s=0.001, sampling="stamped")
    block = observe(RIDER, sensor, count=300)
    seen = [LABELS.index(label) for label in stream_info(sensor).labels]
    true = RIDER.positions(block.t)[:, seen]
    np.testing.assert_allclose(in_bike_axes(block), true, atol=1e-9)


def test_skin_slides_at_the_hip_and_not_on_the_shoe() -> None:
    sensor = replace(CLEAN, soft_tissue_mm=15.0)
    block = observe(RIDER, sensor, count=2000)
    slid = np.linalg.norm(in_bike_axes(block) - true_of(sensor, block), axis=2)
    at = stream_info(sensor).labels.index
    assert 8 < slid[:, at("R_GT")].max() <= 15
    assert 0 < slid[:, at("R_LE")].max() < slid[:, at("R_GT")].max()
    for label in ("R_CA", "L_VM", "R_PED", "BIKE_REAR"):
        assert slid[:, at(label)].max() < 1e-9


def test_one_side_alone() -> None:
    info = stream_info(Sensor(side="left"))
    assert info.labels == tuple(f"L_{name}" for name in LANDMARKS)
    assert observe(RIDER, Sensor(side="left"), count=3).positions.shape == (3, 10, 3)


def test_the_crank_sensor_gives_the_right_cranks_angle() -> None:
    block = observe(UNEVEN, Sensor(crank_sensor=True), first=50, count=400)
    true = np.degrees(crank_angle(UNEVEN, "R", block.t))
    np.testing.assert_allclose((block.channels[:, 0] - true + 180) % 360 - 180, 0.0, atol=1e-9)
    assert ((block.channels >= 0) & (block.channels < 360)).all()
    assert stream_info(Sensor(crank_sensor=True)).channels[0].unit == "deg"


def test_impossible_sensors_are_refused() -> None:
    with pytest.raises(ValueError, match=r"dropout is a share from 0 to below 1, got 1\.5"):
        Sensor(dropout=1.5)
    with pytest.raises(ValueError, match="noise_mm must be a number from 0 up"):
        Sensor(noise_mm=-1.0)
    with pytest.raises(ValueError, match="extra markers are HF, FM, PED and BIKE, got KNEE"):
        Sensor(extra=("HF", "KNEE"))


def test_markers_put_on_anew_are_as_far_off_as_asked_and_stay_on_their_segment() -> None:
    """Segments are rigid: two markers on one keep their distance, which is another than before."""
    pairs = [("L_GT", "L_LE"), ("R_HF", "R_LM"), ("L_CA", "L_VM"), ("R_ASIS", "R_PSIS")]
    columns = [[stream_info(CLEAN).labels.index(label) for label in pair] for pair in pairs]
    errors = []
    for seed in range(40):
        sensor = replace(CLEAN, placement_mm=6.0, placement_seed=seed)
        block = observe(RIDER, sensor, count=60)
        error = in_bike_axes(block) - true_of(sensor, block)
        errors.append(np.sqrt((error**2).sum(axis=2)))
        for one, other in columns:
            apart = in_bike_axes(block)[:, one] - in_bike_axes(block)[:, other]
            bones = true_of(sensor, block)[:, one] - true_of(sensor, block)[:, other]
            length, before = (np.sqrt((way**2).sum(axis=1)) for way in (apart, bones))
            assert np.ptp(length) < 1e-9 + np.ptp(before)
            assert abs(length[0] - before[0]) > 1e-3
    off = np.array(errors)
    on_skin = [not label.startswith("BIKE") and "PED" not in label
               for label in stream_info(CLEAN).labels]  # fmt: skip
    assert np.abs(off[..., np.logical_not(on_skin)]).max() < 1e-9
    assert np.ptp(off, axis=1).max() < 1e-9
    # The square of a distance of three axes is 36 times chi squared with 3 degrees: mean 3, SD √6.
    squares = off[:, 0, on_skin] ** 2 / 36.0
    assert squares.mean() == pytest.approx(3.0, abs=4 * np.sqrt(6.0 / squares.size))
