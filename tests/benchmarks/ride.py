"""The simulated rider, 30 markers, and the kernel with all that the shipped definitions ask."""

from __future__ import annotations

import numpy as np

from livefit.definitions import canonical_labels, load_definitions, match_marker_set
from livefit.frames import MarkerBlock, StreamInfo
from livefit.kernel.kernel import Kernel
from simulators import RiderSimulation, Sensor, observe, stream_info

MARKERS = 30
_CHUNK = 12_000


def record(seed: int, rate_hz: float, frames: int) -> tuple[StreamInfo, MarkerBlock]:
    """Frames of the simulated rider with 0.5 mm of noise, 30 markers of the 31 there are."""
    sensor = Sensor(rate_hz=rate_hz, noise_mm=0.5, extra=("HF", "FM", "PED", "BIKE"))
    whole = stream_info(sensor)
    info = StreamInfo(whole.labels[:MARKERS], whole.rate_hz, whole.up, whole.sampling)
    rider = RiderSimulation(seed=seed)
    positions = np.empty((frames, MARKERS, 3))
    for first in range(0, frames, _CHUNK):
        count = min(_CHUNK, frames - first)
        made = observe(rider, sensor, first=first, count=count)
        positions[first : first + count] = made.positions[:, :MARKERS]
    numbers = np.arange(frames, dtype=np.int64)
    return info, MarkerBlock(numbers, numbers / rate_hz, positions)


def part_of(block: MarkerBlock, first: int, count: int) -> MarkerBlock:
    """Frames `first` to `first + count` - 1 of a block."""
    part = slice(first, first + count)
    return MarkerBlock(
        block.numbers[part], block.t[part], block.positions[part], block.channels[part]
    )


def new_kernel(info: StreamInfo) -> Kernel:
    """A kernel with everything that the shipped definitions ask for."""
    definitions = load_definitions()
    labels = canonical_labels(info.labels, match_marker_set(info.labels, definitions.marker_sets))
    return Kernel(info, labels, definitions.measures, definitions.events)
