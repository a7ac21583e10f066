"""A sound stream has no fault and no warning, whoever rides and whatever is seen."""

from __future__ import annotations

from typing import Literal

import pytest

from simulators import Sensor, stream_info
from tests.checking.checked_examples import heard, judged, ride, serious

SEEDS = (1, 2, 3, 4, 5)


def findings(sensor: Sensor, seed: int) -> list[str]:
    what = heard(ride(sensor, seed=seed), stream_info(sensor), side=sensor.side)
    return [f"{finding.name}: {finding.text}" for finding in serious(judged(what))]


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("rate_hz", [100.0, 250.0])
def test_both_sides(rate_hz: float, seed: int) -> None:
    assert findings(Sensor(rate_hz=rate_hz), seed) == []


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("seed", SEEDS[:2])
def test_one_side(side: Literal["left", "right"], seed: int) -> None:
    assert findings(Sensor(rate_hz=200.0, side=side), seed) == []


def test_further_markers_a_crank_sensor_and_other_axes() -> None:
    sensor = Sensor(
        rate_hz=100.0,
        extra=("HF", "FM", "PED", "BIKE"),
        crank_sensor=True,
        up="-y",
        heading_deg=50.0,
    )
    assert findings(sensor, 1) == []


def test_true_uneven_stamps_that_say_so() -> None:
    assert findings(Sensor(rate_hz=100.0, sampling="stamped", jitter_s=0.002), 1) == []
