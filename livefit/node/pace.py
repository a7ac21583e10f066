"""When frames come in: by it the node rests until the next frame that matters."""

from __future__ import annotations

import math

FORGET_S = 5e-5
"""With each look the least delay is forgotten by so much: clocks drift apart."""
STALLED_S = 0.1
"""Frames that come so much later than they did will go on doing so."""


class Pace:
    """The least delay of frames behind their numbers, as seen lately.

    Parameters
    ----------
    rate_hz
        Frames per second.

    >>> pace = Pace(100.0)
    >>> pace.take(7, 20.0)
    >>> round(pace.due(10), 3)
    20.03
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._first: int | None = None
        self._least = math.inf

    def take(self, number: int, now: float) -> None:
        """Note that this frame is there now (s)."""
        if self._first is None:
            self._first = number
        behind = now - (number - self._first) / self._rate_hz
        least = min(self._least + FORGET_S, behind)
        self._least = behind if behind - least > STALLED_S else least

    def due(self, number: int) -> float:
        """When (s) this frame should come; -inf before the first."""
        if self._first is None:
            return -math.inf
        return self._least + (number - self._first) / self._rate_hz
