"""Marker frames and other signals from the lab streaming layer (LSL)."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livefit.frames import FloatArray, MarkerBlock, StreamInfo
from livefit.sources.base import (
    check_options,
    number_option,
    only_state_asked,
    optional_package,
)
from livefit.sources.lsl_layout import Layout, layout_of
from livefit.sources.reading import UP
from livefit.wire.blocks import LAST_TIME_S, describe, stream_info

log = logging.getLogger(__name__)

OPTIONS = ("up", "name", "type", "id", "rate", "side")
INTERRUPTED_S = 0.25
"""LSL itself loses nothing: only a longer step between two stamps means lost frames."""
LONGEST_GAP = 10**9
"""Frames left out at one interruption, at most: numbers stay within 64 bits."""
CORRECT_EVERY_S = 5.0
_FORGET_S = 1.0
_OPEN_S = 2.0
_SAMPLES = 4096


def stream_query(options: dict[str, str], content: str | None) -> str:
    """Return the query that finds the stream which the options name, type and id ask for.

    Raises
    ------
    ValueError
        If one of them has a quotation mark, or none is given.

    Examples
    --------
    >>> stream_query({"name": "camera"}, "MoCap")
    "name='camera' and type='MoCap'"
    """
    wanted = {
        "name": options.get("name"),
        "type": options.get("type", content),
        "source_id": options.get("id"),
    }
    terms = []
    for field, value in wanted.items():
        if value is None:
            continue
        if "'" in value or '"' in value:
            raise ValueError(f"an LSL {field} with a quotation mark cannot be asked for: {value}")
        terms.append(f"{field}='{value}'")
    if not terms:
        raise ValueError("which LSL stream? Expected one of the options name, type and id")
    return " and ".join(terms)


class Inlet:
    """Samples of the one stream that fits a query; lost, it is looked for again.

    Parameters
    ----------
    query
        See :func:`stream_query`.
    clock
        Monotonic time, s.

    Attributes
    ----------
    layout
        Of the stream in hand; None while there is none. A new object is a new stream.
    problem
        Why a stream that was found cannot be used.
    refused
        Samples without a usable time stamp, which were left out.

    Raises
    ------
    MissingPackageError
        If pylsl is not installed.
    """

    def __init__(self, query: str, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._lsl = optional_package("pylsl", "lsl")
        self._query, self._clock = query, clock
        self._resolver = self._lsl.ContinuousResolver(pred=query, forget_after=_FORGET_S)
        self._inlet: Any = None
        self._unwanted: set[str] = set()
        self._correction, self._correct_at = 0.0, 0.0
        self.layout: Layout | None = None
        self.problem: str | None = None
        self.refused = 0

    def read(self, timeout_s: float) -> tuple[FloatArray, FloatArray]:
        """Return what has come: (n,) time stamps on this machine's LSL clock, (n, channels).

        n is 0 if nothing came within ``timeout_s``.
        """
        nothing = np.empty(0), np.empty((0, 0))
        if self._inlet is None and not self._found():
            time.sleep(timeout_s)
            return nothing
        try:
            sample, stamp = self._inlet.pull_sample(timeout_s)
            if sample is None:
                return nothing
            samples, stamps = self._inlet.pull_chunk(0.0, max_samples=_SAMPLES)
            if self._clock() >= self._correct_at:
                self._correction = self._inlet.time_correction(_OPEN_S)
                self._correct_at = self._clock() + CORRECT_EVERY_S
        except RuntimeError:  # what all of pylsl's errors are
            log.warning("the LSL stream with %s was lost; waiting for it", self._query)
            self._drop()
            return nothing
        times = np.array([stamp, *stamps]) + self._correction
        values = np.array([sample, *samples], dtype=np.float64)
        sound = np.abs(times) <= LAST_TIME_S
        self.refused += int((~sound).sum())
        return times[sound], values[sound]

    def _found(self) -> bool:
        """Take a stream that fits, and is neither lost nor useless."""
        for info in self._resolver.results():
            if info.uid() in self._unwanted:
                continue
            self._unwanted.add(info.uid())
            inlet = self._lsl.StreamInlet(info, recover=False)
            try:
                self.layout = layout_of(inlet.info(_OPEN_S).as_xml())
                inlet.open_stream(_OPEN_S)
                self._correction = inlet.time_correction(_OPEN_S)
            except ValueError as error:
                self.problem = str(error)
                log.warning("the LSL stream %s cannot be used: %s", info.name(), error)
                continue
            except RuntimeError:
                self._unwanted.discard(info.uid())
                continue
            self._inlet, self.problem = inlet, None
            self._correct_at = self._clock() + CORRECT_EVERY_S
            return True
        return False

    def _drop(self) -> None:
        if self._inlet is not None:
            self._inlet.close_stream()
        self._inlet = self.layout = None

    def close(self) -> None:
        """Let go of the stream."""
        self._drop()


class LslSource:
    """Marker frames from an LSL stream of content type MoCap.

    Parameters
    ----------
    inlet
        Where samples come from.
    up
        The axis that points up, which the description of such streams does not tell.
    rate_hz
        For a stream of irregular rate.
    """

    def __init__(self, inlet: Inlet, *, up: str, rate_hz: float | None = None) -> None:
        if up not in UP:
            raise ValueError(f"option up: expected one of {', '.join(UP)}, found {up!r}")
        self.name = "LSL"
        self._inlet, self._up, self._rate_hz = inlet, UP[up], rate_hz
        self._layout: Layout | None = None
        self._info: StreamInfo | None = None
        self._problem: str | None = None
        self._last: tuple[int, float] | None = None
        self._frames = self._refused = 0

    def describe(self) -> StreamInfo | None:
        """Return what the stream in hand says of itself; None while none was found yet."""
        return self._info

    def read(self, timeout_s: float) -> MarkerBlock | None:
        """Return the frames that have come; None if none came within ``timeout_s``."""
        stamps, samples = self._inlet.read(timeout_s)
        layout = self._inlet.layout
        if layout is None or not len(stamps):
            return None
        if layout is not self._layout:
            self._begin(layout)
        if self._info is None:
            return None
        newest = -np.inf if self._last is None else self._last[1]
        rising = np.diff(np.maximum.accumulate(np.append(newest, stamps))) > 0
        if self._info.sampling == "stamped" and not rising.all():
            self._refused += int((~rising).sum())
            stamps, samples = stamps[rising], samples[rising]
        if not len(stamps):
            return None
        self._frames += len(stamps)
        return MarkerBlock(
            self._numbers(stamps, self._info.rate_hz),
            stamps,
            layout.positions(samples),
            samples[:, layout.channel_columns],
        )

    def _begin(self, layout: Layout) -> None:
        self._layout, self._info, self._last = layout, None, None
        rate = layout.rate_hz or self._rate_hz
        try:
            if not rate:
                raise ValueError("its rate is irregular: say rate=HZ")
            info = StreamInfo(
                labels=layout.labels,
                rate_hz=rate,
                up=self._up,
                sampling="periodic" if layout.rate_hz else "stamped",
                channels=layout.channels,
            )
            stream_info(describe(info, stream="", source=""))
        except ValueError as error:
            self._problem = f"the LSL stream {layout.name} cannot be used: {error}"
            log.warning("%s", self._problem)
            return
        self.name = f"LSL {layout.name}"
        self._info, self._problem = info, None

    def _numbers(self, stamps: FloatArray, rate_hz: float) -> NDArray[np.int64]:
        """Number samples one by one, and leave numbers out where the stream was interrupted."""
        last, newest = self._last or (-1, stamps[0])
        steps = np.diff(stamps, prepend=newest)
        frames = np.where(
            steps > INTERRUPTED_S, np.clip(np.round(steps * rate_hz), 1.0, LONGEST_GAP), 1.0
        )
        numbers = last + np.cumsum(frames.astype(np.int64))
        self._last = int(numbers[-1]), float(stamps.max())
        return numbers

    def control(self, op: str, args: dict[str, Any]) -> dict[str, Any]:
        """Answer ``source.state``: whether a stream is there, and what came.

        Raises
        ------
        ValueError
            For any other operation.
        """
        del args
        only_state_asked(op)
        return {
            "connected": self._inlet.layout is not None,
            "frames": self._frames,
            "refused": self._refused + self._inlet.refused,
            "problem": self._problem or self._inlet.problem,
        }

    def close(self) -> None:
        """Let go of the stream."""
        self._inlet.close()


def open_lsl(options: dict[str, str]) -> LslSource:
    """Open the source ``lsl``: up; name, type (MoCap) and id of the stream; rate if irregular.

    Raises
    ------
    ValueError
        If an option is missing, unknown or wrong, or pylsl is not installed.
    """
    check_options("lsl", options, OPTIONS)
    if "up" not in options:
        raise ValueError("the source 'lsl' needs up=AXIS, +y or +z for most cameras")
    rate = number_option(options, "rate", 0.0, low=0.001) if "rate" in options else None
    return LslSource(Inlet(stream_query(options, "MoCap")), up=options["up"], rate_hz=rate)
