"""With one side alone nobody knows where the mid-plane of the bicycle is."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from livefit.frames import MarkerBlock, StreamInfo
from livefit.kernel.kernel import Kernel
from simulators import RiderSimulation, Sensor, observe, stream_info
from tests.kernel.riding import (
    Key,
    Outcome,
    Series,
    against_truth,
    gathered,
    kernel_for,
    unseen,
)

SECONDS = 15.0
SIMULATION = RiderSimulation(seed=5)
KNEE = "knee_lateral"


@cache
def ride(how: str) -> tuple[StreamInfo, MarkerBlock]:
    """The left side alone: no labels of the right, or markers of its foot out of sight."""
    sensor = Sensor(side="left" if how == "labels" else "both")
    info = stream_info(sensor)
    block = observe(SIMULATION, sensor, count=int(SECONDS * sensor.rate_hz))
    return info, block if how == "labels" else unseen(block, info, ["R_CA", "R_VM"], 0.0, SECONDS)


@cache
def outcome(how: str) -> Outcome:
    info, block = ride(how)
    kernel = kernel_for(info)
    return Outcome(SIMULATION, kernel, kernel.push(block), SECONDS)


def measured(how: str) -> dict[Key, Series]:
    return {key: s for key, s in outcome(how).series().items() if np.isfinite(s.values).any()}


@pytest.mark.parametrize("how", ["labels", "sight"])
def test_the_knee_from_the_mid_plane_has_a_range_and_no_place(how: str) -> None:
    assert {key for key in measured(how) if key[0] == KNEE and key[1] == "L"} == {
        (KNEE, "L", "range")
    }
    error = against_truth(outcome(how), [KNEE])[KNEE, "L", "range"].error
    assert len(error) >= 15
    assert abs(error.mean()) < 1.0


@pytest.mark.parametrize("how", ["labels", "sight"])
def test_nothing_is_shown_of_it_at_once_either(how: str) -> None:
    kernel = outcome(how).kernel
    seen = [s.values for (name, *_), s in gathered(kernel.quick()).items() if name != KNEE]
    assert np.isfinite(np.concatenate(seen)).any()
    hidden = [s.values for (name, *_), s in gathered(kernel.quick()).items() if name == KNEE]
    assert np.isnan(np.concatenate(hidden)).all()
    moment = kernel.moment()
    assert moment is not None
    [left] = [side.measures for side in kernel.plan.sides if side.side == "L"]
    now = dict(zip([m.name for m in left], kernel.measures_at(moment)["L"], strict=True))
    assert np.isnan(now[KNEE])
    assert np.isfinite(now["knee_height"])


@pytest.mark.parametrize("how", ["labels", "sight"])
def test_everything_else_of_the_side_is_measured(how: str) -> None:
    there = {key[0] for key in measured(how) if key[1] == "L"}
    assert there >= {"knee_flexion", "knee_height", "hip_height", "knee_to_foot_lateral"}


def test_with_both_sides_it_has_its_place() -> None:
    info = stream_info(Sensor())
    kernel: Kernel = kernel_for(info)
    found = Outcome(
        SIMULATION, kernel, kernel.push(observe(SIMULATION, Sensor(), count=3000)), SECONDS
    )
    against = against_truth(found, [KNEE])
    for side in ("L", "R"):
        for event in ("tdc", "bdc", "mean", "maximum", "range"):
            assert abs(against[KNEE, side, event].bias) < 1.0, (side, event)
