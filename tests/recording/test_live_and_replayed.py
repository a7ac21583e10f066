"""A simulated ride through the real node, recorded, then played and analysed: the same numbers."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from livefit.analysis import analyse
from livefit.definitions import load_definitions
from livefit.frames import MarkerBlock
from livefit.sources.files import read_recording
from livefit.wire.blocks import describe
from livefit.wire.codec import decode
from livefit.wire.messages import Snapshot, Stroke
from livefit.wire.sockets import ControlClient, Publisher, Subscriber
from simulators import RiderSimulation, Sensor, observe, stream_info
from tests.end_to_end.running import Fit, wait_for
from tests.recording.recorder_process import Recorder, recorded, send_block, wait_until

pytestmark = pytest.mark.timeout(180)

RATE_HZ, SECONDS, STEP = 100.0, 20, 50
Values = dict[tuple[str, str, str, int], float | None]
"""Final values by measure, event, side and stroke."""


@pytest.fixture
def fit() -> Iterator[Fit]:
    running = Fit()
    yield running
    running.close()


def ride() -> MarkerBlock:
    """Twenty seconds with 0.5 mm of noise, in float64, every 40th frame lost."""
    count = int(RATE_HZ * SECONDS)
    made = observe(RiderSimulation(seed=11), Sensor(rate_hz=RATE_HZ, noise_mm=0.5), count=count)
    kept = np.flatnonzero(np.arange(count) % 40 != 7)
    return MarkerBlock(kept, kept / RATE_HZ, made.positions[kept])


def record_live(fit: Fit, into: Path, block: MarkerBlock, *, alone: int = 0) -> tuple[Path, Values]:
    """Have the real node process a ride; returns its recording and the values in it.

    So many messages of frames come while the recorder listens alone.
    """
    described = describe(
        stream_info(Sensor(rate_hz=RATE_HZ)), stream="ride", source="simulated", precision="f8"
    )
    with (
        Recorder(into, fit.frames, fit.results).start() as recorder,
        Publisher(fit.frames, cached=["description"], lossless=True) as publisher,
        Subscriber(fit.results, ["results"]) as results,
    ):
        publisher.publish(described)
        wait_until(lambda: publisher.listeners("frames") == 1, publisher.serve)
        for number, start in enumerate(range(0, len(block), STEP)):
            if number == alone:
                fit.start_node()
                wait_until(lambda: any(entry.topic == "results" for entry in recorded(into)))
                wait_until(lambda: publisher.listeners("frames") == 2, publisher.serve)
            rows = slice(start, start + STEP)
            part = MarkerBlock(block.numbers[rows], block.t[rows], block.positions[rows])
            send_block(publisher, part, described)
            if number < alone:
                continue
            last = int(part.numbers[-1])
            wait_for(results, partial(is_at, last))
        wait_until(lambda: last in snapshots(into))
        status, said = recorder.interrupt()
    assert status == 0, said
    values: Values = {}
    for entry in recorded(into):
        if entry.topic == "strokes":
            stroke = decode(Stroke, entry.raw)
            for measure, value in zip(stroke.measures, stroke.values, strict=True):
                values[measure, stroke.event, stroke.side, stroke.stroke] = value
    return recorder.path, values


def is_at(frame: int, snapshot: Snapshot) -> bool:
    return snapshot.frame == frame


def snapshots(into: Path) -> list[int | None]:
    """Newest frames of the recorded snapshots."""
    raw = [entry.raw for entry in recorded(into) if entry.topic == "results"]
    return [decode(Snapshot, each).frame for each in raw]


def analysed(path: Path, *, whole: bool = False) -> Values:
    recording = read_recording(path, whole=whole)
    found = analyse(
        recording.info,
        recording.block,
        load_definitions(),
        discipline="road_endurance",
        per_stroke=True,
    )
    return {
        (v.measure, v.event, v.side, v.stroke): None if np.isnan(v.value) else v.value
        for v in found.per_stroke
        if np.isfinite(v.t)
    }


def played(path: Path, pairs: list[tuple[str, str]], last: int) -> Values:
    """Play a recording without loss into a node of its own, and ask that for every stroke."""
    fit = Fit()
    try:
        fit.start_node()
        with Subscriber(fit.results, ["results"]) as results:
            wait_for(results, lambda s: True)
            fit.start_source("recording", f"path={path}", "speed=0")
            wait_for(results, partial(is_at, last))
        with ControlClient(fit.control, timeout_s=10.0) as control:
            asked = {"rows": [list(pair) for pair in pairs], "strokes": 100}
            rows = control.request("history", asked)["rows"]
    finally:
        fit.close()
    return {
        (row["measure"], row["event"], row["side"], stroke): value
        for row in rows
        for stroke, value in zip(row["strokes"], row["values"], strict=True)
    }


def test_the_numbers_shown_live_come_back_bit_for_bit(fit: Fit, tmp_path: Path) -> None:
    block = ride()
    path, live = record_live(fit, tmp_path, block)
    assert len({key[3] for key in live}) > 15
    again = read_recording(path).block
    assert again.positions.tobytes() == block.positions.tobytes()
    assert again.numbers.tolist() == block.numbers.tolist()

    recomputed = analysed(path)
    assert {key: recomputed[key] for key in live} == live

    pairs = sorted({(measure, event) for measure, event, _, _ in live})
    replayed = played(path, pairs, int(block.numbers[-1]))
    assert {key: replayed[key] for key in live} == live


def test_what_the_recorder_heard_before_the_node_changes_no_number(
    fit: Fit, tmp_path: Path
) -> None:
    block = ride()
    path, live = record_live(fit, tmp_path, block, alone=1)
    assert len({key[3] for key in live}) > 15
    recording = read_recording(path)
    assert recording.block.numbers.tolist() == block.numbers[STEP:].tolist()
    assert any(f"{STEP} frames came before" in note for note in recording.notes)
    assert read_recording(path, whole=True).block.numbers.tolist() == block.numbers.tolist()

    recomputed = analysed(path)
    assert {key: recomputed[key] for key in live} == live
    from_the_first_frame = analysed(path, whole=True)
    assert {key: from_the_first_frame.get(key) for key in live} != live
