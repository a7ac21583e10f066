"""What the stream is like: rate, losses, missing markers, delay."""

from __future__ import annotations

from collections import deque

import numpy as np

from livefit.frames import FloatArray, MarkerBlock

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
    out_of_order
        Frames left out because their number did not rise.
    """

    def __init__(self, labels: tuple[str | None, ...]) -> None:
        self._labels = labels
        self.frames = 0
        self.lost = 0
        self.gaps = 0
        self.out_of_order = 0
        self._last_number: int | None = None
        self._recent: deque[tuple[float, int, FloatArray]] = deque()

    def take(self, block: MarkerBlock) -> MarkerBlock:
        """Count a block and return the part of it that is new."""
        last = self._last_number
        if last is not None and block.numbers[0] <= last:
            new = int(np.searchsorted(block.numbers, last, side="right"))
            self.out_of_order += new
            block = MarkerBlock(
                block.numbers[new:], block.t[new:], block.positions[new:], block.channels[new:]
            )
        if not len(block):
            return block
        before = int(block.numbers[0]) - 1 if last is None else last
        steps = np.diff(block.numbers, prepend=before) - 1
        self.lost += int(steps.sum())
        self.gaps += int((steps > 0).sum())
        self.frames += len(block)
        self._last_number = int(block.numbers[-1])
        missing = np.isnan(block.positions[:, :, 0]).sum(axis=0).astype(float)
        self._recent.append((float(block.t[-1]), len(block), missing))
        while self._recent[0][0] < block.t[-1] - _RECENT_S or block.t[-1] < self._recent[0][0]:
            self._recent.popleft()
        return block

    @property
    def rate_hz(self) -> float | None:
        """Frames a second of device time over the last seconds, None before there are any."""
        if len(self._recent) < 2 or self._recent[-1][0] <= self._recent[0][0]:
            return None
        frames = sum(count for _, count, _ in self._recent) - self._recent[0][1]
        return frames / (self._recent[-1][0] - self._recent[0][0])

    def missing(self) -> dict[str, float]:
        """Share of the last seconds' frames without the marker, by canonical name."""
        frames = sum(count for _, count, _ in self._recent)
        if not frames:
            return {}
        share = np.sum([missing for _, _, missing in self._recent], axis=0) / frames
        return {
            label: round(float(part), 4)
            for label, part in zip(self._labels, share, strict=True)
            if label is not None and part > 0
        }
