"""The strokes of one trial, row by row, and what became of the rows between two trials."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from livefit.change.correlated import StrokeMean, in_order
from livefit.change.difference import Change, Judged, difference, together
from livefit.change.doubts import Doubts
from livefit.change.settling import HOLDS_WITHIN, MOST_STROKES, Settled, settled
from livefit.frames import FloatArray, IntArray
from livefit.kernel.events import EventValues
from livefit.kernel.rolling import Rolling, RollingSummary

Key = tuple[str, str, str]
"""Measure, side, event."""
Group = tuple[str, str, tuple[str, ...]]
"""Side, event, and the measures taken there."""

KEPT = 2 * MOST_STROKES
CADENCE = ("cadence", "mean")
"""The measure and event that say how fast a stroke was."""


class Strokes(NamedTuple):
    """Strokes of one row: numbers (n,), times (n,) s and values (n,), NaN = none."""

    numbers: IntArray
    t: FloatArray
    values: FloatArray


class TrialStrokes:
    """The strokes of a trial, and what is asked of them.

    Parameters
    ----------
    units
        Unit of each measure.
    holds_within
        By unit: the mean's 95 % interval may be +- this.
    kept
        So many of the last strokes stay; None: all.
    """

    def __init__(
        self,
        units: Mapping[str, str],
        holds_within: Mapping[str, float] = HOLDS_WITHIN,
        kept: int | None = KEPT,
    ) -> None:
        self._units, self._holds_within, self._kept = units, holds_within, kept
        self._groups: dict[Group, RollingSummary] = {}
        self._of: dict[Key, tuple[Group, int]] = {}
        self._settled: dict[Key, Settled] = {}

    def add(self, values: Iterable[EventValues]) -> None:
        """Take strokes that follow those there are."""
        for v in values:
            self._take((v.side, v.event, v.measures), v.strokes, v.t, v.values)

    def _take(self, group: Group, numbers: IntArray, t: FloatArray, values: FloatArray) -> None:
        side, event, measures = group
        if group not in self._groups:
            self._groups[group] = RollingSummary(Rolling(strokes=self._kept), len(measures))
            self._of |= {(m, side, event): (group, k) for k, m in enumerate(measures)}
        self._groups[group].update(numbers, t, values)
        for measure in measures:
            self._settled.pop((measure, side, event), None)

    def leave_out(self, doubts: Doubts) -> None:
        """Leave out the values that rest on a marker that had moved."""
        for (side, event, measures), kept in self._groups.items():
            doubtful = doubts.of(side, measures, kept.strokes)
            if doubtful is not None:
                kept.leave_out(doubtful)
                for measure in measures:
                    self._settled.pop((measure, side, event), None)

    def unit(self, key: Key) -> str:
        """Unit of a row."""
        return self._units[key[0]]

    @property
    def keys(self) -> tuple[Key, ...]:
        """Every row of which there are strokes."""
        return tuple(self._of)

    @property
    def groups(self) -> tuple[Group, ...]:
        """Rows that share their strokes."""
        return tuple(self._groups)

    def table(self, group: Group) -> tuple[IntArray, FloatArray, FloatArray]:
        """Stroke numbers (n,), times (n,) s and values (n, measures) of a group."""
        kept = self._groups[group]
        return kept.strokes, kept.t, kept.values

    def strokes(self, key: Key) -> Strokes:
        """The strokes of a row; none where there is no such row."""
        if key not in self._of:
            return Strokes(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))
        group, column = self._of[key]
        numbers, t, values = self.table(group)
        return Strokes(numbers, t, values[:, column])

    def settled(self, key: Key) -> Settled:
        """How far a row has settled; worked out once for the strokes there are."""
        found = self._settled.get(key)
        if found is None:
            own = self.strokes(key)
            half = self._holds_within[self._units[key[0]]]
            found = settled(in_order(own.numbers, own.values), half)
            self._settled[key] = found
        return found

    def mean(self, key: Key) -> StrokeMean:
        """Mean of the strokes of a row that count."""
        return self.settled(key).mean

    def first_that_counts(self, key: Key) -> int:
        """Number of the first stroke of a row that is not set aside."""
        numbers = self.strokes(key).numbers
        if not len(numbers):
            return 0
        looked_at = max(int(numbers[0]), int(numbers[-1]) + 1 - MOST_STROKES)
        return looked_at + self.settled(key).aside

    def part(self, after: Mapping[str, int], *, early: bool) -> TrialStrokes:
        """The strokes up to a number, by side, or those after it; no number: all are early."""
        part = TrialStrokes(self._units, self._holds_within, self._kept)
        for group in self._groups:
            numbers, t, values = self.table(group)
            last = after.get(group[0])
            split = len(numbers) if last is None else int(np.searchsorted(numbers, last, "right"))
            rows = slice(0, split) if early else slice(split, None)
            part._take(group, numbers[rows], t[rows], values[rows])
        return part

    def between(self, after: Mapping[str, float], until: Mapping[str, float]) -> TrialStrokes:
        """The strokes after a number, by side, up to another; where a side has none, all."""
        part = TrialStrokes(self._units, self._holds_within, self._kept)
        for group in self._groups:
            numbers, t, values = self.table(group)
            low, high = after.get(group[0], -np.inf), until.get(group[0], np.inf)
            rows = slice(*np.searchsorted(numbers, [low, high], "right").tolist())
            part._take(group, numbers[rows], t[rows], values[rows])
        return part

    @property
    def ridden(self) -> bool:
        """Whether any row has a value."""
        return any(np.isfinite(self.table(group)[2]).any() for group in self._groups)

    def copy(self) -> TrialStrokes:
        """The strokes as they are now."""
        return self.joined(TrialStrokes(self._units, self._holds_within, self._kept))

    def joined(self, later: TrialStrokes) -> TrialStrokes:
        """These strokes and later ones as of one trial."""
        both = TrialStrokes(self._units, self._holds_within, self._kept)
        for trial in (self, later):
            for group in trial._groups:
                both._take(group, *trial.table(group))
        return both

    def followed_by(self, later: TrialStrokes) -> TrialStrokes:
        """These strokes and those of a later stream, which counts anew, as of one trial.

        The later ones are numbered on, with one number left out between.
        """
        one, other = self, later
        if set(one.groups) != set(other.groups):
            one, other = one._one_by_one(), other._one_by_one()
        last = max((int(g.strokes[-1]) for g in one._groups.values() if len(g.strokes)), default=-2)
        first = min(
            (int(g.strokes[0]) for g in other._groups.values() if len(g.strokes)), default=0
        )
        both = one.copy()
        for group in other._groups:
            numbers, t, values = other.table(group)
            both._take(group, numbers + (last + 2 - first), t, values)
        return both

    def _one_by_one(self) -> TrialStrokes:
        """The same with every row in a group of its own."""
        apart = TrialStrokes(self._units, self._holds_within, self._kept)
        for side, event, measures in self._groups:
            numbers, t, values = self.table((side, event, measures))
            for k, measure in enumerate(measures):
                apart._take((side, event, (measure,)), numbers, t, values[:, k : k + 1])
        return apart

    def of_sides(self, sides: Collection[str]) -> TrialStrokes:
        """The strokes of these sides alone."""
        part = TrialStrokes(self._units, self._holds_within, self._kept)
        for group in self._groups:
            if group[0] in sides:
                part._take(group, *self.table(group))
        return part

    def event_values(self) -> list[EventValues]:
        """All strokes as the kernel gives them, without where in the stroke they were found."""
        found = []
        for group in self._groups:
            (side, event, measures), (numbers, t, values) = group, self.table(group)
            nowhere = np.full(values.shape, np.nan)
            found.append(EventValues(side, event, measures, numbers, t, nowhere, values))
        return found


def differences(
    before: TrialStrokes,
    now: TrialStrokes,
    keys: Sequence[Key],
) -> dict[Key, Judged]:
    """What changed from one trial to another, all rows judged together; cadence by itself.

    Parameters
    ----------
    keys
        The rows that are looked at.
    """
    return judged_by_row({key: difference(before.mean(key), now.mean(key)) for key in keys})


def judged_by_row(changes: Mapping[Key, Change]) -> dict[Key, Judged]:
    """Judge the rows together, and each side's cadence, which is no part of the posture, alone."""
    loads = [key for key in changes if (key[0], key[2]) == CADENCE]
    rows = [key for key in changes if key not in loads]
    judged = dict(zip(rows, together([changes[key] for key in rows]), strict=True))
    return judged | {key: together([changes[key]])[0] for key in loads}
