"""Simulated streams as the node meets them: descriptions and frames messages, without a socket."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np

from livefit.definitions import Definitions, load_definitions, shipped_dir
from livefit.frames import MarkerBlock
from livefit.node.processing import Processing
from livefit.node.settings import Settings
from livefit.wire.blocks import describe, pack_block
from livefit.wire.messages import Description, Frames, Row, Snapshot
from simulators import RiderSimulation, Sensor, observe, stream_info

SENSOR = Sensor(rate_hz=100.0)
SECONDS = 12.0
STARTED = 1000.0
"""The node's clock when a stream starts, s."""


@cache
def shipped() -> Definitions:
    """The definitions that come with the program, without anybody's own over them."""
    return load_definitions(shipped_dir())


def processing(settings: Settings | None = None) -> Processing:
    """A node's state before anything came."""
    return Processing(shipped(), settings or Settings())


def description(stream: str = "one", sensor: Sensor = SENSOR) -> Description:
    """What a simulated stream says of itself."""
    return describe(stream_info(sensor), stream=stream, source="a simulated rider", precision="f8")


@cache
def block(seed: int = 1, sensor: Sensor = SENSOR, seconds: float = SECONDS) -> MarkerBlock:
    """A simulated ride."""
    return observe(RiderSimulation(seed=seed), sensor, count=int(seconds * sensor.rate_hz))


def messages(
    frames: MarkerBlock, stream: str = "one", sensor: Sensor = SENSOR, size: int = 10
) -> list[Frames]:
    """The frames as messages of at most `size` each, as a live source sends them."""
    packed = []
    for start in range(0, len(frames), size):
        part = slice(start, start + size)
        piece = MarkerBlock(
            frames.numbers[part], frames.t[part], frames.positions[part], frames.channels[part]
        )
        packed += pack_block(piece, description(stream, sensor), sent=STARTED + piece.t[-1])
    return packed


def play(node: Processing, sent: Iterable[Frames]) -> float:
    """Take messages as they arrive, 2 ms after they were sent; returns the clock after them."""
    now = STARTED
    for message in sent:
        now = (message.sent or now) + 0.002
        node.take(message, now)
    return now


@dataclass(frozen=True)
class Played:
    """A node after a ride, and its clock."""

    node: Processing
    now: float

    def snapshot(self) -> Snapshot:
        return self.node.snapshot(self.now)


def played(settings: Settings | None = None, seed: int = 1) -> Played:
    """A node that has been through a whole ride."""
    node = processing(settings)
    node.describe(description())
    return Played(node, play(node, messages(block(seed))))


def row(snapshot: Snapshot, measure: str, side: str, event: str) -> Row:
    """One row of a snapshot."""
    [found] = [r for r in snapshot.rows if (r.measure, r.side, r.event) == (measure, side, event)]
    return found


def lost(frames: MarkerBlock, numbers: Iterable[int]) -> MarkerBlock:
    """The frames without those of these numbers."""
    kept = ~np.isin(frames.numbers, list(numbers))
    return MarkerBlock(
        frames.numbers[kept], frames.t[kept], frames.positions[kept], frames.channels[kept]
    )
