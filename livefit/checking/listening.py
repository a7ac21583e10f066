"""Takes the messages of a stream as they come; what they amount to is judged later."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from livefit.checking.heard import Arrival, Heard, StreamHeard
from livefit.wire.blocks import FrameReader
from livefit.wire.codec import TOPICS, WireError, decode
from livefit.wire.messages import Description, Frames, Message

MOST_REASONS = 20


@dataclass
class _Stream:
    """What came under one stream id."""

    description: Description
    reader: FrameReader
    arrivals: list[Arrival] = field(default_factory=list)
    zeros: Counter[str] = field(default_factory=Counter)

    def heard(self) -> StreamHeard:
        return StreamHeard(
            info=self.reader.info,
            arrivals=tuple(self.arrivals),
            side=self.description.side,
            marker_set=self.description.marker_set,
            zeros=dict(self.zeros),
        )


class Listener:
    """Keeps what comes; holds no socket and no clock.

    Parameters
    ----------
    source
        What is listened to, for people.
    began_s
        The receiver's clock when listening began.
    """

    def __init__(self, source: str, began_s: float) -> None:
        self._source = source
        self._began = began_s
        self._streams: dict[str, _Stream] = {}
        self._refused = 0
        self._reasons: list[str] = []
        self._undescribed = 0
        self._frames_at = self._described_at = float("nan")
        self._last = began_s

    def begin(self, now_s: float) -> None:
        """Count the time of listening from now, s, on."""
        self._began = now_s

    def take(self, message: Message, at_s: float) -> None:
        """Take a description or frames that came at a time, s."""
        if isinstance(message, Description):
            self._describe(message, at_s)
        elif isinstance(message, Frames):
            self._last = at_s
            if np.isnan(self._frames_at):
                self._frames_at = at_s
            self._frames(message, at_s)

    def take_raw(self, topic: str, raw: bytes, at_s: float) -> None:
        """Take the bytes of a message; those that do not follow the protocol are refused."""
        try:
            self.take(decode(TOPICS[topic], raw), at_s)
        except WireError as error:
            self.refuse(str(error))

    def refuse(self, reason: str, count: int = 1) -> None:
        """Note messages that could not be read."""
        self._refused += count
        if reason in self._reasons:
            self._reasons.remove(reason)
        self._reasons = [*self._reasons, reason][-MOST_REASONS:]

    def heard(self, now_s: float) -> Heard:
        """What came until now, s on the receiver's clock."""
        return Heard(
            source=self._source,
            live=True,
            seconds=now_s - self._began,
            streams=tuple(stream.heard() for stream in self._streams.values()),
            refused=self._refused,
            reasons=tuple(self._reasons),
            undescribed=self._undescribed,
            described_after_s=self._described_at - self._frames_at,
            ended_s=now_s - self._last,
        )

    def _describe(self, description: Description, at_s: float) -> None:
        if np.isnan(self._described_at):
            self._described_at = at_s
        known = self._streams.get(description.stream)
        if known is not None and known.description == description:
            return
        if known is not None:
            self.refuse(
                "message 'description': expected a new stream id with a changed description, "
                f"found {description.stream!r} again"
            )
            return
        try:
            self._streams[description.stream] = _Stream(description, FrameReader(description))
        except WireError as error:
            self.refuse(str(error))

    def _frames(self, frames: Frames, at_s: float) -> None:
        stream = self._streams.get(frames.stream)
        if stream is None:
            self._undescribed += 1
            return
        before = stream.reader.zero_positions
        try:
            block = stream.reader.read(frames)
        except WireError as error:
            self.refuse(str(error))
            return
        if stream.reader.zero_positions > before:
            xyz = np.frombuffer(frames.xyz, f"<{stream.description.precision}")
            zeros = (xyz.reshape(block.positions.shape) == 0.0).all(axis=2).sum(axis=0)
            for column in np.flatnonzero(zeros).tolist():
                stream.zeros[stream.reader.info.labels[column]] += int(zeros[column])
        stream.arrivals.append(Arrival(block, at_s, frames.sent))
