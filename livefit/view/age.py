"""How old the data on screen are."""

from __future__ import annotations

from typing import Literal

Freshness = Literal["fresh", "old", "lost"]

OLD_AFTER_S = 1.0
LOST_AFTER_S = 3.0
SAME_CLOCK_S = 30.0
"""A first message that seems sent longer ago than this, or in the future, bears another clock."""


class AgeMeter:
    """Age of the newest message, from its sending to now.

    On one machine sender and receiver read one monotonic clock, and the age holds every delay on
    the way. Another machine's clock has another zero: there the quickest message so far stands
    for no delay at all, and the age is a lower bound.

    Examples
    --------
    >>> meter = AgeMeter()
    >>> meter.note("node", sent=10.0, now=10.25)
    >>> meter.age_s(11.0)
    1.0
    >>> meter.freshness(11.5)
    'old'
    """

    def __init__(self) -> None:
        self._sender: str | None = None
        self._sent: float = 0.0
        self._offset: float = 0.0
        self.own_clock = True
        """Whether the sender's clock is ours."""

    def note(self, sender: str, *, sent: float, now: float) -> None:
        """Note a message, sent at ``sent`` on its sender's clock, here at ``now`` on ours, s."""
        transit = now - sent
        if sender != self._sender:
            self._sender = sender
            self.own_clock = 0.0 <= transit <= SAME_CLOCK_S
            self._offset = 0.0 if self.own_clock else transit
        elif not self.own_clock:
            self._offset = min(self._offset, transit)
        self._sent = sent

    def age_s(self, now: float) -> float | None:
        """Seconds since the newest message was sent; None before the first."""
        if self._sender is None:
            return None
        return max(0.0, now - self._sent - self._offset)

    def freshness(self, now: float) -> Freshness:
        """Whether the data can be trusted to show the present."""
        age = self.age_s(now)
        if age is None or age >= LOST_AFTER_S:
            return "lost"
        return "old" if age >= OLD_AFTER_S else "fresh"


def age_words(age_s: float | None) -> str:
    """``0.3 s``, ``12 s``, ``4 min``: no more digits than matter."""
    if age_s is None:
        return "–"
    if age_s < 9.95:
        return f"{age_s:.1f} s"
    return f"{age_s:.0f} s" if age_s < 119.5 else f"{age_s / 60:.0f} min"
