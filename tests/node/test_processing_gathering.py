"""Frames are gathered while no value can become ready, and no value changes by it."""

from __future__ import annotations

import time

import pytest

from livefit.definitions import canonical_labels, load_definitions, match_marker_set
from livefit.frames import MarkerBlock
from livefit.kernel.kernel import Kernel
from livefit.node.processing import GATHER_S, Processing
from livefit.node.settings import Settings
from livefit.wire.blocks import describe, pack_block
from livefit.wire.messages import Snapshot
from simulators import RiderSimulation, Sensor, observe, stream_info

SENSOR = Sensor(rate_hz=250.0, lost=0.02)


def run(frames_a_message: int) -> tuple[list[Snapshot], int]:
    """Snapshots as they change, and how often the kernel had to work."""
    description = describe(stream_info(SENSOR), stream="s", source="simulated", precision="f8")
    block = observe(RiderSimulation(seed=2), SENSOR, count=2500)
    processing = Processing(load_definitions(), Settings())
    processing.describe(description)
    snapshots, looked = [], 0
    for start in range(0, len(block), frames_a_message):
        rows = slice(start, start + frames_a_message)
        part = MarkerBlock(block.numbers[rows], block.t[rows], block.positions[rows])
        for message in pack_block(part, description):
            now = time.monotonic()
            processing.take(message, now)
            looked += processing.quiet_until <= now
        if processing.changed:
            snapshots.append(processing.snapshot(time.monotonic()))
    return [*snapshots, processing.snapshot(time.monotonic())], looked


def test_gathered_frames_give_the_values_of_single_ones() -> None:
    one_by_one, _ = run(1)
    all_at_once, _ = run(2500)
    assert one_by_one[-1].rows == all_at_once[-1].rows
    assert one_by_one[-1].frame == all_at_once[-1].frame


def frames_with_news() -> set[int]:
    """Frames at which a kernel that sees each frame at once has a new value."""
    known = load_definitions()
    info = stream_info(SENSOR)
    labels = canonical_labels(info.labels, match_marker_set(info.labels, known.marker_sets))
    kernel = Kernel(info, labels, known.measures, known.events)
    block = observe(RiderSimulation(seed=2), SENSOR, count=2500)
    news: set[int] = set()
    before: set[tuple[str, str, int]] = set()
    for k in range(len(block)):
        rows = slice(k, k + 1)
        values = kernel.push(MarkerBlock(block.numbers[rows], block.t[rows], block.positions[rows]))
        quick = {(v.side, v.event, int(v.strokes[0])) for v in kernel.quick()}
        if values or quick - before:
            news.add(int(block.numbers[k]))
        before = quick
    return news


def test_gathering_delays_no_value() -> None:
    snapshots, _ = run(1)
    published = {s.frame for s in snapshots}
    wanted = frames_with_news()
    assert len(wanted) > 60
    assert wanted <= published


def test_gathering_is_bounded() -> None:
    assert pytest.approx(0.06) == GATHER_S
    _, looked = run(1)
    assert 0 < looked < 2500
