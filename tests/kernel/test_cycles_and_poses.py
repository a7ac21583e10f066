"""Whole cycles and poses against the values at events, and against angles worked out by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest

from livefit.frames import Channel, FloatArray, MarkerBlock, StreamInfo
from livefit.kernel.cycles import MOST_KEPT, GridPoses, StrokeCycle
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from simulators import RiderSimulation, Sensor, observe, stream_info
from tests.kernel.riding import cut, gathered, kernel_for, rows, shipped, unseen

SENSOR = Sensor(rate_hz=100.0, lost=0.02, dropout=0.01)
ROW_OF = {"tdc": 0, "forward": 9, "bdc": 18, "rearward": 27}


@dataclass(frozen=True)
class Kept:
    """What a kernel that keeps cycles made of a ride."""

    kernel: Kernel
    values: list[EventValues]
    cycles: list[StrokeCycle]
    poses: list[GridPoses]

    def positions(self, angle: int) -> FloatArray:
        """Markers (markers, 3) at a place on the grid of the right crank."""
        for poses in self.poses:
            if 0 <= angle - poses.first < len(poses.positions):
                here: FloatArray = poses.positions[angle - poses.first]
                return here
        raise KeyError(angle)


@cache
def uneven() -> tuple[StreamInfo, MarkerBlock]:
    """A ride with noise, lost frames, a knee out of sight and a gap of 0.4 s."""
    info, block = stream_info(SENSOR), observe(RiderSimulation(seed=2), SENSOR, count=2000)
    block = unseen(block, info, ["L_LE"], 5.0, 8.0)
    return info, rows(block, (block.t < 12.0) | (block.t >= 12.4))


def kept_of(sizes: Sequence[int]) -> Kept:
    info, block = uneven()
    kernel = kernel_for(info, with_cycles=True)
    values, cycles, poses = [], [], []
    for piece in cut(block, sizes):
        values += kernel.push(piece)
        cycles += kernel.take_cycles()
        poses += kernel.take_poses()
    return Kept(kernel, values, cycles, poses)


@cache
def whole() -> Kept:
    return kept_of([2000])


@pytest.mark.parametrize("sizes", [[1], [7], [64], [300, 0, 5, 811]])
def test_the_same_however_the_frames_were_cut(sizes: list[int]) -> None:
    one, other = whole(), kept_of(sizes)
    assert len(one.cycles) == len(other.cycles) > 60
    for a, b in zip(one.cycles, other.cycles, strict=True):
        assert replace(a, values=b.values) == b
        assert np.array_equal(a.values, b.values, equal_nan=True)
    assert len(one.poses) == len(other.poses) > 40
    for p, q in zip(one.poses, other.poses, strict=True):
        assert p.first == q.first
        assert np.array_equal(p.positions, q.positions, equal_nan=True)


def test_values_are_the_same_with_and_without() -> None:
    info, block = uneven()
    plain, kept = gathered(kernel_for(info).push(block)), gathered(whole().values)
    assert plain.keys() == kept.keys()
    for key, series in plain.items():
        assert np.array_equal(series.values, kept[key].values, equal_nan=True)
        assert np.array_equal(series.t, kept[key].t, equal_nan=True)


def test_every_measure_of_a_side_has_a_curve_and_every_stroke_found() -> None:
    own = {side.side: side.measures for side in whole().kernel.plan.sides}
    assert all(own.values())
    found: dict[str, list[int]] = {side: [] for side in own}
    for cycle in whole().cycles:
        assert cycle.measures == tuple(m.name for m in own[cycle.side])
        assert cycle.values.shape == (37, len(cycle.measures))
        found[cycle.side].append(cycle.stroke)
    for side, strokes in found.items():
        assert (np.diff(strokes) > 0).all()
        assert len(strokes) == whole().kernel.strokes[side]
    ends = [cycle.t for cycle in whole().cycles]
    assert ends == sorted(ends)


def test_cycles_pass_through_the_values_at_events() -> None:
    """Up to rounding: the same regression at the same angle."""
    series = gathered(whole().values)
    compared = 0
    for cycle in whole().cycles:
        for column, measure in enumerate(cycle.measures):
            for event, row in ROW_OF.items():
                at = series[measure, cycle.side, event]
                [place] = np.flatnonzero(at.strokes == cycle.stroke)
                value = cycle.values[row, column]
                assert value == pytest.approx(at.values[place], abs=1e-9, nan_ok=True)
                compared += np.isfinite(value)
            at = series[measure, cycle.side, "tdc"]
            [place] = np.flatnonzero(at.strokes == cycle.stroke + 1)
            last = cycle.values[36, column]
            assert last == pytest.approx(at.values[place], abs=1e-9, nan_ok=True)
    assert compared > 1000


def test_the_end_of_a_cycle_is_the_time_of_its_top() -> None:
    tops = {side: gathered(whole().values)["ankle_angle", side, "tdc"] for side in "LR"}
    for cycle in whole().cycles:
        if cycle.side in tops:
            top = tops[cycle.side]
            assert cycle.t == pytest.approx(top.t[top.strokes == cycle.stroke + 1][0], abs=1e-9)


@pytest.mark.parametrize("side", ["L", "R"])
def test_a_knee_worked_out_from_the_poses(side: str) -> None:
    """180 deg less the angle at the knee, by its cosine; the left crank is half a turn ahead."""
    labels = whole().kernel.labels
    hip, knee, ankle = (labels.index(f"{side}_{name}") for name in ("GT", "LE", "LM"))
    compared = 0
    for cycle in whole().cycles:
        if cycle.side != side:
            continue
        column = cycle.measures.index("knee_flexion")
        for row in range(37):
            points = whole().positions(36 * cycle.stroke + row - (18 if side == "L" else 0))
            thigh, shank = points[hip] - points[knee], points[ankle] - points[knee]
            cosine = thigh @ shank / np.sqrt((thigh @ thigh) * (shank @ shank))
            by_hand = 180.0 - np.degrees(np.arccos(cosine))
            value = cycle.values[row, column]
            assert value == pytest.approx(by_hand, abs=1e-6, nan_ok=True)
            compared += np.isfinite(value)
    assert compared > 600


def test_a_missing_marker_takes_its_own_measures_and_a_gap_the_stroke() -> None:
    left = [cycle for cycle in whole().cycles if cycle.side == "L"]
    hidden = [cycle for cycle in left if 6.0 < cycle.t < 7.5]
    assert hidden
    for cycle in hidden:
        known = np.isfinite(cycle.values)
        seen = {name: known[:, k].any() for k, name in enumerate(cycle.measures)}
        assert not seen["knee_flexion"]
        assert seen["foot_inclination"]
    knee = whole().kernel.labels.index("L_LE")
    lost = [np.isnan(p.positions[:, knee]).all() for p in whole().poses]
    assert 3 < sum(lost) < len(lost) / 2
    assert not any(12.0 < cycle.t < 12.4 for cycle in left)
    assert max(np.diff([cycle.stroke for cycle in left])) > 1


def test_taking_empties_and_what_nobody_takes_is_dropped() -> None:
    info, block = stream_info(Sensor()), observe(RiderSimulation(), Sensor(), count=60 * 200)
    measure = shipped().measure("knee_flexion")
    once, left = (kernel_for(info, [measure], with_cycles=True) for _ in range(2))
    taken = []
    for k in range(3):
        again = MarkerBlock(block.numbers + k * len(block), block.t + 60.0 * k, block.positions)
        once.push(again)
        left.push(again)
        taken += once.take_cycles()
        assert once.take_poses()
        assert once.take_cycles() == []
        assert once.take_poses() == []
    assert len(taken) > MOST_KEPT
    late = left.take_cycles()
    assert len(late) == MOST_KEPT
    for a, b in zip(late, taken[-MOST_KEPT:], strict=True):
        assert (a.side, a.stroke, a.t) == (b.side, b.stroke, b.t)
    assert len(left.take_poses()) == MOST_KEPT


def test_a_kernel_that_keeps_nothing_says_so() -> None:
    kernel = kernel_for(uneven()[0])
    for take in (kernel.take_cycles, kernel.take_poses):
        with pytest.raises(RuntimeError, match="with_cycles=True"):
            take()


@pytest.mark.parametrize("size", [1, 7, 800])
def test_the_newest_value_of_a_channel(size: int) -> None:
    channels = (Channel("workload", "W"), Channel("hrm", "bpm"), Channel("never", "W"))
    info = replace(stream_info(Sensor(rate_hz=100.0)), channels=channels)
    block = observe(RiderSimulation(), Sensor(rate_hz=100.0), count=800)
    extra = np.full((800, 3), np.nan)
    extra[::7, 0] = 200.0 + np.arange(800)[::7]
    extra[:450, 1] = 140.0
    block = MarkerBlock(block.numbers, block.t, block.positions, extra)
    kernel = kernel_for(info)
    assert kernel.channel("workload") is None
    frames = 0
    for piece in cut(block, [size]):
        kernel.push(piece)
        frames += len(piece)
        assert kernel.channel("workload") == 200.0 + (frames - 1) // 7 * 7
        # The last one comes at 4.49 s and is told of for 3 s, until 7.49 s.
        if frames != 750:
            assert kernel.channel("hrm") == (140.0 if frames < 750 else None)
        assert kernel.channel("never") is None
        assert kernel.channel("unheard_of") is None
