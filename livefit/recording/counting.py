"""Which frames of a stream came and which were lost on the way."""

from __future__ import annotations

from dataclasses import dataclass

from livefit.wire.messages import Frames

SETTLE_S = 1.0
"""A frame that has not come so long after a later one is lost."""


@dataclass(frozen=True)
class Gap:
    """Frame numbers that did not come, from first to last."""

    first: int
    last: int

    def __str__(self) -> str:
        return str(self.first) if self.first == self.last else f"{self.first}-{self.last}"


class FrameCount:
    """Counts one stream's frames.

    Attributes
    ----------
    frames
        That came, those that came twice included.
    lost
        Of which it is certain that they did not come.
    """

    def __init__(self, rate_hz: float) -> None:
        self._back = max(1, round(rate_hz))
        self.frames = 0
        self.lost = 0
        self._next: int | None = None
        self._open: list[tuple[Gap, float]] = []

    def take(self, message: Frames, now: float) -> None:
        """Count a message's frames; now: any steady clock, s."""
        first, after = message.first, message.first + message.count
        self.frames += message.count
        if self._next is None or first < self._next - self._back:
            # The device counts anew, or a number before was wrong and so is what it left open.
            self._open = [(gap, since) for gap, since in self._open if gap.last < first]
            self._next = after
            return
        if first > self._next:
            self._open.append((Gap(self._next, first - 1), now))
        elif first < self._next:
            self._fill(first, after - 1)
        self._next = max(self._next, after)

    def _fill(self, first: int, last: int) -> None:
        still: list[tuple[Gap, float]] = []
        for gap, since in self._open:
            before = Gap(gap.first, min(gap.last, first - 1))
            behind = Gap(max(gap.first, last + 1), gap.last)
            still += [(part, since) for part in (before, behind) if part.first <= part.last]
        self._open = still

    def settled(self, now: float) -> list[Gap]:
        """Return, once, the gaps that will not be filled any more; now: s, inf at the end."""
        gaps = [gap for gap, since in self._open if now - since >= SETTLE_S]
        self._open = [(gap, since) for gap, since in self._open if now - since < SETTLE_S]
        self.lost += sum(gap.last - gap.first + 1 for gap in gaps)
        return gaps
