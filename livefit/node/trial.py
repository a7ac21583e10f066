"""A trial, the riding between two changes of the bicycle: its values, cycles and poses."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import replace

import numpy as np

from livefit.change.doubts import NEVER, Doubts
from livefit.change.settling import MOST_STROKES as MOST_COMPARED
from livefit.change.settling import SHARE, may_settle, strokes_aside
from livefit.change.trials import CADENCE, Group, Key, TrialStrokes
from livefit.change.workload import LOAD, LOAD_UNITS
from livefit.definitions.models import Measure
from livefit.frames import FloatArray
from livefit.kernel.correlation import inflations_of
from livefit.kernel.cycles import GridPoses, StrokeCycle
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from livefit.kernel.plan import SidePlan
from livefit.kernel.results import Bands, RollingResults
from livefit.kernel.rolling import Rolling
from livefit.node.captures import OtherCapture
from livefit.node.curves import Curves, CycleMean

LOOK_BACK = 60
"""Strokes from which their correlation is told."""
LOOK_OFTEN, LOOK_EVERY = 20, 5
"""Up to so many strokes it is told anew with each one, and then with every fifth."""


class Trial:
    """What the strokes since the last change amount to.

    Parameters
    ----------
    sides
        The kernel's plan.
    measures
        Definitions, for units.
    window
        Which strokes count.
    bands
        Target ranges.
    after
        By side: strokes up to this number began before the trial and do not count.
    mark, mark_before
        Numbers of the marks in force during the trial and before it; 0 = none.
    since
        Device time (s) of the newest frame when it began; None: with the stream.
    holds_within
        By unit: how narrow a mean's interval must be for it to hold.
    changed
        Whether the bicycle was changed before it, so that the rider may still be settling.
    other
        The capture of the trial before this one, whose other side is part of the trial.

    Attributes
    ----------
    strokes
        Those of every row.
    other_capture
        What the capture before saw of the other side, if that is part of the trial.
    """

    def __init__(
        self,
        sides: Sequence[SidePlan],
        measures: Sequence[Measure],
        window: Rolling,
        bands: Bands,
        after: Mapping[str, int],
        *,
        mark: int,
        mark_before: int,
        since: float | None = None,
        holds_within: Mapping[str, float],
        changed: bool = False,
        other: Trial | None = None,
    ) -> None:
        seen = {plan.side for plan in sides if plan.groups()}
        kept = [] if other is None else [s for s in other._sides if s.side not in seen]
        self._sides: list[SidePlan] = [*(plan for plan in sides if plan.side in seen), *kept]
        self.results = RollingResults(self._sides, measures, window, bands)
        units = {measure.name: measure.unit for measure in measures} | LOAD_UNITS
        self.strokes = TrialStrokes(units, holds_within)
        self._measures = measures
        self._window = window
        self._after = after
        self.mark, self.mark_before = mark, mark_before
        self.since = since
        self.other_capture: OtherCapture | None = None
        self._curves = Curves()
        self._early: list[EventValues] = []
        self._quick: Sequence[EventValues] | None = None
        self._holds_within = holds_within
        self.changed = changed
        self._inflation: dict[Key, float] = {}
        self._first: dict[Key, int] = {}
        self._doubts: Doubts | None = None
        if other is not None:
            sides_kept = {plan.side for plan in kept}
            if other._doubts is None:
                self.results.resume(other.results)
            else:
                self.results.add(other._doubts.without(other.results.event_values()))
            self.strokes = other.strokes.of_sides(sides_kept)
            self._curves = other._curves.cycles_of(sides_kept)
            self._inflation = {k: f for k, f in other._inflation.items() if k[1] in sides_kept}

    def add(self, values: Sequence[EventValues]) -> None:
        """Take final values."""
        if not values:
            return
        self._quick = None
        self._early += self._part(values, early=True)
        self.results.add(self._part(values, early=False))

    def settle(self, values: Sequence[EventValues]) -> list[EventValues]:
        """Go on with values taken before; returns those of strokes from before the trial."""
        late = list(self._part(values, early=False))
        self.strokes.add(late)
        groups = [(v.side, v.event, v.measures) for v in late if v.measures != LOAD[:1]]
        self._look_at(groups, settling=self._may_be_settling())
        if late:
            self._set_aside()
        return list(self._part(values, early=True))

    def add_late(self, values: Iterable[EventValues]) -> list[EventValues]:
        """Take strokes that became final after the trial; returns those from before it."""
        kept = list(values)
        self.strokes.add(list(self._part(kept, early=False)))
        return list(self._part(kept, early=True))

    def _look_at(self, groups: Sequence[Group], *, settling: bool) -> None:
        """How the strokes of some rows hang together, and where the rider has settled in them."""
        due: dict[int, list[tuple[Group, FloatArray]]] = {}
        for group in groups:
            numbers, _, values = self.strokes.table(group)
            if len(numbers) <= LOOK_OFTEN or numbers[-1] % LOOK_EVERY == 0:
                recent = values[-LOOK_BACK:]
                due.setdefault(len(recent), []).append((group, recent))
            if settling:
                self._look_where_settled(group)
        for alike in due.values():
            found = inflations_of(np.hstack([recent for _, recent in alike])).tolist()
            keys = [key for group, _ in alike for key in _keys(group)]
            self._inflation |= {k: f for k, f in zip(keys, found, strict=True) if np.isfinite(f)}

    def _look_where_settled(self, group: Group) -> None:
        numbers, _, values = self.strokes.table(group)
        maybe = may_settle(values).tolist()
        for key, own, may in zip(_keys(group), values.T, maybe, strict=True):
            aside = 0
            if may:
                half = self._holds_within[self.strokes.unit(key)]
                aside = min(strokes_aside(own, SHARE * half), len(own) // 2)
            self._first[key] = int(numbers[aside])

    def leave_out(self, doubts: Doubts) -> None:
        """Leave out what rests on a marker that has moved; its rows count anew once it is back."""
        self._doubts = doubts
        self._set_aside()
        self.strokes.leave_out(doubts)
        self._curves.leave_out(doubts)

    def left_out(self, key: Key) -> bool:
        """Whether a row rests on a marker that is not where its label says."""
        return self._doubts is not None and self._doubts.now(key[0], key[1])

    def _set_aside(self) -> None:
        first = dict(self._first)
        if self._doubts is not None:
            self.results.leave_out(self._doubts.of)
            keys = [(m, s.side, at) for s in self._sides for at, own in s.groups() for m in own]
            first |= {key: NEVER for key in keys if self._doubts.now(key[0], key[1])}
        self.results.set_aside(first)

    def _may_be_settling(self) -> bool:
        """Whether a stroke that is set aside, half of them at most, can be in the window."""
        if not self.changed:
            return False
        counts = (self.results.strokes(plan.side) for plan in self._sides)
        ridden = max((len(self.strokes.table(g)[0]) for g in self.strokes.groups), default=0)
        return ridden <= 2 * max(counts, default=0)

    def inflation(self, key: Key) -> float:
        """How many times the variance of a row's mean is that of independent strokes."""
        return self._inflation.get(key, 1.0)

    @property
    def sides(self) -> set[str]:
        """Sides that the trial has rows of."""
        return {plan.side for plan in self._sides}

    @property
    def ridden(self) -> bool:
        """Whether there is a whole stroke."""
        return any(len(self.strokes.table(group)[0]) for group in self.strokes.groups)

    def misses(self, seen: Set[str]) -> bool:
        """Whether a stream sees one side, and this trial so far the other."""
        return len(seen) == 1 and seen < {"L", "R"} and bool((self.sides - seen) & {"L", "R"})

    @property
    def holds(self) -> int:
        """Strokes that the window can hold, at the present cadence."""
        strokes, seconds = self._window.strokes, self._window.seconds
        if strokes is not None:
            return strokes
        if seconds is None:
            return MOST_COMPARED
        rates = [row.mean for row in self.results.rows() if (row.measure, row.event) == CADENCE]
        rpm = max((rate for rate in rates if np.isfinite(rate)), default=0.0)
        return int(seconds * rpm / 60) or MOST_COMPARED

    def add_curves(self, cycles: Iterable[StrokeCycle], poses: Iterable[GridPoses]) -> None:
        """Take whole cycles, and the markers round the crank."""
        self._curves.add(cycles, poses, self._after)

    def mark_of(self, side: str, stroke: int) -> int:
        """Number of the latest mark before a stroke."""
        return self.mark if stroke > self._after.get(side, stroke - 1) else self.mark_before

    def set_quick(self, values: Sequence[EventValues]) -> bool:
        """Stand these quick values in, the same list if none is new; True if any row changed."""
        if values is self._quick:
            return False
        self._quick = values
        return self.results.set_quick(self._part(values, early=False))

    def _part(self, values: Iterable[EventValues], *, early: bool) -> Iterator[EventValues]:
        """The part of the values that belongs to this trial, or the part from before it."""
        for v in values:
            split = 0
            if v.side in self._after:
                split = int(np.searchsorted(v.strokes, self._after[v.side], side="right"))
            part = slice(0, split) if early else slice(split, None)
            count = split if early else len(v.strokes) - split
            if count == len(v.strokes):
                yield v
            elif count:
                yield replace(
                    v,
                    strokes=v.strokes[part],
                    t=v.t[part],
                    crank_deg=v.crank_deg[part],
                    values=v.values[part],
                )

    def resize(self, window: Rolling) -> None:
        """Change the window and keep what still falls into it."""
        self._window = window
        self.results.resize(window)

    def after(self, earlier: Trial, bands: Bands, window: Rolling) -> Trial:
        """The trial in which the change between an earlier one and this one never was."""
        seen = {plan.side for plan in self._sides}
        sides = [*self._sides, *(plan for plan in earlier._sides if plan.side not in seen)]
        joined = self._like(sides, earlier._after, bands, window, earlier)
        joined.results.resume(earlier.results)
        joined.other_capture = self.other_capture or earlier.other_capture
        joined._early = list(earlier._early)
        joined.add(self._early)
        joined.results.resume(self.results)
        joined.strokes = earlier.strokes.joined(self.strokes)
        joined._curves = earlier._curves.followed_by(self._curves)
        return joined

    def split(self, after: Mapping[str, int], bands: Bands) -> tuple[Trial, Trial]:
        """The trial up to a stroke of each side, and that which a mark begins after it."""
        early = self._like(self._sides, self._after, bands, self._window, self)
        early._early, early.other_capture = list(self._early), self.other_capture
        early.strokes = self.strokes.part(after, early=True)
        early.results.add(v for v in early.strokes.event_values() if v.measures != LOAD[:1])
        late = self._like(self._sides, after, bands, self._window, self)
        late.mark_before, late.changed = self.mark, True
        late.strokes = self.strokes.part(after, early=False)
        late.results.add(late._part(self.results.event_values(), early=False))
        early._curves, late._curves = self._curves.split(after)
        groups = [group for group in late.strokes.groups if group[2] != LOAD[:1]]
        late._look_at(groups, settling=True)
        late._set_aside()
        return early, late

    def _like(
        self,
        sides: Sequence[SidePlan],
        after: Mapping[str, int],
        bands: Bands,
        window: Rolling,
        earlier: Trial,
    ) -> Trial:
        """An empty trial, begun as an earlier one was."""
        return Trial(
            sides,
            self._measures,
            window,
            bands,
            after,
            mark=earlier.mark,
            mark_before=earlier.mark_before,
            since=earlier.since,
            holds_within=self._holds_within,
            changed=earlier.changed,
        )

    def cycles(self) -> dict[str, CycleMean]:
        """Mean cycles of the window by side."""
        return self._curves.cycles(self._window)

    def captured(self, kernel: Kernel, sides: Set[str]) -> OtherCapture | None:
        """What a capture that is over, or the one before it, saw of these sides."""
        if not kernel.plan.seen & sides:
            return self.other_capture
        pose, bike = self.mean_pose(), kernel.bike
        if pose is None or bike is None:
            return None
        return OtherCapture(kernel.labels, pose, bike.cranks).of_sides(sides)

    def mean_pose(self) -> FloatArray | None:
        """Mean pose of the window, as :meth:`Curves.mean_pose`."""
        return self._curves.mean_pose(self._window)


def _keys(group: Group) -> list[Key]:
    side, event, measures = group
    return [(measure, side, event) for measure in measures]
