"""What changed against the baseline and the trial before: worked out row by row, then told."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from math import ceil
from typing import Literal, NamedTuple

import numpy as np

from livefit.change.correlated import StrokeMean
from livefit.change.difference import Change, Judged, difference, there_and_back
from livefit.change.doubts import Doubts
from livefit.change.loads import cadence_of
from livefit.change.replacing import replacing_of, with_markers_anew
from livefit.change.settling import Settled
from livefit.change.trials import CADENCE, Key, TrialStrokes, judged_by_row
from livefit.change.words import (
    WORKLOAD,
    Markers,
    Spoken,
    change_words,
    settled_words,
    step_words,
)
from livefit.change.workload import LOAD, LOAD_UNITS
from livefit.definitions import Definitions, default_rows
from livefit.node.fit import Fit, summed
from livefit.node.offers import Offer, Offers
from livefit.node.settings import Settings
from livefit.wire.change_messages import Against, ChangeRow, Changes, OfferedMark, StepRow
from livefit.wire.numbers import SIDE, number

FITTER = "fitter"
_SIDES = ("L", "R", "B")
_USUAL_RPM = 90.0
_PARTS = 8
"""The rows that wait are looked at in so many parts, frames being taken in between."""
APART_FROM = ["drift", "cadence"]


class Earlier(NamedTuple):
    """The strokes of a trial, and with which placement of the markers they were ridden."""

    strokes: TrialStrokes
    placement: int


class _Difference(NamedTuple):
    """Two means and their difference, had the markers stayed on, and had they not."""

    before: StrokeMean
    now: StrokeMean
    stayed: Change
    anew: Change


class _Compared(NamedTuple):
    """What became of the rows, had the markers stayed on, and had they been put on anew."""

    stayed: Mapping[Key, Judged]
    anew: Mapping[Key, Judged]


_NOTHING = _Compared({}, {})


class Comparing:
    """The trials that the present one is compared with.

    Parameters
    ----------
    definitions
        Words and kinds of measures and events, and what putting the markers on anew does.
    node
        The node's name in messages.
    settings
        How narrow an interval must be.

    Attributes
    ----------
    past
        For each of the fit's stops, the trial before it.
    baseline
        The trial as it was when the baseline was set.
    placement
        Which placement of the markers the present trial is ridden with.
    offers
        Changes that nobody marked.
    """

    def __init__(self, definitions: Definitions, node: str, settings: Settings) -> None:
        self._definitions = definitions
        self._node = node
        self._settings = settings
        self._own = default_rows(definitions)
        self._replacing = replacing_of(definitions)
        self._due: deque[Key] = deque()
        self._asked = False
        self._part = 0
        self._made: dict[Key, tuple[Settled, ChangeRow]] = {}
        self._kept: dict[tuple[int, Key], _Difference] = {}
        self.past: list[Earlier] = []
        self.baseline: Earlier | None = None
        self.placement = 0
        self._doubts: Doubts | None = None
        self.offers = Offers()

    def keep(self, trial: TrialStrokes | None, placement: int) -> None:
        """A mark has ended this trial, ridden with this placement; None: nobody had ridden."""
        units = {m.name: m.unit for m in self._definitions.measures} | LOAD_UNITS
        nothing = TrialStrokes(units, self._settings.holds_within)
        self.past.append(Earlier(nothing if trial is None else trial, placement))

    def keep_baseline(self, trial: TrialStrokes) -> None:
        """Compare with this trial as it is now."""
        self.baseline = Earlier(trial.copy(), self.placement)
        self._kept.clear()

    def begin_again(self) -> None:
        """The present trial is another than before: watch its rows anew."""
        self._due.clear()
        self._kept.clear()
        self.offers.restart()

    def leave_out(self, doubts: Doubts) -> None:
        """Nothing is told of rows that rest on a marker that has moved."""
        self._doubts = doubts
        self.offers.leave_out(doubts)

    def ask(self, trial: TrialStrokes, fit: Fit) -> None:
        """Have the rows looked at, and then told."""
        rows, loads = self._keys(trial, fit)
        self.offers.watch(rows)
        waiting = set(self._due)
        self._due += [key for key in (*rows, *loads) if key not in waiting]
        # Where a stroke is over before the last one's rows have all had their turn, none waits.
        self._part = len(self._due) if waiting else ceil(len(self._due) / _PARTS)
        self._asked = True

    def work(self, trial: TrialStrokes, fit: Fit) -> Changes | None:
        """Look at a few rows, or tell once all have been looked at; None: nothing to tell yet."""
        for _ in range(min(self._part, len(self._due))):
            self._look(self._due.popleft(), trial)
        if self._due or not self._asked:
            return None
        self._asked = False
        return self._told(trial, fit)

    def _look(self, key: Key, trial: TrialStrokes) -> None:
        trial.settled(key)
        for each in (self.baseline, *self.past[-1:]):
            if each is not None:
                self._difference(key, each, trial)
        for each in self.past[-2:-1]:
            each.strokes.settled(key)
        if (key[0], key[2]) not in (CADENCE, LOAD):
            self.offers.look(key, trial)

    def _keys(self, trial: TrialStrokes, fit: Fit) -> tuple[list[Key], list[Key]]:
        """The rows that the fitter looks at, and the loads, as far as there are strokes."""
        doubts = self._doubts
        there = {key for key in trial.keys if doubts is None or not doubts.now(key[0], key[1])}
        pairs = [pair for pair in fit.chosen.get(FITTER, self._own) if pair != CADENCE]
        rows = [(m, side, event) for m, event in pairs for side in _SIDES]
        loads = [(name, side, event) for name, event in (CADENCE, LOAD) for side in _SIDES]
        return [key for key in rows if key in there], [key for key in loads if key in there]

    def _told(self, trial: TrialStrokes, fit: Fit) -> Changes:
        rows, loads = self._keys(trial, fit)
        keys = [*rows, *loads]
        baseline = self._differences(self.baseline, trial, keys)
        before = self.past[-1] if self.past else None
        mark = self._differences(before, trial, keys)
        there, back = self._undone(trial, keys) if self._taken_back(fit) else ({}, {})
        made = [
            self._row(key, trial.settled(key), trial).model_copy(
                update={
                    "baseline": self._against(key, self.baseline, baseline),
                    "mark": self._against(key, before, mark),
                    "there": self._against(key, before, _Compared(there, {})),
                    "back": self._against(
                        key, self.past[-2] if back else None, _Compared(back, {})
                    ),
                }
            )
            for key in keys
        ]
        return Changes(
            node=self._node,
            marks=fit.mark_in_force,
            rows=made[: len(rows)],
            loads=made[len(rows) :],
            offers=[self._offered(offer) for offer in self.offers.open],
        )

    def _difference(self, key: Key, before: Earlier, trial: TrialStrokes) -> _Difference:
        """What became of a row; kept while the means are the same."""
        place = id(before.strokes), key
        means = before.strokes.mean(key), trial.mean(key)
        found = self._kept.get(place)
        if found is None or found.before is not means[0] or found.now is not means[1]:
            stayed = difference(*means)
            anew = with_markers_anew({key: stayed}, self._replacing)[key]
            found = self._kept[place] = _Difference(*means, stayed, anew)
        return found

    def _differences(
        self, before: Earlier | None, trial: TrialStrokes, keys: Sequence[Key]
    ) -> _Compared:
        """What became of the rows, judged together."""
        if before is None:
            return _NOTHING
        found = {key: self._difference(key, before, trial) for key in keys}
        stayed = judged_by_row({key: each.stayed for key, each in found.items()})
        if not self._replacing:
            return _Compared(stayed, stayed)
        return _Compared(stayed, judged_by_row({key: each.anew for key, each in found.items()}))

    def _taken_back(self, fit: Fit) -> bool:
        """Whether the last stop undoes the one before, with the markers left on all the while."""
        stops = fit.stops[-2:]
        if len(stops) < 2 or any(e.placement != self.placement for e in self.past[-2:]):
            return False
        first, latest = map(summed, stops)
        return first.keys() == latest.keys() and all(
            abs(by + latest[part]) < 1e-6 * abs(by) for part, by in first.items()
        )

    def _undone(
        self, trial: TrialStrokes, keys: Sequence[Key]
    ) -> tuple[dict[Key, Judged], dict[Key, Judged]]:
        """What the change did that was made and taken back, and what is left of it."""
        first, changed = (each.strokes for each in self.past[-2:])
        found = {
            key: there_and_back(first.mean(key), changed.mean(key), trial.mean(key)) for key in keys
        }
        there = judged_by_row({key: each.there for key, each in found.items()})
        return there, judged_by_row({key: each.back for key, each in found.items()})

    def _spoken(self, key: Key) -> tuple[Spoken, str]:
        """The measure of a row for words, and the kind of its event."""
        if (key[0], key[2]) == LOAD:
            return WORKLOAD, "mean"
        return self._definitions.measure(key[0]), self._definitions.event(key[2]).kind

    def _row(self, key: Key, found: Settled, trial: TrialStrokes) -> ChangeRow:
        before = self._made.get(key)
        if before is not None and before[0] is found:
            return before[1]
        row = self._new_row(key, found, trial)
        self._made[key] = found, row
        return row

    def _new_row(self, key: Key, found: Settled, trial: TrialStrokes) -> ChangeRow:
        mean, drift, unit = found.mean, found.drift, trial.unit(key)
        speed = cadence_of(trial, key[1]).values
        rpm = float(np.nanmean(speed)) if np.isfinite(speed).any() else _USUAL_RPM
        return ChangeRow(
            measure=key[0],
            side=SIDE[key[1]],
            event=key[2],
            unit=unit,
            n=mean.n,
            aside=found.aside,
            mean=number(mean.mean),
            ci95=_pair(mean.low, mean.high),
            state=found.state,
            more=found.more,
            drift=number(drift.slope),
            drift_ci95=_pair(drift.low, drift.high),
            words=settled_words(found, unit, rpm),
        )

    def _against(self, key: Key, other: Earlier | None, compared: _Compared) -> Against | None:
        if other is None or key not in compared.stayed:
            return None
        stayed = compared.stayed[key]
        anew = compared.anew.get(key) if (key[0], key[2]) in self._replacing else None
        moved = other.placement != self.placement and (key[0], key[2]) not in (CADENCE, LOAD)
        found = compared.anew[key] if moved else stayed
        markers = Markers(moved, None if anew is None else stayed if moved else anew)
        mean, change = other.strokes.mean(key), found.change
        measure, kind = self._spoken(key)
        return Against(
            n=mean.n,
            mean=number(mean.mean),
            by=number(change.by),
            ci95=_pair(change.low, change.high),
            smallest=number(found.smallest),
            p=number(found.p),
            verdict=_verdict(found),
            words=change_words(found, measure, key[1], kind, markers),
            markers="anew" if moved else "stayed",
            anew_ci95=None if anew is None else _pair(anew.change.low, anew.change.high),
            anew_smallest=None if anew is None else number(anew.smallest),
        )

    def _offered(self, offer: Offer) -> OfferedMark:
        steps = sorted(offer.found.items(), key=lambda each: -abs(each[1].z))
        rows = []
        for key, step in steps:
            measure, kind = self._spoken(key)
            rows.append(
                StepRow(
                    measure=key[0],
                    side=SIDE[key[1]],
                    event=key[2],
                    unit=measure.unit,
                    stroke=step.stroke,
                    found_at=step.found_at,
                    by=step.size,
                    ci95=[step.low, step.high],
                    words=step_words(step, measure, key[1], kind),
                )
            )
        return OfferedMark(number=offer.number, t=offer.t, rows=rows, apart_from=APART_FROM)


def _verdict(judged: Judged) -> Literal["told", "hidden", "unsaid"]:
    if np.isnan(judged.p):
        return "unsaid"
    return "told" if judged.told else "hidden"


def _pair(low: float, high: float) -> list[float] | None:
    return [low, high] if np.isfinite(low) and np.isfinite(high) else None
