"""What ``livefit record`` kept, played message by message."""

from __future__ import annotations

import time
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from typing import Any, Final

from livefit.frames import MarkerBlock, StreamInfo
from livefit.recording.reading import Survey
from livefit.sources.reading import RecordingError
from livefit.sources.recorded import TOGETHER, Unread, recorded_messages, with_up
from livefit.wire.blocks import FrameReader
from livefit.wire.codec import WireError
from livefit.wire.messages import Description, DeviceState, Frames

SEAM_S: Final = 1.0
"""Frames that are missing between two rounds, in time, so that no stroke spans the seam."""


@dataclass
class _Stream:
    """A stream of a recording while it is played."""

    description: Description
    reader: FrameReader
    info: StreamInfo
    numbers: tuple[int, int] | None = None
    times: tuple[float, float] | None = None
    shift_numbers: int = 0
    shift_s: float = 0.0

    def shifted(self, block: MarkerBlock) -> MarkerBlock:
        """Return a block as it is played in this round, and note what it spans."""
        low, high = self.numbers or (int(block.numbers[0]), 0)
        begin, end = self.times or (float(block.t[0]), float(block.t[0]))
        self.numbers = min(low, int(block.numbers[0])), max(high, int(block.numbers[-1]))
        self.times = min(begin, float(block.t[0])), max(end, float(block.t[-1]))
        if not self.shift_numbers:
            return block
        return replace(block, numbers=block.numbers + self.shift_numbers, t=block.t + self.shift_s)

    def next_round(self) -> None:
        """Let numbers and times go on rising from here."""
        if self.numbers is not None and self.times is not None:
            gap = max(1, round(SEAM_S * self.info.rate_hz))
            self.shift_numbers += self.numbers[1] - self.numbers[0] + gap
            self.shift_s += self.times[1] - self.times[0] + gap / self.info.rate_hz


class RecordedReplay:
    """A recording's frames in the order and at the pace in which they once came.

    Parameters
    ----------
    found
        The recording, looked through.
    speed
        1 = as it was recorded; 0 = as fast as the receiver takes it.
    loop
        Whether to begin again at the end; frame numbers and times go on rising, with a gap of
        `SEAM_S` between the rounds.
    from_s
        Where to begin, s after the first message.
    up
        The axis that points up, if the recorded description is wrong about it.
    clock, sleep
        Monotonic time, s, and a way to wait for it.
    """

    begins_when_read = True

    def __init__(
        self,
        found: Survey,
        *,
        speed: float = 1.0,
        loop: bool = False,
        from_s: float = 0.0,
        up: str | None = None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.name = found.path.name
        self._found = found
        self._speed, self._loop, self._from_s, self._up = speed, loop, from_s, up
        self._clock, self._sleep = clock, sleep
        self._streams: dict[str, _Stream] = {}
        self._device: dict[str, Any] = {}
        self._began: float | None = None
        self._round_s = 0.0
        self._begin()
        if self._next is None:
            raise RecordingError(f"{found.path}: there is no frame to play from {from_s:g} s on")
        self._playing = self._streams[self._next[1].stream]

    def _begin(self) -> None:
        self._coming = self._frames()
        self._next = next(self._coming, None)

    def _frames(self) -> Generator[tuple[float, Frames], None, None]:
        for due, message in recorded_messages(self._found, self._from_s, Unread()):
            if isinstance(message, Description):
                self._note(message)
            elif isinstance(message, DeviceState):
                self._device = message.model_dump(exclude={"stream"})
            elif message.stream in self._streams:
                yield due, message

    def _note(self, description: Description) -> None:
        if description.stream in self._streams:
            return
        try:
            reader = FrameReader(description)
        except WireError:
            return
        info = with_up(reader.info, self._up, self._found.path)
        self._streams[description.stream] = _Stream(description, reader, info)

    def describe(self) -> StreamInfo:
        """Return what the recording says of the frames that were read last."""
        return self._playing.info

    def described_as(self) -> dict[str, Any]:
        """Return what else the recorded description says, and the precision that loses nothing."""
        described = self._playing.description
        exact = described.precision == "f4" and described.unit == "mm"
        return {
            "side": described.side,
            "marker_set": described.marker_set,
            "precision": "f4" if exact else "f8",
        }

    def device_state(self) -> dict[str, Any]:
        """Return what the device said of itself last."""
        return self._device

    def read(self, timeout_s: float) -> MarkerBlock | None:
        """Return the frames that are due; None if none is within ``timeout_s``.

        Raises
        ------
        EOFError
            At the end of a recording that is not looped.
        """
        if self._next is None:
            if not self._loop:
                raise EOFError(f"{self.name} is played to its end")
            self._round_s += self._found.seconds - self._from_s + SEAM_S
            for stream in self._streams.values():
                stream.next_round()
            self._begin()
        reached = self._reached(timeout_s)
        blocks: list[MarkerBlock] = []
        # A message whose stamps do not rise would be refused whole.
        most = 1 if self._playing.info.sampling == "stamped" else TOGETHER
        while self._next is not None and self._next[0] <= reached and len(blocks) < most:
            message = self._next[1]
            stream = self._streams[message.stream]
            follows = blocks and int(blocks[-1].numbers[-1]) + 1 == message.first
            if blocks and not (follows and stream is self._playing):
                break
            self._playing = stream
            self._next = next(self._coming, None)
            try:
                blocks.append(stream.reader.read(message))
            except WireError:
                continue
        return self._playing.shifted(MarkerBlock.joined(blocks)) if blocks else None

    def _reached(self, timeout_s: float) -> float:
        """Time of the recording, s, that has come, having waited for the next frame."""
        if self._speed == 0 or self._next is None:
            return float("inf")
        if self._began is None:
            self._began = self._clock() - self._next[0] / self._speed
        wait = self._began + (self._round_s + self._next[0]) / self._speed - self._clock()
        if wait > 0:
            self._sleep(min(wait, timeout_s))
        return (self._clock() - self._began) * self._speed - self._round_s + 1e-9

    def control(self, op: str, args: dict[str, Any]) -> dict[str, Any]:
        """Refuse: a recording cannot be changed."""
        del args
        raise ValueError(f"a recording cannot do {op!r}: it is played as it is")

    def close(self) -> None:
        """Let go of the file."""
        self._coming.close()
