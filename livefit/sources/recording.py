"""A recording played as if it were live, at any speed, once or for ever."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from livefit.frames import MarkerBlock, StreamInfo
from livefit.recording.reading import survey
from livefit.sources.base import Source, check_options, number_option, switch_option
from livefit.sources.files import read_recording
from livefit.sources.reading import Recording
from livefit.sources.recorded import is_recorded, refuse_units
from livefit.sources.replayed import RecordedReplay

log = logging.getLogger(__name__)

OPTIONS = ("path", "speed", "loop", "from", "up", "units")
SEAM_S = 1.0
"""Frames that are missing between two rounds, in time, so that no stroke spans the seam."""
_FLAT_OUT_FRAMES = 256
_ROUNDING_S = 1e-9


class ReplaySource:
    """Frames of a recording when they are due.

    Parameters
    ----------
    recording
        What to play.
    speed
        1 = as it was recorded; 0 = as fast as the receiver takes it.
    loop
        Whether to begin again at the end; frame numbers and times go on rising, with a gap of
        `SEAM_S` between the rounds.
    clock, sleep
        Monotonic time, s, and a way to wait for it.
    """

    begins_when_read = True

    def __init__(
        self,
        recording: Recording,
        *,
        speed: float = 1.0,
        loop: bool = False,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        if not len(recording.block):
            raise ValueError(f"{recording.path}: there is no frame to play")
        self.name = recording.path.name
        self._info = recording.info
        self._block = recording.block
        self._speed = speed
        self._loop = loop
        self._clock, self._sleep = clock, sleep
        self._row = 0
        self._rounds = 0
        self._began: float | None = None
        block = self._block
        gap = max(1, round(SEAM_S * self._info.rate_hz))
        self._round_numbers = int(block.numbers[-1] - block.numbers[0]) + gap
        self._round_s = float(block.t[-1] - block.t[0]) + gap / self._info.rate_hz

    def describe(self) -> StreamInfo:
        """Return what the recording says of itself."""
        return self._info

    def read(self, timeout_s: float) -> MarkerBlock | None:
        """Return the frames that are due; None if none is within ``timeout_s``.

        Raises
        ------
        EOFError
            At the end of a recording that is not looped.
        """
        if self._row == len(self._block):
            if not self._loop:
                raise EOFError(f"{self.name} is played to its end")
            self._row, self._rounds = 0, self._rounds + 1
        stop = self._due(timeout_s)
        if stop <= self._row:
            return None
        rows = slice(self._row, stop)
        self._row = stop
        block = self._block
        return MarkerBlock(
            block.numbers[rows] + self._rounds * self._round_numbers,
            block.t[rows] + self._rounds * self._round_s,
            block.positions[rows],
            block.channels[rows],
        )

    def _due(self, timeout_s: float) -> int:
        """Row after the last frame that is due, having waited for one at most ``timeout_s``."""
        if self._speed == 0:
            return min(self._row + _FLAT_OUT_FRAMES, len(self._block))
        if self._began is None:
            self._began = self._clock()
        played = self._block.t - self._block.t[0] + self._rounds * self._round_s
        wait = self._began + played[self._row] / self._speed - self._clock()
        if wait > 0:
            self._sleep(min(wait, timeout_s))
        reached = (self._clock() - self._began) * self._speed + _ROUNDING_S
        return int(np.searchsorted(played, reached, side="right"))

    def control(self, op: str, args: dict[str, Any]) -> dict[str, Any]:
        """Refuse: a recording cannot be changed."""
        del args
        raise ValueError(f"a recording cannot do {op!r}: it is played as it is")

    def close(self) -> None:
        """Do nothing: the file was read as a whole."""


def open_recording(options: dict[str, str]) -> Source:
    """Open the source ``recording``: path, speed, loop, from, up, units.

    Raises
    ------
    ValueError
        If an option is missing, unknown or wrong, or the file cannot be read.
    OSError
        If it cannot be opened.
    """
    check_options("recording", options, OPTIONS)
    if "path" not in options:
        raise ValueError("the source 'recording' needs path=FILE (.mcap, .c3d, .trc or .csv)")
    path = Path(options["path"])
    speed = number_option(options, "speed", 1.0, low=0.0)
    loop = switch_option(options, "loop")
    from_s = number_option(options, "from", 0.0, low=0.0)
    up, units = options.get("up"), options.get("units")
    if is_recorded(path):
        refuse_units(units, path)
        found = survey(path)
        if found.damage is not None:
            log.warning("%s: %s", path, found.damage)
        return RecordedReplay(found, speed=speed, loop=loop, from_s=from_s, up=up)
    recording = read_recording(path, up=up, units=units)
    return ReplaySource(_later(recording, from_s), speed=speed, loop=loop)


def _later(recording: Recording, from_s: float) -> Recording:
    """The same from so many seconds after its first frame."""
    block = recording.block
    first = int(np.searchsorted(block.t - block.t[0], from_s - _ROUNDING_S))
    if first == len(block):
        raise ValueError(
            f"option from: {recording.path} is {block.t[-1] - block.t[0]:.1f} s long, there is "
            f"no frame to play from {from_s:g} s on"
        )
    rows = slice(first, None)
    part = MarkerBlock(
        block.numbers[rows], block.t[rows], block.positions[rows], block.channels[rows]
    )
    return replace(recording, block=part)
