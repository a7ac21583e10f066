"""What came while listening, and its frames in order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from livefit.frames import FloatArray, IntArray, MarkerBlock, StreamInfo

ANEW_S = 1.0
"""A number or a time that goes back by more is no late frame: the device began anew. A late frame
of a network is late by tens of milliseconds."""

STEADY_FRAMES = 21
"""Frames in the running median that tells a scattered stamp from a clock that jumped."""


@dataclass(frozen=True)
class Arrival:
    """A block of frames and when it came.

    Attributes
    ----------
    block
        Frames with consecutive numbers, mm, NaN = missing.
    at_s
        The receiver's monotonic clock when it came; NaN for a recording.
    sent_s
        The sender's monotonic clock when it went out, where it says so.
    """

    block: MarkerBlock
    at_s: float = float("nan")
    sent_s: float | None = None


@dataclass(frozen=True)
class StreamHeard:
    """The frames under one description.

    Attributes
    ----------
    info
        What the description says.
    arrivals
        In the order in which they came.
    side
        Which side is seen, ``both``, ``left`` or ``right``; None: not said.
    marker_set
        Name of the marker set; None: found from the labels.
    zeros
        By label: positions of exactly (0, 0, 0).
    """

    info: StreamInfo
    arrivals: Sequence[Arrival]
    side: str | None = None
    marker_set: str | None = None
    zeros: Mapping[str, int] = field(default_factory=dict)

    @property
    def frames(self) -> int:
        """How many frames came."""
        return sum(len(arrival.block) for arrival in self.arrivals)


@dataclass(frozen=True)
class Heard:
    """Everything that came.

    Attributes
    ----------
    source
        What was listened to, for people.
    live
        Whether it came over a socket.
    seconds
        How long was listened, or how long the recording is.
    streams
        One for each stream id, in the order in which they came.
    refused, reasons
        Messages refused, and why: every different reason once.
    undescribed
        Frames messages that no description had come for.
    described_after_s
        From the first frames message to the first description; NaN if one of them never came.
    ended_s
        Silence at the end of listening.
    notes
        What the reader of a recording noted.
    """

    source: str
    live: bool
    seconds: float
    streams: Sequence[StreamHeard] = ()
    refused: int = 0
    reasons: Sequence[str] = ()
    undescribed: int = 0
    described_after_s: float = float("nan")
    ended_s: float = 0.0
    notes: Sequence[str] = ()


@dataclass(frozen=True)
class Series:
    """Frames in the order of their numbers, each once: the longest part without a new beginning.

    Attributes
    ----------
    info
        What the description says.
    numbers, t, at, sent
        (n,) frame number; device time, s; arrival and sending, s, NaN = not known.
    positions
        (n, m, 3) mm as stated, NaN = missing.
    channels
        (n, k).
    duplicates, late
        Frames whose number had come before, and that came after a higher number.
    latest_by
        Frames by which the latest of them came late.
    anew
        New beginnings of the numbers or of the time under the same description.
    """

    info: StreamInfo
    numbers: IntArray
    t: FloatArray
    at: FloatArray
    sent: FloatArray
    positions: FloatArray
    channels: FloatArray
    duplicates: int
    late: int
    latest_by: int
    anew: int

    def __len__(self) -> int:
        return len(self.numbers)


def in_order(stream: StreamHeard) -> Series:
    """Sort out the frames of a stream (at least one)."""
    blocks = [arrival.block for arrival in stream.arrivals]
    counts = [len(block) for block in blocks]
    numbers = np.concatenate([block.numbers for block in blocks])
    t = np.concatenate([block.t for block in blocks])
    at = np.repeat([arrival.at_s for arrival in stream.arrivals], counts)
    told = [np.nan if a.sent_s is None else a.sent_s for a in stream.arrivals]
    edges = [0, *_beginnings(numbers, t, stream.info.rate_hz), len(numbers)]
    longest = int(np.argmax(np.diff(edges)))
    part = slice(edges[longest], edges[longest + 1])
    numbers = numbers[part]
    highest = np.maximum.accumulate(numbers)
    behind = np.concatenate([[0], highest[:-1] - numbers[1:]])
    ordered, first = np.unique(numbers, return_index=True)
    rows = first + edges[longest]
    return Series(
        info=stream.info,
        numbers=ordered,
        t=t[rows],
        at=at[rows],
        sent=np.repeat(told, counts)[rows],
        positions=np.concatenate([block.positions for block in blocks])[rows],
        channels=np.concatenate([block.channels for block in blocks])[rows],
        duplicates=len(numbers) - len(ordered),
        late=int(np.count_nonzero(behind[first] > 0)),
        latest_by=int(behind[first].max(initial=0)),
        anew=len(edges) - 2,
    )


def _beginnings(numbers: IntArray, t: FloatArray, rate_hz: float) -> list[int]:
    """Rows at which numbers or time begin anew."""
    back = np.diff(numbers) < -max(ANEW_S * rate_hz, 2.0)
    rows = set((np.flatnonzero(back) + 1).tolist())
    off = steady(t - (numbers - numbers[0]) / rate_hz)
    rows |= set((np.flatnonzero((np.diff(off) < -ANEW_S) & (np.diff(numbers) > 0)) + 1).tolist())
    return sorted(rows)


def steady(values: FloatArray) -> FloatArray:
    """Running median (n,), which keeps steps and drops what scatters."""
    smooth: FloatArray = median_filter(values, STEADY_FRAMES, mode="nearest")
    return smooth


def robust_sd(values: FloatArray) -> float:
    """Standard deviation from the median absolute deviation; NaN values are left out.

    1.4826 MAD for a normal distribution: Rousseeuw PJ, Croux C (1993) Alternatives to the median
    absolute deviation. J Am Stat Assoc 88:1273-1283.
    """
    known = values[np.isfinite(values)]
    if not len(known):
        return float("nan")
    return float(1.4826 * np.median(np.abs(known - np.median(known))))


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First row and row after the last of each run of True.

    >>> runs(np.array([False, True, True, False, True]))
    [(1, 3), (4, 5)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
