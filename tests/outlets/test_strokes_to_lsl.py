"""Every stroke's values, read back from a real LSL stream on this machine."""

from __future__ import annotations

import time
from collections.abc import Iterator
from threading import Event, Thread

import numpy as np
import pytest

from livefit.outlets.lsl import run_outlet
from livefit.sources.lsl import Inlet
from livefit.wire.messages import Row, Snapshot, Stroke
from livefit.wire.sockets import Publisher
from tests.sources.lsl_streams import pylsl
from tests.wire.wire_examples import row, snapshot

PATIENCE_S = 15.0


def rows(*keys: tuple[str, str, str]) -> list[Row]:
    return [
        row().model_copy(update={"measure": measure, "event": event, "side": side})
        for measure, event, side in keys
    ]


def results(*keys: tuple[str, str, str]) -> Snapshot:
    return snapshot().model_copy(update={"rows": rows(*keys)})


def stroke(number: int, side: str, measures: list[str], values: list[float | None]) -> Stroke:
    return Stroke.model_validate(
        {
            "node": "n", "side": side, "event": "bdc", "measures": measures, "stroke": number,
            "t": 0.5 * number, "marks": 2, "values": values,
        }
    )  # fmt: skip


@pytest.fixture
def node() -> Iterator[Publisher]:
    with Publisher("tcp://127.0.0.1:0", cached=["results"]) as publisher:
        yield publisher


def test_strokes_arrive_as_samples(node: Publisher, request: pytest.FixtureRequest) -> None:
    assert pylsl.library_version()
    name, done = request.node.name, Event()
    thread = Thread(
        target=run_outlet, args=(node.endpoint, done.is_set), kwargs={"name": name}, daemon=True
    )
    thread.start()
    inlet = Inlet(f"name='{name}'")
    try:
        node.publish(results(("knee", "bdc", "L"), ("knee", "bdc", "R"), ("hip", "bdc", "R")))
        found = until_read(node, inlet)
        assert found is not None
        assert inlet.layout is not None
        described = [(channel.name, channel.unit) for channel in inlet.layout.channels]
        assert described == [
            ("t", "s"), ("stroke", "count"), ("marks", "count"),
            ("knee:bdc:L", "deg"), ("knee:bdc:R", "deg"), ("hip:bdc:R", "deg"),
        ]  # fmt: skip
        number = found[1]
        wanted = [0.5 * number, number, 2.0, np.nan, 35.25, np.nan]
        assert found.tolist() == pytest.approx(wanted, nan_ok=True)
    finally:
        inlet.close()
        done.set()
        thread.join(PATIENCE_S)
    assert not thread.is_alive()


def until_read(node: Publisher, inlet: Inlet) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Publish strokes until one is read: whoever listens at first comes late."""
    deadline = time.monotonic() + PATIENCE_S
    number = 0
    while time.monotonic() < deadline:
        number += 1
        node.publish(stroke(number, "R", ["knee", "hip"], [35.25, None]))
        _, samples = inlet.read(0.05)
        if len(samples):
            first: np.ndarray[tuple[int], np.dtype[np.float64]] = samples[0]
            return first
    raise AssertionError("no sample came")
