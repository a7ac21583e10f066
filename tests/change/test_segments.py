"""Markers that move on the skin or change their labels are noticed and named."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from livefit.change.segments import SegmentWatch
from livefit.frames import FloatArray, MarkerBlock, StreamInfo
from livefit.kernel.kernel import Kernel
from livefit.wire.blocks import FrameReader
from livefit.wire.messages import Description, Frames
from simulators import Change, Ride, RiderSimulation, Sensor, observe, stream_info
from simulators.faults import read_fault
from simulators.faulty import journey
from simulators.markers import LABELS
from simulators.options import STYLES
from tests.node.streams import shipped

TURN_S = 60 / 90
NOISE_MM = 0.3


def watched(info: StreamInfo, blocks: list[MarkerBlock]) -> list[tuple[float, str]]:
    """Each new text and the time at which it came, through the kernel."""
    kernel = Kernel(info, info.labels, shipped().measures, shipped().events, with_cycles=True)
    watch = SegmentWatch(kernel.labels)
    told: list[tuple[float, str]] = []
    for block in blocks:
        kernel.push(block)
        for poses in kernel.take_poses():
            watch.take(poses.first, poses.positions)
        moved = watch.moved()
        if moved is not None and moved.text not in {before for _, before in told}:
            told.append((float(block.t[-1]), moved.text))
    return told


def of_fault(name: str) -> list[tuple[float, str]]:
    ride = journey(read_fault(name), frames_a_message=10, rate="100")
    described = ride.parcels[0].read()
    assert isinstance(described, Description)
    reader = FrameReader(described)
    messages = [parcel.read() for parcel in ride.parcels[1:]]
    return watched(
        ride.info, [reader.read(message) for message in messages if isinstance(message, Frames)]
    )


@pytest.mark.parametrize(
    ("name", "at_s", "words"),
    [
        ("slipped_knee", 10.0, "the right knee marker moved: thigh 10 mm shorter, shank 2 mm long"),
        ("slipped_heel", 10.0, "the right heel marker moved: ankle to heel 10 mm shorter, foot 7"),
        ("swapped_labels", 10.0, "the labels R_LE and R_LM have exchanged their markers"),
        ("swapped_sides", 10.0, "the labels L_LE and R_LE have exchanged their markers"),
        ("swapped_hips", 10.0, "the labels L_GT and R_GT have exchanged their markers"),
        # It creeps a millimetre a second: 5 mm are too many from the tenth second on.
        ("creeping_hip", 10.0, "the left hip"),
    ],
)
def test_what_moved_is_told_within_ten_strokes(name: str, at_s: float, words: str) -> None:
    told = of_fault(name)
    assert told
    assert at_s < told[0][0] < at_s + 10 * TURN_S
    assert any(text.startswith(words) for _, text in told), told


@pytest.mark.parametrize("name", ["sound", "flicker", "hidden_hip", "coarse", "noise"])
def test_nothing_is_told_of_markers_that_stay(name: str) -> None:
    assert of_fault(name) == []


@pytest.mark.parametrize("style", list(STYLES))
def test_nothing_is_told_when_skin_slides_and_saddle_and_cadence_change(style: str) -> None:
    changes = Ride(
        cadence_rpm=(Change(16.0, 60.0), Change(22.0, 0.0), Change(26.0, 100.0)),
        saddle_height_mm=(Change(10.0, 726.0),),
        heading_deg=(Change(32.0, 30.0),),
    )
    sensor = Sensor(rate_hz=60.0, soft_tissue_mm=20.0)
    block = observe(RiderSimulation(style=STYLES[style], ride=changes), sensor, count=2400)
    assert watched(stream_info(sensor), [block]) == []


@cache
def turns(count: int = 14) -> FloatArray:
    """True positions (count, 36, m, 3) every 10 deg of the right crank, and noise."""
    rider = RiderSimulation(seed=4)
    phases = np.radians(10.0 * np.arange(36 * count))
    times = rider.pedalling.times_of(phases, np.zeros(36 * count), np.full(36 * count, 60.0))
    noise = np.random.default_rng(1).normal(0.0, NOISE_MM, (36 * count, len(LABELS), 3))
    positions: FloatArray = (rider.positions(times) + noise).reshape(count, 36, len(LABELS), 3)
    return positions


def told_of(positions: FloatArray) -> list[str | None]:
    """What is told after each half turn."""
    watch = SegmentWatch(LABELS)
    told = []
    for k, half in enumerate(positions.reshape(-1, 18, *positions.shape[2:])):
        watch.take(18 * k, half)
        moved = watch.moved()
        told.append(None if moved is None else moved.text)
    return told


@pytest.mark.parametrize(
    ("marker", "toward", "words"),
    [
        ("L_GT", "L_LE", "the left hip marker moved: thigh 9 mm shorter"),
        ("R_EL", "R_AC", "the right elbow marker moved: upper arm 9 mm shorter"),
        ("R_VM", "R_CA", "the right outer forefoot marker moved: "),
        ("L_LM", "L_LE", "the left ankle marker moved: shank 9 mm shorter"),
        ("L_LE", "L_LM", "the left knee marker moved: "),
    ],
)
def test_the_marker_that_moved_is_named(marker: str, toward: str, words: str) -> None:
    positions = turns().copy()
    one, other = LABELS.index(marker), LABELS.index(toward)
    way = positions[8:, :, other] - positions[8:, :, one]
    positions[8:, :, one] += 9.0 * way / np.linalg.norm(way, axis=-1, keepdims=True)
    told = told_of(positions)
    assert set(told[:16]) == {None}
    assert told[-1] is not None
    assert told[-1].startswith(words)


def test_two_markers_that_moved_are_both_named_and_a_marker_put_back_is_no_more() -> None:
    positions = turns().copy()
    for marker, toward in (("R_LE", "R_GT"), ("L_US", "L_EL")):
        one, other = LABELS.index(marker), LABELS.index(toward)
        way = positions[7:10, :, other] - positions[7:10, :, one]
        positions[7:10, :, one] += 9.0 * way / np.linalg.norm(way, axis=-1, keepdims=True)
    told = told_of(positions)
    assert told[19] is not None
    assert "the right knee marker moved" in told[19]
    assert "the left wrist marker moved: forearm 9 mm shorter" in told[19]
    assert told[-1] is None


def test_one_stray_turn_and_markers_out_of_sight_are_no_news() -> None:
    positions = turns().copy()
    positions[9, :, LABELS.index("R_LE"), 1] += 40.0
    positions[6:, 5:30, LABELS.index("L_LM")] = np.nan
    positions[10:, :, LABELS.index("R_EL")] = np.nan
    assert set(told_of(positions)) == {None}


def test_a_stream_without_neighbours_has_nothing_to_tell() -> None:
    watch = SegmentWatch(["R_GT", "L_LE"])
    watch.take(0, np.zeros((18, 2, 3)))
    assert watch.moved() is None
