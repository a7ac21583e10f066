"""Fits recorded with what a node told meanwhile, without a socket."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from livefit.frames import MarkerBlock
from livefit.node.processing import Processing
from livefit.node.requests import answer
from livefit.recording.writing import RecordingWriter
from livefit.wire.codec import NAMES, encode
from livefit.wire.messages import Message
from simulators import Sensor
from tests.node.streams import STARTED, description, messages, processing

EPOCH_S = 1_700_000_000
TOLD_EVERY_S = 0.5

Key = tuple[str, str, str]


@dataclass
class Recorded:
    """A node and a recorder on a clock of the test's own.

    ``published``: what the first node published, by mark and row.
    """

    directory: Path
    now: float = STARTED
    node: Processing = field(default_factory=processing)
    published: dict[tuple[int, Key], list[float]] = field(default_factory=lambda: defaultdict(list))

    def __post_init__(self) -> None:
        self.writer = RecordingWriter(self.directory, "fit")
        self._told = 0.0
        self._first = self.node

    def say(self, message: Message) -> None:
        ns = round(1e9 * (EPOCH_S + self.now))
        self.writer.add(NAMES[type(message)], encode(message), arrived_ns=ns, sent_ns=ns)

    def ride(
        self,
        block: MarkerBlock,
        stream: str,
        sensor: Sensor,
        do: dict[float, tuple[str, dict[str, object]]],
    ) -> None:
        """A capture, with what is asked of the node at times of the stream; then 3 s of rest."""
        begun, waiting = self.now, sorted(do.items())
        self.say(description(stream, sensor))
        self.node.describe(description(stream, sensor))
        for message in messages(block, stream, sensor, 10):
            t = (message.sent or STARTED) - STARTED
            self.now = begun + t
            self.say(message)
            self.node.take(message, self.now)
            while waiting and waiting[0][0] <= t:
                self.ask(*waiting.pop(0)[1])
            if self.now - self._told >= TOLD_EVERY_S:
                self.tell()
        self.tell()
        self.now += 3.0

    def ask(self, op: str, args: dict[str, object]) -> None:
        if op == "node_restarted":
            self.node = processing()
            self.node.describe(description("one"))
        else:
            answer(self.node, op, args, self.now)
        self.tell()

    def tell(self) -> None:
        self._told = self.now
        self.say(self.node.snapshot(self.now))
        for stroke in self.node.trials.strokes():
            for measure, value in zip(stroke.measures, stroke.values, strict=True):
                if value is not None and self.node is self._first:
                    key = (measure, stroke.side, stroke.event)
                    self.published[stroke.marks, key].append(value)

    def mean(self, mark: int, key: Key) -> tuple[int, float]:
        """Strokes that were published, and their mean."""
        own = self.published[mark, key]
        return len(own), float(np.mean(own))

    def close(self) -> Path:
        self.writer.flush()
        self.writer.close()
        return self.writer.path
