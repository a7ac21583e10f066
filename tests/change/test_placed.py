"""Lengths between markers: rigid segments keep theirs, and hands do not put markers back alike."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from livefit.change.placed import STAYED_MM, Segment, farthest_off, segment_lengths
from simulators import Bicycle, Body, RiderSimulation, Sensor, observe, stream_info

SENSOR = Sensor(rate_hz=50.0, placement_mm=1.5, soft_tissue_mm=10.0)


def lengths(sensor: Sensor, higher_mm: float = 0.0) -> dict[Segment, float]:
    """Of a ride of 12 s on a saddle that is so much higher."""
    bicycle = Bicycle.fitted(Body())
    moved = replace(bicycle, saddle_height_mm=bicycle.saddle_height_mm + higher_mm)
    block = observe(RiderSimulation(bicycle=moved), sensor, count=600)
    return segment_lengths(stream_info(sensor).labels, block.positions)


def test_lengths_are_those_between_the_markers() -> None:
    """Beside a norm frame by frame; a frame without one of them does not count."""
    block = observe(RiderSimulation(), replace(SENSOR, dropout=0.2), count=80)
    labels = stream_info(SENSOR).labels
    found = segment_lengths([None if label == "L_GT" else label for label in labels],
                            block.positions)  # fmt: skip
    own = block.positions[:, [labels.index("R_LE"), labels.index("R_LM")]]
    seen = np.isfinite(own).all(axis=(1, 2))
    assert 0 < seen.sum() < 80
    expected = np.mean([np.linalg.norm(one - other) for one, other in own[seen]])
    assert found["R", "shank"] == pytest.approx(expected)
    assert ("R", "thigh") in found
    assert ("L", "thigh") not in found


def test_markers_left_on_agree_whatever_was_done_to_the_saddle() -> None:
    """Skin slides by a centimetre at the hip."""
    for higher in (5.0, -20.0):
        farthest = farthest_off(lengths(SENSOR), lengths(SENSOR, higher))
        assert farthest is not None
        assert abs(farthest[1]) < STAYED_MM / 2


def test_hands_far_better_than_any_do_not_pass_for_markers_left_on() -> None:
    """Ten placements within 1.5 mm along each axis, all pairs of them."""
    found = [lengths(replace(SENSOR, placement_seed=seed)) for seed in range(10)]
    for one, other in combinations(found, 2):
        farthest = farthest_off(one, other)
        assert farthest is not None
        assert abs(farthest[1]) > STAYED_MM


def test_nothing_is_told_of_markers_with_too_few_lengths_in_common() -> None:
    left, right = ({(side, name): 400.0 for name in ("thigh", "shank", "foot")} for side in "LR")
    assert farthest_off(left, right) is None
    assert farthest_off(left, left | right) == (("L", "thigh"), 0.0)
