"""The trials that marks have ended: to take a mark back, and to learn from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from livefit.kernel.events import EventValues
from livefit.node.fit import summed
from livefit.node.trial import Trial
from livefit.wire.messages import Mark


@dataclass(frozen=True)
class Adjusted:
    """Two trials, and what was changed between them by part, mm or deg."""

    before: Trial
    made: dict[str, float]
    after: Trial


class Ended:
    """For each mark in force the trial that it ended; None: of an earlier stream."""

    def __init__(self) -> None:
        self._trials: list[Trial | None] = []
        self._apart = 0

    def begin_stream(self, marks: int) -> None:
        """Trials of earlier streams teach nothing, and nothing is joined to them."""
        self._trials = [None] * marks
        self._apart = marks

    def part(self) -> None:
        """Strokes after the last trial are forgotten: no trial of now is joined to those here."""
        self._apart = len(self._trials)

    def append(self, trial: Trial) -> None:
        """A mark has ended this trial."""
        self._trials.append(trial)

    def pop(self) -> Trial | None:
        """The latest mark is taken back: its trial, to be joined to the present one, if it can."""
        trial = self._trials.pop()
        parted = len(self._trials) < self._apart
        self._apart = min(self._apart, len(self._trials))
        return None if parted else trial

    def add(self, values: list[EventValues]) -> None:
        """Take strokes that were under way at a mark, each into the trial in which it began."""
        for trial in reversed(self._trials[self._apart :]):
            if not values or trial is None:
                return
            values = trial.add_late(values)

    def mark_of(self, present: Trial, side: str, stroke: int) -> int:
        """Number of the latest mark before a stroke that may have been under way at some marks."""
        found = present.mark_of(side, stroke)
        latest = present
        for trial in reversed(self._trials[self._apart :]):
            if found == latest.mark or trial is None:
                break
            found, latest = trial.mark_of(side, stroke), trial
        return found

    def adjustments(
        self, stops: Sequence[Sequence[Mark]], placements: Sequence[int], present: Trial
    ) -> list[Adjusted]:
        """What the marks have done to trials of this stream.

        Parameters
        ----------
        stops
            As :attr:`livefit.node.fit.Fit.stops`.
        placements
            Of the markers, in the trial before each stop and in the present one; where they were
            put on anew the bicycle is not the only thing that changed.
        present
            The present trial.
        """
        firsts = [sum(map(len, stops[:k])) for k in range(len(stops))]
        trials = [*(self._trials[first] for first in firsts), present]
        found = []
        for k, marks in enumerate(stops):
            before, after = trials[k], trials[k + 1]
            if before is not None and after is not None and placements[k] == placements[k + 1]:
                found.append(Adjusted(before, summed(marks), after))
        return found
