"""What the recorder says of the recording under way, for as long as it goes on saying it."""

from __future__ import annotations

from typing import Final

from livefit.wire.messages import Recorded

STALE_S: Final = 2.0
"""A recorder that says nothing for so long records no longer."""


class RecorderWatch:
    """Keeps the newest that a recorder said."""

    def __init__(self) -> None:
        self._name: str | None = None
        self._newest: Recorded | None = None
        self._heard = 0.0
        self._ended = ""

    def take(self, name: str, recorded: Recorded, now: float) -> None:
        """A recording goes on; now: CLOCK_MONOTONIC, s."""
        self._name, self._newest, self._heard = name, recorded, now
        self._ended = ""

    def end(self, why: str) -> None:
        """The recording ended; why: in words, empty if it was meant to."""
        self._name = self._newest = None
        self._ended = why

    def name(self, now: float) -> str | None:
        """Name of the recording under way at a time (s); None: there is none."""
        return self._name if now - self._heard <= STALE_S else None

    def recorded(self, now: float) -> Recorded | None:
        """How the recording under way is."""
        return self._newest if now - self._heard <= STALE_S else None

    def warnings(self, now: float) -> list[str]:
        """What the fitter should know now (s), in words."""
        if self._name is not None and self.name(now) is None:
            return ["the recorder fell silent: nothing is recorded; start livefit record again"]
        return [f"nothing is recorded: {self._ended}"] if self._ended else []
