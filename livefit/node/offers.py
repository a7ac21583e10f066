"""Changes that nobody marked, as the node offers them to the fitter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from livefit.change.doubts import Doubts
from livefit.change.loads import begins, cadence_of
from livefit.change.steps import EVERY, FEWEST, Step, StepWatch
from livefit.change.trials import Key, TrialStrokes

SAME_S = 8.0
"""Steps of several rows within this time are one change."""
_READY = ("drifting", "too wide", "settled")
"""States in which a level has been reached to step from."""


@dataclass
class Offer:
    """A step found, and the rows that it was found in.

    Attributes
    ----------
    number
        Rises by one; never used twice in a run of the node.
    t
        Device time, s, at which its first stroke began.
    found
        The step of each row.
    """

    number: int
    t: float
    found: dict[Key, Step] = field(default_factory=dict)

    @property
    def strongest(self) -> Key:
        """The row that shows it best."""
        return max(self.found, key=lambda key: abs(self.found[key].z))


@dataclass
class _Watched:
    watch: StepWatch
    last: int = -1


class Offers:
    """Watches rows for steps, each on its own, and puts together what is one change.

    Attributes
    ----------
    open
        Offers neither taken nor dropped, oldest first.
    """

    def __init__(self) -> None:
        self.open: list[Offer] = []
        self._number = 0
        self._dropped: list[float] = []
        self._watched: dict[Key, _Watched] = {}
        self._rows = 0

    def restart(self) -> None:
        """Begin anew, as after a mark; what was offered no longer is."""
        self.open.clear()
        self._dropped.clear()
        for each in self._watched.values():
            each.watch.restart()
            each.last = -1

    def watch(self, keys: Sequence[Key]) -> None:
        """Watch these rows and no others; how many there are makes the threshold."""
        if len(keys) != self._rows:
            self._watched.clear()
            self._rows = len(keys)
        self._watched = {key: w for key, w in self._watched.items() if key in keys}

    def leave_out(self, doubts: Doubts) -> None:
        """A marker that moved is no change of the bicycle; once it is back its rows are watched."""
        self._watched = {k: w for k, w in self._watched.items() if not doubts.now(k[0], k[1])}
        for offer in self.open:
            offer.found = {k: s for k, s in offer.found.items() if not doubts.now(k[0], k[1])}
        self.open = [offer for offer in self.open if offer.found]

    def look(self, key: Key, trial: TrialStrokes) -> None:
        """Show a row's newest strokes to its watch, once the rider has settled.

        A stroke is looked at when its cadence is known; of those from before the watch began, no
        more than the watch needs.
        """
        own = trial.strokes(key)
        if not len(own.numbers) or trial.settled(key).state not in _READY:
            return
        kept = self._watched.setdefault(key, _Watched(StepWatch(every=EVERY * max(self._rows, 1))))
        speed = cadence_of(trial, key[1])
        rpm = dict(zip(speed.numbers.tolist(), speed.values.tolist(), strict=True))
        first = trial.first_that_counts(key)
        if kept.last < 0:
            first = max(first, int(own.numbers[-1]) + 1 - FEWEST)
        for stroke, value in zip(own.numbers.tolist(), own.values.tolist(), strict=True):
            if stroke <= kept.last or stroke < first or (rpm and stroke not in rpm):
                continue
            kept.last = stroke
            step = kept.watch.add(stroke, value, rpm.get(stroke, 0.0))
            if step is not None:
                self._offer(key, step, trial)

    def _offer(self, key: Key, step: Step, trial: TrialStrokes) -> None:
        t = _began(key, step.stroke, trial)
        if any(abs(t - at) <= SAME_S for at in self._dropped):
            return
        near = next((offer for offer in self.open if abs(offer.t - t) <= SAME_S), None)
        if near is None:
            self._number += 1
            near = Offer(self._number, t)
            self.open.append(near)
        near.found[key] = step
        near.t = _began(near.strongest, near.found[near.strongest].stroke, trial)

    def find(self, number: int) -> Offer:
        """The open offer of this number.

        Raises
        ------
        ValueError
            If there is no such offer.
        """
        for offer in self.open:
            if offer.number == number:
                return offer
        there = ", ".join(str(offer.number) for offer in self.open) or "none"
        raise ValueError(f"there is no offer {number}; open are: {there}")

    def drop(self, number: int) -> None:
        """Take an offer out of those that are open; it is not made again.

        Raises
        ------
        ValueError
            If there is no such offer.
        """
        offer = self.find(number)
        self.open.remove(offer)
        self._dropped.append(offer.t)


def _began(key: Key, stroke: int, trial: TrialStrokes) -> float:
    """Device time, s, at which a stroke of a row's side began; without cadence, of its event."""
    speed = cadence_of(trial, key[1])
    at = np.flatnonzero(speed.numbers == stroke)
    if len(at):
        return float(begins(speed)[at[0]])
    own = trial.strokes(key)
    return float(own.t[np.searchsorted(own.numbers, stroke)])
