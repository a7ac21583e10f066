"""What comes out does not depend on how the frames were cut into blocks, to the last bit."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livefit.frames import MarkerBlock, StreamInfo
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from simulators import Change, Ride, RiderSimulation, Sensor, observe, stream_info
from tests.kernel.riding import cut, gathered, kernel_for, rows, unseen

EVENTFUL = RiderSimulation(
    ride=Ride(
        cadence_rpm=(Change(8.0, 0.0), Change(11.0, 85.0)),
        heading_deg=(Change(17.0, 25.0, 2.0),),
    )
)
"""A stop of two seconds, and a bicycle turned by 25 degrees under the pedalling rider."""
POOR = Sensor(rate_hz=100.0, lost=0.03, jitter_s=0.001, dropout=0.02, blank=0.01, burst_frames=12)


@cache
def eventful() -> tuple[StreamInfo, MarkerBlock]:
    """A ride with noise, lost frames, dropouts, a foot out of sight and gaps of 0.3 and 0.5 s."""
    info, block = stream_info(POOR), observe(EVENTFUL, POOR, count=2600)
    block = unseen(block, info, ["L_CA", "L_VM"], 3.0, 4.5)
    gaps = [(5.2, 5.5), (14.1, 14.6)]
    return info, rows(block, np.all([(block.t < a) | (block.t >= b) for a, b in gaps], axis=0))


def taken(info: StreamInfo, pieces: list[MarkerBlock]) -> tuple[Kernel, list[EventValues]]:
    kernel = kernel_for(info)
    return kernel, [values for piece in pieces for values in kernel.push(piece)]


@cache
def whole() -> tuple[Kernel, list[EventValues]]:
    info, block = eventful()
    return taken(info, [block])


def assert_same_bits(one: list[EventValues], other: list[EventValues]) -> None:
    first, second = gathered(one), gathered(other)
    assert first.keys() == second.keys()
    for key, series in first.items():
        for name in ("strokes", "t", "crank_deg", "values"):
            a, b = getattr(series, name), getattr(second[key], name)
            assert np.array_equal(a, b, equal_nan=True), (key, name)


def assert_same(
    one: tuple[Kernel, list[EventValues]], other: tuple[Kernel, list[EventValues]]
) -> None:
    assert_same_bits(one[1], other[1])
    a, b = one[0], other[0]
    assert_same_bits(a.quick(), b.quick())
    assert (a.refused, a.strokes, a.problem) == (b.refused, b.strokes, b.problem)
    assert (a.newest(), a.speed_rpm()) == (b.newest(), b.speed_rpm())
    now, then = a.moment(), b.moment()
    assert now is not None
    assert then is not None
    assert np.array_equal(now.positions, then.positions, equal_nan=True)
    others = b.measures_at(then)
    for side, values in a.measures_at(now).items():
        assert np.array_equal(values, others[side], equal_nan=True)


@pytest.mark.parametrize("size", [1, 7, 64])
def test_turns_backward(size: int) -> None:
    changes = (Change(7.0, 0.0), Change(8.0, -70.0), Change(11.3, 0.0), Change(12.0, 85.0))
    info = stream_info(POOR)
    block = observe(RiderSimulation(ride=Ride(cadence_rpm=changes)), POOR, count=2000)
    kernel, values = taken(info, [block])
    late = gathered(values)["knee_flexion", "R", "bdc"].t
    assert (late > 14.0).sum() > 3
    assert_same((kernel, values), taken(info, cut(block, [size])))


def test_the_ride_is_eventful() -> None:
    kernel, values = whole()
    assert set(kernel.refused) >= {"the bicycle moved", "frames or feet lost for too long"}
    assert kernel.strokes["R"] > 15
    series = gathered(values)
    assert np.isnan(series["knee_flexion", "L", "bdc"].values).any()
    assert len(gathered(kernel.quick())) > 10


@pytest.mark.parametrize("size", [1, 7, 64])
def test_even_blocks(size: int) -> None:
    info, block = eventful()
    assert_same(whole(), taken(info, cut(block, [size])))


@settings(max_examples=15, deadline=None, derandomize=True, database=None)
@given(st.lists(st.one_of(st.just(0), st.integers(1, 20), st.integers(21, 900)), min_size=1))
def test_ragged_and_empty_blocks(sizes: list[int]) -> None:
    info, block = eventful()
    assert_same(whole(), taken(info, cut(block, sizes)))


@pytest.mark.parametrize("size", [1, 7, 64])
@pytest.mark.parametrize("seed", [1, 2])
def test_gaps_that_end_where_a_stroke_does(size: int, seed: int) -> None:
    """The frame after a gap can be the one that completes a window."""
    random = np.random.default_rng(seed)
    info = stream_info(Sensor())
    block = observe(RiderSimulation(seed=seed), Sensor(), count=3000)
    kept = np.ones(len(block), dtype=bool)
    for start in random.integers(600, 2900, size=6):
        kept[start : start + random.integers(25, 60)] = False
    block = rows(block, kept)
    kernel, values = taken(info, [block])
    assert kernel.refused["frames or feet lost for too long"] >= 3
    assert_same((kernel, values), taken(info, cut(block, [size])))


@cache
def odd_ride() -> tuple[StreamInfo, MarkerBlock]:
    """Numbers that no sample's stride divides, as of a device that keeps every second frame."""
    sensor = Sensor(rate_hz=100.0)
    block = observe(RiderSimulation(seed=4), sensor, count=900)
    numbers = 2 * block.numbers + 1
    info = replace(stream_info(sensor), rate_hz=200.0)
    return info, MarkerBlock(numbers, block.t, block.positions, block.channels)


