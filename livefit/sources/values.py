"""Signals without markers, from an ergometer for example, brought onto this machine's clock."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from livefit.frames import Channel, FloatArray
from livefit.sources.base import check_options
from livefit.sources.json_fields import UNUSABLE, described_channels, parse_line, stamp_in
from livefit.sources.json_lines import Refusals
from livefit.sources.links import ADDRESSES, Link, open_link
from livefit.sources.lsl import Inlet, stream_query
from livefit.sources.publish import channel_values

OFFSET_OVER_S = 10.0
"""Clocks drift against each other by less than 1 ms in so long."""
_KEEP_S = 10.0


@dataclass(frozen=True)
class Sample:
    """Values of one instant.

    Attributes
    ----------
    t
        This machine's monotonic clock, s.
    values
        By the signal's name.
    """

    t: float
    values: Mapping[str, float]


class ValueStream(Protocol):
    """Where samples come from.

    Attributes
    ----------
    name
        For people.
    """

    name: str

    def read(self) -> list[Sample]:
        """Return what has come since the last call; never waits."""

    def close(self) -> None:
        """Let go of the device."""


class ClockOffset:
    """What to add to a device's time stamps to have them on this machine's clock.

    Everything arrives late, and nothing early: the least late arrival of the last seconds is
    closest to the truth.

    Examples
    --------
    >>> offset = ClockOffset()
    >>> for stamp, arrival in [(0.0, 100.05), (1.0, 101.01), (2.0, 102.2)]:
    ...     offset.add(stamp, arrival)
    >>> round(offset.value, 3)
    100.01
    """

    def __init__(self) -> None:
        self._least: deque[tuple[float, float]] = deque()
        self._stamp = -np.inf

    def add(self, stamp: float, arrival: float) -> None:
        """Note when a stamped sample arrived; a stamp that goes back is of a device begun anew."""
        if stamp < self._stamp - 1.0:
            self._least.clear()
        self._stamp = stamp
        late = arrival - stamp
        while self._least and self._least[-1][1] >= late:
            self._least.pop()
        self._least.append((arrival, late))
        while self._least[0][0] < arrival - OFFSET_OVER_S:
            self._least.popleft()

    @property
    def value(self) -> float:
        """The offset, s; NaN before the first sample."""
        return self._least[0][1] if self._least else np.nan


class Signal:
    """The recent past of one signal, and its value at any instant of it.

    Parameters
    ----------
    channel
        Its name and unit.
    max_age_s
        An older value says nothing.
    """

    def __init__(self, channel: Channel, max_age_s: float) -> None:
        self.channel = channel
        self._max_age_s = max_age_s
        self._times: deque[float] = deque()
        self._values: deque[float] = deque()

    def add(self, t: float, value: float) -> None:
        """Take a value; one that is not finite, or not newer than the last, is left out."""
        if not np.isfinite(value) or (self._times and t <= self._times[-1]):
            return
        self._times.append(t)
        self._values.append(value)
        while self._times[0] < t - _KEEP_S - self._max_age_s:
            self._times.popleft()
            self._values.popleft()

    def at(self, t: FloatArray) -> FloatArray:
        """Return the newest value before each of the instants (n,); NaN if it is too old.

        An angle, which never stands still between two values, is carried on at the speed that it
        had between the last two.
        """
        found = np.full(len(t), np.nan)
        if not self._times:
            return found
        times, values = np.array(self._times), np.array(self._values)
        before = np.searchsorted(times, t, side="right") - 1
        age = t - times[before]
        fresh = (before >= 0) & (age <= self._max_age_s)
        found[fresh] = values[before[fresh]]
        if self.channel.unit == "deg" and len(times) > 1:
            turned = (np.diff(values) + 180.0) % 360.0 - 180.0
            speed = np.append(0.0, turned / np.diff(times))
            found[fresh] = (found[fresh] + speed[before[fresh]] * age[fresh]) % 360.0
        return found


class JsonLineValues:
    """Samples from lines of JSON; see ``JSON_LINES.md``.

    Parameters
    ----------
    link, name, clock
        As for :class:`livefit.sources.json_lines.JsonLinesSource`.
    """

    def __init__(
        self, link: Link, name: str, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.name = name
        self.refusals = Refusals(name, clock)
        self._link, self._clock = link, clock
        self._channels: tuple[Channel, ...] | None = None
        self._offset = ClockOffset()

    def read(self) -> list[Sample]:
        """Return what has come since the last call."""
        samples = []
        try:
            lines = self._link.read(0.0)
        except EOFError:
            return []
        now = self._clock()
        for line in lines:
            try:
                sample = self._take(line, now)
            except UNUSABLE as error:
                self.refusals.add_line(line, error)
                continue
            if sample is not None:
                samples.append(sample)
        return samples

    def _take(self, line: bytes, now: float) -> Sample | None:
        fields = parse_line(line)
        listed = fields.get("channels")
        if not isinstance(listed, list):
            raise ValueError("expected a list of channels, described or with values")
        if listed and isinstance(listed[0], dict):
            self._channels = described_channels(fields)
            return None
        if self._channels is None:
            raise ValueError("values came before the first description")
        values = channel_values(listed, self._channels)
        t = now
        if "t" in fields:
            stamp = stamp_in(fields)
            self._offset.add(stamp, now)
            t = stamp + self._offset.value
        names = [channel.name for channel in self._channels]
        return Sample(t, dict(zip(names, values.tolist(), strict=True)))

    def close(self) -> None:
        """Let go of the link."""
        self._link.close()


class LslValues:
    """Samples of an LSL stream's channels that belong to no marker."""

    def __init__(self, inlet: Inlet, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.name = "LSL"
        self._inlet, self._clock = inlet, clock
        self._offset = ClockOffset()

    def read(self) -> list[Sample]:
        """Return what has come since the last call."""
        stamps, rows = self._inlet.read(0.0)
        layout = self._inlet.layout
        if layout is None or not len(stamps):
            return []
        now = self._clock()
        for stamp in stamps.tolist():
            self._offset.add(stamp, now)
        names = [channel.name for channel in layout.channels]
        return [
            Sample(stamp + self._offset.value, dict(zip(names, row, strict=True)))
            for stamp, row in zip(
                stamps.tolist(), rows[:, layout.channel_columns].tolist(), strict=True
            )
        ]

    def close(self) -> None:
        """Let go of the stream."""
        self._inlet.close()


def open_json_line_values(options: dict[str, str]) -> JsonLineValues:
    """Open values from lines of JSON: address.

    Raises
    ------
    ValueError, OSError
        As for the source ``json-lines``.
    """
    check_options("json-lines", options, ["address"])
    if "address" not in options:
        raise ValueError(f"values from json-lines need values.address=..., one of {ADDRESSES}")
    return JsonLineValues(open_link(options["address"]), options["address"])


def open_lsl_values(options: dict[str, str]) -> LslValues:
    """Open values from an LSL stream: name, type, id; at least one of them.

    Raises
    ------
    ValueError
        If an option is unknown or wrong, none is given, or pylsl is not installed.
    """
    check_options("lsl", options, ["name", "type", "id"])
    return LslValues(Inlet(stream_query(options, None)))
