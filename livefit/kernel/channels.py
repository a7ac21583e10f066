"""The newest values of the extra signals that travel with the frames."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from livefit.frames import Channel, MarkerBlock

FRESH_S = 3.0
"""An older value says nothing of now."""


class NewestChannels:
    """Keeps the newest value of each channel.

    Parameters
    ----------
    channels
        The stream's.
    """

    def __init__(self, channels: Sequence[Channel]) -> None:
        self._names = [channel.name for channel in channels]
        self._newest: dict[str, tuple[float, float]] = {}

    def take(self, block: MarkerBlock) -> None:
        """Look at the frames that follow."""
        for name, values in zip(self._names, block.channels.T, strict=True):
            known = np.flatnonzero(np.isfinite(values))
            if len(known):
                self._newest[name] = float(block.t[known[-1]]), float(values[known[-1]])

    def value(self, name: str, now: float) -> float | None:
        """The newest value that is not missing, None if there is none within 3 s before `now`."""
        t, value = self._newest.get(name, (-np.inf, np.nan))
        return value if now - t <= FRESH_S else None
