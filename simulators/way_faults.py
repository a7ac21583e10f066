"""What goes wrong with messages on the way from the sensor to whoever listens.

Each fault is frozen settings and a pure function of one message: what becomes of it, and when each
part of that is due. Order follows from the times.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import count
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from livefit.frames import FloatArray, Up
from livefit.wire.codec import NAMES, TOPICS, decode, encode
from livefit.wire.messages import Description, Frames, Message
from simulators.chance import table
from simulators.scene import FaultSettings, Positive, Seconds, Share

_FIRST_STREAM = 200
_MOST_RANDOM_BYTES = 400


@dataclass(frozen=True)
class Parcel:
    """A message under way.

    Attributes
    ----------
    due_s
        When it arrives, on the clock that the messages are sent by.
    content
        The message, or bytes that are none.
    topic
        What it is published under.
    number
        Of the message as it was sent.
    since_s
        When it was sent, since the first one.
    """

    due_s: float
    content: Message | bytes
    topic: str
    number: int = 0
    since_s: float = 0.0

    @property
    def raw(self) -> bytes:
        """The bytes that arrive."""
        return self.content if isinstance(self.content, bytes) else encode(self.content)

    def read(self) -> Message:
        """What a listener makes of it.

        Raises
        ------
        WireError
            If it does not follow the protocol.
        """
        return decode(TOPICS[self.topic], self.raw)


@dataclass(frozen=True)
class Way:
    """What a fault may know: the description as it was, the seed, its own table of chance."""

    description: Description
    seed: int
    place: int = 0

    def chance(self, parcel: Parcel, columns: int) -> FloatArray:
        """Uniform numbers (columns,) on [0, 1) that belong to the message."""
        stream = _FIRST_STREAM + self.place
        row: FloatArray = table(self.seed, stream, parcel.number, 1, columns, uniform=True)[0]
        return row


class WayFault(FaultSettings):
    """Something that goes wrong with the messages."""

    def carry(self, parcel: Parcel, way: Way) -> list[Parcel]:
        """What becomes of a message with frames."""
        raise NotImplementedError


class Duplicates(WayFault):
    """Some messages come twice."""

    kind: Literal["duplicates"]
    share: Share
    after_s: Seconds = 0.0

    def carry(self, parcel: Parcel, way: Way) -> list[Parcel]:
        """Send it again a little later."""
        if way.chance(parcel, 1)[0] >= self.share:
            return [parcel]
        return [parcel, replace(parcel, due_s=parcel.due_s + self.after_s)]


class Late(WayFault):
    """Some messages take longer than the others, which overtake them."""

    kind: Literal["late"]
    share: Share
    by_s: Positive

    def carry(self, parcel: Parcel, way: Way) -> list[Parcel]:
        """Hold it back."""
        late = self.by_s * (way.chance(parcel, 1)[0] < self.share)
        return [replace(parcel, due_s=parcel.due_s + late)]


class Delay(WayFault):
    """All messages take long, and come in bundles.

    Attributes
    ----------
    by_s
        For each message.
    bundle_s
        Those of so much time come together at its end; 0 = each by itself.
    """

    kind: Literal["delay"]
    by_s: Seconds = 0.0
    bundle_s: Seconds = 0.0

    def carry(self, parcel: Parcel, way: Way) -> list[Parcel]:
        """Hold it back until its bundle is full."""
        held = 0.0
        if self.bundle_s:
            held = float(np.ceil(parcel.since_s / self.bundle_s)) * self.bundle_s - parcel.since_s
        return [replace(parcel, due_s=parcel.due_s + self.by_s + held)]


class Stall(WayFault):
    """Nothing comes for a while; then all of it at once, or it is lost."""

    kind: Literal["stall"]
    at_s: Seconds
    for_s: Positive = np.inf
    lost: bool = False

    def carry(self, parcel: Parcel, way: Way) -> list[Parcel]:
        """Hold it back until the end of the stall."""
        end = self.at_s + self.for_s
        if not self.at_s <= parcel.since_s < end:
            return [parcel]
        held = end - parcel.since_s
        return [] if self.lost else [replace(parcel, due_s=parcel.due_s + held)]


class Restart(WayFault):
    """The device starts again: numbers and time from zero, as a new stream or as the same one.

    Attributes
    ----------
    at_s
        When, by the frames' numbers.
    pause_s
        How long it is away before.
    same_stream
        Against the protocol, it does not say so.
    """

    kind: Literal["restart"]
    at_s: Positive
    pause_s: Seconds = 1.0
    same_stream: bool = False

    def carry(self, parcel: Parcel, way: Way) -> list[Parcel]:
        """Renumber it; the new stream is described with the first frame of each second."""
        frames = parcel.content
        if not isinstance(frames, Frames):
            return [parcel]
        rate = way.description.rate_hz
        stop, begin = round(self.at_s * rate), round((self.at_s + self.pause_s) * rate)
        stream = frames.stream if self.same_stream else f"{frames.stream}-again"
        old = _frames_between(frames, 0, stop)
        carried = [] if old is None else [replace(parcel, content=old)]
        new = _frames_between(frames, begin, frames.first + frames.count)
        if new is None:
            return carried
        first = new.first - begin
        if -first % round(rate) < new.count and not self.same_stream:
            again = way.description.model_copy(update={"stream": stream})
            carried.append(replace(parcel, content=again, topic="description"))
        t = (np.frombuffer(new.t, "<f8") - begin / rate).astype("<f8").tobytes()
        changed = new.model_copy(update={"stream": stream, "first": first, "t": t})
        return [*carried, replace(parcel, content=changed)]


class Mangled(WayFault):
    """Some messages are cut off, and bytes of chance come between others.

    Attributes
    ----------
    truncated, noise
        Shares of the messages.
    """

    kind: Literal["mangled"]
    truncated: Share = 0.0
    noise: Share = 0.0

    def carry(self, parcel: Parcel, way: Way) -> list[Parcel]:
        """Cut it off, or put something before it."""
        cut, where, noisy, length = way.chance(parcel, 4)
        carried = [parcel]
        if cut < self.truncated:
            raw = parcel.raw
            carried = [replace(parcel, content=raw[: int(where * len(raw))])]
        if noisy < self.noise:
            size = int(length * _MOST_RANDOM_BYTES)
            rng = np.random.Generator(np.random.SFC64([way.seed, way.place, parcel.number]))
            carried.insert(0, replace(parcel, content=rng.bytes(size)))
        return carried


AnyWayFault = Annotated[
    Duplicates | Late | Delay | Stall | Restart | Mangled, Field(discriminator="kind")
]


class Said(FaultSettings):
    """What the description says instead of what is so.

    Attributes
    ----------
    up, rate_hz, unit, side
        In place of the true ones.
    labels
        Other names for markers.
    leave_out
        Fields that are not there.
    """

    up: Up | None = None
    rate_hz: Positive | None = None
    unit: Literal["mm", "m"] | None = None
    side: Literal["both", "left", "right"] | None = None
    labels: dict[str, str] = Field(default_factory=dict)
    leave_out: tuple[str, ...] = ()

    def instead_of(self, description: Description) -> Description:
        """The description as it is sent; it may lack what a description needs."""
        said: dict[str, Any] = description.model_dump()
        for name in ("up", "rate_hz", "unit", "side"):
            if getattr(self, name) is not None:
                said[name] = getattr(self, name)
        said["labels"] = [self.labels.get(label, label) for label in description.labels]
        for name in self.leave_out:
            said.pop(name, None)
        return Description.model_construct(_fields_set=set(said), **said)


@dataclass
class Carrier:
    """Takes messages as they are sent, and gives back what arrives of them, in order.

    Attributes
    ----------
    said
        What becomes of descriptions.
    faults
        What becomes of frames, one fault after the other.
    seed
        Of all chance.
    """

    said: Said
    faults: Sequence[WayFault]
    seed: int
    _heap: list[tuple[float, int, Parcel]] = field(default_factory=list)
    _order: Iterator[int] = field(default_factory=count)
    _began: float | None = None
    _sent: int = 0
    _way: Way | None = None

    def send(self, message: Message, now: float) -> None:
        """Take a message that is sent at a time, s."""
        parcel = Parcel(now, message, NAMES[type(message)])
        if isinstance(message, Description):
            self._way = Way(message, self.seed)
            self._put([parcel])
        elif self._way is not None:
            self._began = now if self._began is None else self._began
            since, self._sent = now - self._began, self._sent + 1
            self._put(self._carried(replace(parcel, number=self._sent, since_s=since), self._way))

    def _carried(self, parcel: Parcel, way: Way) -> list[Parcel]:
        carried = [parcel]
        for place, fault in enumerate(self.faults):
            own = replace(way, place=place)
            carried = [
                after
                for one in carried
                for after in ([one] if one.topic == "description" else fault.carry(one, own))
            ]
        return carried

    def _put(self, parcels: Iterable[Parcel]) -> None:
        for parcel in parcels:
            if isinstance(parcel.content, Description):
                parcel = replace(parcel, content=self.said.instead_of(parcel.content))
            heapq.heappush(self._heap, (parcel.due_s, next(self._order), parcel))

    def due(self, now: float) -> Iterator[Parcel]:
        """What has arrived by now, s, oldest first; each stays until the next is asked for."""
        while self._heap and self._heap[0][0] <= now:
            yield self._heap[0][2]
            heapq.heappop(self._heap)


def _frames_between(frames: Frames, low: int, high: int) -> Frames | None:
    """The part of a message with numbers from low to below high; None: there is none."""
    start, stop = max(low - frames.first, 0), min(high - frames.first, frames.count)
    if start >= stop:
        return None
    part: dict[str, Any] = {"first": frames.first + start, "count": stop - start}
    for name in ("t", "xyz", "channels"):
        raw: bytes = getattr(frames, name)
        size = len(raw) // frames.count
        part[name] = raw[start * size : stop * size]
    return frames.model_copy(update=part)