@pytest.mark.parametrize("size", [1, 7, 64])
def test_numbers_in_steps(size: int) -> None:
    info, block = odd_ride()
    kernel, values = taken(info, [block])
    assert kernel.strokes["R"] >= 8
    assert_same((kernel, values), taken(info, cut(block, [size])))


def test_a_long_stand_after_a_move_of_the_bicycle() -> None:
    """How many old frames are still in hand when it is found again depends on the blocks."""
    changes = Ride(
        cadence_rpm=(Change(157.0, 0.0), Change(180.0, 85.0)),
        heading_deg=(Change(156.0, 40.0, 2.0),),
    )
    sensor = Sensor(side="right")
    info = stream_info(sensor)
    block = observe(RiderSimulation(ride=changes), sensor, count=185 * 200)
    first = taken(info, [block])
    assert first[0].refused["the bicycle moved"] == 1
    strokes = gathered(first[1])["knee_flexion", "R", "bdc"].strokes
    assert (np.diff(strokes) >= 1).all()
    for sizes in ([100], [3000, 5000]):
        assert_same(first, taken(info, cut(block, sizes)))


def test_a_long_ride_with_a_stand_through_a_refinement() -> None:
    changes = Ride(cadence_rpm=(Change(18.0, 0.0), Change(33.0, 85.0)))
    sensor = Sensor(rate_hz=100.0, lost=0.02, side="left")
    info = stream_info(sensor)
    block = observe(RiderSimulation(ride=changes), sensor, count=100 * 100)
    first = taken(info, [block])
    for sizes in ([50], [1000], [9000]):
        assert_same(first, taken(info, cut(block, sizes)))


def test_what_is_given_is_not_changed() -> None:
    info, block = eventful()
    before = MarkerBlock(
        block.numbers.copy(), block.t.copy(), block.positions.copy(), block.channels.copy()
    )
    kernel = kernel_for(info)
    for name in ("numbers", "t", "positions", "channels"):
        getattr(block, name).setflags(write=False)
    values = kernel.push(block)
    for name in ("numbers", "t", "positions", "channels"):
        assert np.array_equal(getattr(block, name), getattr(before, name), equal_nan=True)
    handed_out = [v.values.copy() for v in values]
    kernel.push(MarkerBlock(block.numbers + 10_000, block.t + 100.0, block.positions))
    for v, handed in zip(values, handed_out, strict=True):
        assert np.array_equal(v.values, handed, equal_nan=True)


def test_quick_numbers_come_early_and_agree_with_the_final_ones() -> None:
    """A quick number waits for 43 degrees of crank, 80 ms at 90 rpm; a final one for 180.

    The local quintic is within 1.23 of the bound and the harmonic regression at it (see the
    module they are in), and they share most frames: at 0.5 mm both scatter by 0.07 to 0.15 deg.
    """
    sensor = Sensor()
    info = stream_info(sensor)
    block = observe(RiderSimulation(seed=3), sensor, count=2400)
    kernel = kernel_for(info)
    first_seen: dict[tuple[str, str, int], tuple[float, float]] = {}
    values: list[EventValues] = []
    for piece in cut(block, [4]):
        values += kernel.push(piece)
        for key, series in gathered(kernel.quick()).items():
            if key[0] == "knee_flexion":
                for stroke, value in zip(series.strokes, series.values, strict=True):
                    now = float(piece.t[-1])
                    first_seen.setdefault((key[1], key[2], int(stroke)), (now, float(value)))
    differences, waits = [], []
    for key, series in gathered(values).items():
        if key[0] != "knee_flexion":
            continue
        for stroke, t, value in zip(series.strokes, series.t, series.values, strict=True):
            seen = first_seen.get((key[1], key[2], int(stroke)))
            if seen is not None and t > 4.0:
                waits.append(seen[0] - t)
                differences.append(seen[1] - value)
    assert len(waits) > 80
    # 80 ms at 90 rpm, less or more by what the crank's speed varies, and one block of 20 ms.
    assert max(waits) < 0.08 * 1.15 + 0.02
    assert np.sqrt(np.mean(np.square(differences))) < 0.15
    assert abs(np.mean(differences)) < 0.03
