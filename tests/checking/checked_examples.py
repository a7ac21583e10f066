"""Streams that were heard, sound and with faults put in by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np

from livefit.checking import Arrival, Finding, Heard, Report, StreamHeard, Wanted, check
from livefit.definitions import Definitions, load_definitions, shipped_dir
from livefit.frames import FloatArray, MarkerBlock, StreamInfo
from simulators import RiderSimulation, Sensor, observe, stream_info

SECONDS = 14.0
SENSOR = Sensor(rate_hz=100.0)
INFO = stream_info(SENSOR)
CLOCK_S = 5_000.0
"""The receiver's clock when the device's says 0."""
QUICKEST_S, LATE_S = 0.002, 0.001
"""What the quickest message takes, and the mean of what others take longer."""


@cache
def shipped() -> Definitions:
    return load_definitions(shipped_dir())


@cache
def ride(sensor: Sensor = SENSOR, *, seed: int = 1, seconds: float = SECONDS) -> MarkerBlock:
    """A simulated ride."""
    return observe(RiderSimulation(seed=seed), sensor, count=int(seconds * sensor.rate_hz))


def column(label: str) -> int:
    return INFO.labels.index(label)


def changed(change: Callable[[FloatArray, FloatArray], None]) -> MarkerBlock:
    """The ride with its positions (n, m, 3) changed in place, given them and the times (n,)."""
    block = ride()
    positions = block.positions.copy()
    change(positions, block.t)
    return replace(block, positions=positions)


def rows(block: MarkerBlock, chosen: slice | np.ndarray) -> MarkerBlock:
    return MarkerBlock(
        block.numbers[chosen], block.t[chosen], block.positions[chosen], block.channels[chosen]
    )


def arrivals(block: MarkerBlock, info: StreamInfo = INFO, *, size: int = 1) -> list[Arrival]:
    """Frames as they come over a quick line, `size` at a time, sent when their numbers say."""
    rng = np.random.default_rng(1)
    came = []
    for start in range(0, len(block), size):
        part = rows(block, slice(start, start + size))
        sent = CLOCK_S + float(part.numbers[-1]) / info.rate_hz
        came.append(Arrival(part, sent + QUICKEST_S + float(rng.exponential(LATE_S)), sent))
    return came


def heard(
    what: MarkerBlock | list[Arrival], info: StreamInfo = INFO, *, side: str = "both"
) -> Heard:
    """One stream that was heard."""
    came = what if isinstance(what, list) else arrivals(what, info)
    return Heard("a simulated rider", True, SECONDS, [StreamHeard(info, came, side=side)])


def judged(what: Heard | MarkerBlock | list[Arrival], wanted: Wanted | None = None) -> Report:
    return check(what if isinstance(what, Heard) else heard(what), shipped(), wanted)[0]


def serious(report: Report) -> list[Finding]:
    return [finding for finding in report.findings if finding.level != "note"]


def names(report: Report) -> set[str]:
    """Names of the faults and warnings."""
    return {finding.name for finding in serious(report)}


def the(report: Report, name: str) -> Finding:
    """The one finding of a name."""
    [found] = [finding for finding in report.findings if finding.name == name]
    return found
