"""What the stream is like: rate, losses, missing markers."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from livefit.frames import IntArray, MarkerBlock

_RECENT_S = 5.0


class StreamHealth:
    """Counts and shares over a stream, and over its last seconds.

    Parameters
    ----------
    labels
        Canonical marker names, None for a marker that is not used.

    Attributes
    ----------
    frames, lost, gaps
        Frames received, frame numbers that never came, and in how many pieces.
    first
        Number of the first frame; None before it.
    """

    def __init__(self, labels: tuple[str | None, ...]) -> None:
        self._labels = labels
        self.frames = 0
        self.lost = 0
        self.gaps = 0
        self.first: int | None = None
        self._last_number: int | None = None
        self._recent: deque[tuple[float, int, IntArray | None]] = deque()
        """Time (s), frames and in how many each marker (m,) was missing; None: in none."""
        self._recent_frames = 0
        self._recent_missing: IntArray = np.zeros(len(labels), dtype=np.int64)

    def take(self, block: MarkerBlock) -> None:
        """Count frames (at least one) whose numbers follow those before."""
        first = int(block.numbers[0])
        if self.first is None:
            self.first = first
        before = first - 1 if self._last_number is None else self._last_number
        self._last_number = int(block.numbers[-1])
        lost = self._last_number - before - len(block)
        if lost:
            self.lost += lost
            self.gaps += int(np.count_nonzero(np.diff(block.numbers, prepend=before) > 1))
        self.frames += len(block)
        self._remember(float(block.t[-1]), np.isnan(block.positions[:, :, 0]))

    def _remember(self, t: float, absent: NDArray[np.bool_]) -> None:
        """Add a block up to time t (s), absent (n, m), and forget what is too old."""
        count = len(absent)
        missing = np.count_nonzero(absent, axis=0) if absent.any() else None
        self._recent.append((t, count, missing))
        self._recent_frames += count
        if missing is not None:
            self._recent_missing += missing
        while self._recent[0][0] < t - _RECENT_S or t < self._recent[0][0]:
            _, count, missing = self._recent.popleft()
            self._recent_frames -= count
            if missing is not None:
                self._recent_missing -= missing

    @property
    def rate_hz(self) -> float | None:
        """Frames a second of device time over the last seconds, None before there are any."""
        if len(self._recent) < 2 or self._recent[-1][0] <= self._recent[0][0]:
            return None
        frames = self._recent_frames - self._recent[0][1]
        return frames / (self._recent[-1][0] - self._recent[0][0])

    def missing(self) -> dict[str, float]:
        """Share of the last seconds' frames without the marker, by canonical name."""
        if not self._recent_frames:
            return {}
        if not self._recent_missing.any():
            return {}
        share = self._recent_missing / self._recent_frames
        return {
            label: round(float(part), 4)
            for label, part in zip(self._labels, share, strict=True)
            if label is not None and part > 0
        }
