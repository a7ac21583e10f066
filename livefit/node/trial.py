"""A trial, the riding between two changes of the bicycle: its values, cycles and poses."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from livefit.definitions.models import Measure
from livefit.frames import FloatArray
from livefit.kernel.cycles import GridPoses, StrokeCycle
from livefit.kernel.events import EventValues
from livefit.kernel.plan import SidePlan
from livefit.kernel.results import Bands, RollingResults
from livefit.kernel.rolling import Rolling, summarise

GRID = 36
"""Crank angles in a turn at which cycles and poses are kept, 10 deg apart."""
MOST_STROKES = 60
"""Of cycles and poses no more are kept, whatever the window."""


@dataclass(frozen=True)
class CycleMean:
    """Cycles of one side over the window.

    Attributes
    ----------
    measures
        (k) names.
    stroke, n
        Number of the latest stroke; strokes in the mean.
    last, mean, sd
        (37, k) every 10 deg of the own crank, deg or mm; NaN = no value.
    """

    measures: tuple[str, ...]
    stroke: int
    n: int
    last: FloatArray
    mean: FloatArray
    sd: FloatArray


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
    ) -> None:
        self.results = RollingResults(sides, measures, window, bands)
        self._sides, self._measures = sides, measures
        self._window = window
        self._after = after
        self.mark, self.mark_before = mark, mark_before
        self.since = since
        self._cycles: dict[str, deque[StrokeCycle]] = {}
        self._turns: dict[int, FloatArray] = {}
        self._early: list[EventValues] = []

    def add(self, values: Sequence[EventValues]) -> None:
        """Take final values."""
        self._early += self._part(values, early=True)
        self.results.add(self._part(values, early=False))

    def add_curves(self, cycles: Iterable[StrokeCycle], poses: Iterable[GridPoses]) -> None:
        """Take whole cycles, and the markers round the crank."""
        for cycle in cycles:
            if cycle.stroke > self._after.get(cycle.side, cycle.stroke - 1):
                kept = self._cycles.setdefault(cycle.side, deque(maxlen=MOST_STROKES))
                kept.append(cycle)
        for pose in poses:
            self._add_poses(pose)

    def mark_of(self, side: str, stroke: int) -> int:
        """Number of the latest mark before a stroke."""
        return self.mark if stroke > self._after.get(side, stroke - 1) else self.mark_before

    def set_quick(self, values: Iterable[EventValues]) -> bool:
        """Take the quick values that stand in for now; True if any row changed."""
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

    def _add_poses(self, poses: GridPoses) -> None:
        for row, points in enumerate(poses.positions):
            turn, place = divmod(poses.first + row, GRID)
            if turn <= self._after.get("R", turn - 1):
                continue
            if turn not in self._turns:
                self._turns[turn] = np.full((GRID, *points.shape), np.nan)
                while len(self._turns) > MOST_STROKES:
                    del self._turns[min(self._turns)]
            self._turns[turn][place] = points

    def resize(self, window: Rolling) -> None:
        """Change the window and keep what still falls into it."""
        self._window = window
        self.results.resize(window)

    def after(self, earlier: Trial, bands: Bands, window: Rolling) -> Trial:
        """The trial in which the change between an earlier one and this one never was."""
        joined = Trial(
            self._sides,
            self._measures,
            window,
            bands,
            earlier._after,
            mark=earlier.mark,
            mark_before=earlier.mark_before,
            since=earlier.since,
        )
        joined.results.resume(earlier.results)
        joined._early = list(earlier._early)
        joined.add(self._early)
        joined.results.resume(self.results)
        for trial in (earlier, self):
            for side, cycles in trial._cycles.items():
                joined._cycles.setdefault(side, deque(maxlen=MOST_STROKES)).extend(cycles)
            joined._turns |= trial._turns
        return joined

    def _recent(self, cycles: Sequence[StrokeCycle]) -> list[StrokeCycle]:
        strokes, seconds = self._window.strokes, self._window.seconds
        if strokes is not None:
            return list(cycles)[-strokes:]
        oldest = -np.inf if seconds is None else cycles[-1].t - seconds
        return [cycle for cycle in cycles if cycle.t >= oldest]

    def cycles(self) -> dict[str, CycleMean]:
        """Mean cycles of the window by side."""
        made = {}
        for side, kept in self._cycles.items():
            recent = self._recent(kept)
            stack = np.stack([cycle.values for cycle in recent])
            summary = summarise(stack.reshape(len(recent), -1))
            last = recent[-1]
            made[side] = CycleMean(
                measures=last.measures,
                stroke=last.stroke,
                n=len(recent),
                last=last.values,
                mean=summary.mean.reshape(last.values.shape),
                sd=summary.sd.reshape(last.values.shape),
            )
        return made

    def mean_pose(self) -> FloatArray | None:
        """Mean positions (36, markers, 3), mm in bike axes, right crank at 0, 10, ... 350 deg.

        Over the last strokes of the window; NaN = never seen there. None before the first.
        """
        turns = sorted(self._turns)[-(self._window.strokes or MOST_STROKES) :]
        if not turns:
            return None
        stack = np.stack([self._turns[turn] for turn in turns])
        mean = summarise(stack.reshape(len(turns), -1)).mean
        return mean.reshape(stack.shape[1:])
