"""Frames and values as lines of JSON: the simplest form in which a device can send them.

The form is described in ``JSON_LINES.md`` beside this file.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from livefit.frames import FloatArray, MarkerBlock, StreamInfo
from livefit.sources.base import check_options, only_state_asked
from livefit.sources.json_fields import (
    UNUSABLE,
    described_channels,
    list_in,
    number_in,
    parse_line,
    positions_in,
    stamp_in,
)
from livefit.sources.links import ADDRESSES, Link, open_link
from livefit.sources.publish import channel_values
from livefit.sources.reading import FARTHEST_MM, MM
from livefit.wire.blocks import LAST_NUMBER, describe, stream_info
from livefit.wire.codec import decode, encode, quoted
from livefit.wire.messages import Description

log = logging.getLogger(__name__)

OPTIONS = ("address", "side")
BEGAN_ANEW_S = 1.0
"""Numbers that go back by more are of a device that began anew; by less, of a late frame."""
_WARN_EVERY_S = 5.0
_LONGEST_REASON = 300


class Refusals:
    """Counts what cannot be used, and says so from time to time.

    Attributes
    ----------
    count
        How much was refused.
    last
        What was wrong with the latest.
    """

    def __init__(self, name: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._name, self._clock = name, clock
        self._warn_at = -np.inf
        self.count = 0
        self.last: str | None = None

    def add(self, why: str) -> None:
        """Note one more; text that UTF-8 cannot hold is escaped."""
        why = why.encode("utf-8", "backslashreplace").decode()
        self.count += 1
        self.last = why
        if self._clock() >= self._warn_at:
            log.warning("%s: %d refused; the last: %s", self._name, self.count, why)
            self._warn_at = self._clock() + _WARN_EVERY_S

    def add_line(self, line: bytes, error: Exception) -> None:
        """Note a line, and what is wrong with it."""
        self.add(f"{str(error)[:_LONGEST_REASON]}, in the line {line[:80]!r}")


class FrameLines:
    """Turns lines into frames.

    Parameters
    ----------
    refusals
        Where lines that cannot be used are counted.

    Attributes
    ----------
    info
        What the latest description said; None before the first. A new object means that the
        device began anew.
    """

    def __init__(self, refusals: Refusals) -> None:
        self._refusals = refusals
        self._described: dict[str, Any] | None = None
        self._scale = 1.0
        self._last = (-1, -np.inf)
        self.info: StreamInfo | None = None

    def restart(self) -> None:
        """Take what comes next as from a device that began anew."""
        if self.info is not None:
            self.info = replace(self.info)
        self._last = (-1, -np.inf)

    def take(self, line: bytes, now: float) -> tuple[int, float, FloatArray, FloatArray] | None:
        """Take one line.

        Parameters
        ----------
        line
            A description or a frame.
        now
            s, for a frame without a time stamp.

        Returns
        -------
        tuple or None
            Number, time stamp, positions (markers, 3) in mm and channels (channels,) of a frame.
        """
        try:
            fields = parse_line(line)
            if "labels" in fields:
                self._describe(fields)
                return None
            if "xyz" not in fields:
                raise ValueError("expected a description with 'labels' or a frame with 'xyz'")
            return self._frame(fields, now)
        except UNUSABLE as error:
            self._refusals.add_line(line, error)
            return None

    def _describe(self, fields: dict[str, Any]) -> None:
        if fields == self._described:
            return
        unit = fields.get("unit")
        if not isinstance(unit, str) or unit not in MM:
            raise ValueError(f"field 'unit': expected one of {', '.join(MM)}, found {quoted(unit)}")
        labels = fields["labels"]
        if not isinstance(labels, list) or not all(isinstance(each, str) for each in labels):
            raise ValueError(f"field 'labels': expected a list of texts, found {quoted(labels)}")
        info = StreamInfo(
            labels=tuple(labels),
            rate_hz=number_in(fields, "rate_hz"),
            up=fields.get("up", ""),
            sampling=fields.get("sampling", "periodic"),
            channels=described_channels(fields),
        )
        described = describe(info, stream="", source="")
        stream_info(described)
        decode(Description, encode(described))
        self._described, self.info, self._scale = fields, info, MM[unit]
        self._last = (-1, -np.inf)

    def _frame(
        self, fields: dict[str, Any], now: float
    ) -> tuple[int, float, FloatArray, FloatArray]:
        if self.info is None:
            raise ValueError("a frame came before the first description")
        number = fields.get("n")
        if type(number) is not int or not 0 <= number <= LAST_NUMBER:
            raise ValueError(
                f"field 'n': expected a whole number from 0 up, found {quoted(number)}"
            )
        t = stamp_in(fields) if "t" in fields else now
        positions = positions_in(fields, self.info.labels, FARTHEST_MM / self._scale) * self._scale
        channels = channel_values(list_in(fields, "channels"), self.info.channels)
        last_number, last_t = self._last
        if number <= last_number:
            if number > last_number - BEGAN_ANEW_S * self.info.rate_hz:
                raise ValueError(f"frame {number} came after frame {last_number}")
            self.restart()
        elif self.info.sampling == "stamped" and not t > last_t:
            raise ValueError(f"the time stamp {t:g} came after {last_t:g}; stamps must rise")
        self._last = (number, t)
        return number, t, positions, channels


class JsonLinesSource:
    """Marker frames from lines of JSON.

    Parameters
    ----------
    link
        Where the lines come from.
    name
        For people.
    clock
        Monotonic time, s.

    Attributes
    ----------
    refusals
        What could not be used.
    """

    def __init__(
        self, link: Link, name: str, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.name = name
        self.refusals = Refusals(name, clock)
        self._link, self._clock = link, clock
        self._lines = FrameLines(self.refusals)
        self._waiting: deque[tuple[bytes, float]] = deque()
        self._connections = link.connections
        self._info: StreamInfo | None = None
        self._overlong = 0
        self._frames = 0
        self._early: tuple[int, float, FloatArray, FloatArray] | None = None

    def describe(self) -> StreamInfo | None:
        """Return what the device said last; None before it said anything."""
        return self._info or self._lines.info

    def read(self, timeout_s: float) -> MarkerBlock | None:
        """Return the frames that have come; None if none came within ``timeout_s``.

        Raises
        ------
        EOFError
            At the end of the input, if it has one.
        """
        if not self._waiting and self._early is None:
            self._receive(timeout_s)
        frames = [self._early] if self._early else []
        self._early, self._info = None, self._lines.info
        while self._waiting:
            frame = self._lines.take(*self._waiting.popleft())
            if frame is None:
                continue
            if self._lines.info is not self._info and frames:
                self._early = frame
                break
            self._info = self._lines.info
            frames.append(frame)
        if not frames:
            return None
        self._frames += len(frames)
        numbers, t, positions, channels = zip(*frames, strict=True)
        return MarkerBlock(
            np.array(numbers, np.int64), np.array(t), np.array(positions), np.array(channels)
        )

    def _receive(self, timeout_s: float) -> None:
        lines = self._link.read(timeout_s)
        now = self._clock()
        if self._link.connections != self._connections:
            self._connections = self._link.connections
            self._lines.restart()
        if self._link.overlong != self._overlong:
            self._overlong = self._link.overlong
            self.refusals.add("a line was longer than any frame")
        self._waiting.extend((line, now) for line in lines)

    def control(self, op: str, args: dict[str, Any]) -> dict[str, Any]:
        """Answer ``source.state``: how many frames came, how many lines were refused, and why.

        Raises
        ------
        ValueError
            For any other operation.
        """
        del args
        only_state_asked(op)
        return {
            "frames": self._frames,
            "refused": self.refusals.count,
            "last_refusal": self.refusals.last,
            "connections": self._link.connections,
        }

    def close(self) -> None:
        """Let go of the link."""
        self._link.close()


def open_json_lines(options: dict[str, str]) -> JsonLinesSource:
    """Open the source ``json-lines``: address.

    Raises
    ------
    ValueError
        If the address is missing or wrong, or an option is unknown.
    OSError
        If the address cannot be used.
    """
    check_options("json-lines", options, OPTIONS)
    if "address" not in options:
        raise ValueError(f"the source 'json-lines' needs address=..., one of {ADDRESSES}")
    return JsonLinesSource(open_link(options["address"]), options["address"])
