"""The cycles and poses of a trial, and their means."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livefit.change.doubts import Doubts
from livefit.frames import FloatArray
from livefit.kernel.cycles import GridPoses, StrokeCycle
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


class Curves:
    """What strokes look like all round the crank."""

    def __init__(self) -> None:
        self._cycles: dict[str, deque[StrokeCycle]] = {}
        self._turns: dict[int, FloatArray] = {}

    def add(
        self, cycles: Iterable[StrokeCycle], poses: Iterable[GridPoses], after: Mapping[str, int]
    ) -> None:
        """Take whole cycles, and the markers round the crank; by side, strokes after a number."""
        for cycle in cycles:
            if cycle.stroke > after.get(cycle.side, cycle.stroke - 1):
                self._keep(cycle.side, [cycle])
        for pose in poses:
            self._add_pose(pose, after)

    def _keep(self, side: str, cycles: Iterable[StrokeCycle]) -> None:
        self._cycles.setdefault(side, deque(maxlen=MOST_STROKES)).extend(cycles)

    def _add_pose(self, pose: GridPoses, after: Mapping[str, int]) -> None:
        for row, points in enumerate(pose.positions):
            turn, place = divmod(pose.first + row, GRID)
            if turn <= after.get("R", turn - 1):
                continue
            if turn not in self._turns:
                self._turns[turn] = np.full((GRID, *points.shape), np.nan)
                while len(self._turns) > MOST_STROKES:
                    del self._turns[min(self._turns)]
            self._turns[turn][place] = points

    def leave_out(self, doubts: Doubts) -> None:
        """Leave out what rests on a marker that had moved, and the marker."""
        for side, cycles in self._cycles.items():
            self._cycles[side] = deque(doubts.without_cycles(cycles), maxlen=MOST_STROKES)
        for turn, points in self._turns.items():
            [pose] = doubts.without_markers([GridPoses(turn * GRID, points)])
            self._turns[turn] = pose.positions

    def followed_by(self, later: Curves) -> Curves:
        """These and later ones as of one trial."""
        both = Curves()
        for curves in (self, later):
            for side, cycles in curves._cycles.items():
                both._keep(side, cycles)
            both._turns |= curves._turns
        return both

    def split(self, after: Mapping[str, int]) -> tuple[Curves, Curves]:
        """Those of strokes up to a number, by side, and those after it."""
        early, late = Curves(), Curves()
        for side, cycles in self._cycles.items():
            for part, kept in ((early, False), (late, True)):
                own = [c for c in cycles if (c.stroke > after.get(side, c.stroke)) == kept]
                if own:
                    part._keep(side, own)
        for turn, points in self._turns.items():
            (late if turn > after.get("R", turn) else early)._turns[turn] = points
        return early, late

    def cycles_of(self, sides: Collection[str]) -> Curves:
        """The cycles of these sides alone."""
        part = Curves()
        part._cycles = {side: own for side, own in self._cycles.items() if side in sides}
        return part

    def cycles(self, window: Rolling) -> dict[str, CycleMean]:
        """Mean cycles of the window by side."""
        made = {}
        for side, kept in self._cycles.items():
            recent = _recent(list(kept), window)
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

    def mean_pose(self, window: Rolling) -> FloatArray | None:
        """Mean positions (36, markers, 3), mm in bike axes, right crank at 0, 10, ... 350 deg.

        Over the last strokes of the window; NaN = never seen there. None before the first.
        """
        turns = sorted(self._turns)[-(window.strokes or MOST_STROKES) :]
        if not turns:
            return None
        stack = np.stack([self._turns[turn] for turn in turns])
        mean = summarise(stack.reshape(len(turns), -1)).mean
        return mean.reshape(stack.shape[1:])


def _recent(cycles: Sequence[StrokeCycle], window: Rolling) -> list[StrokeCycle]:
    if window.strokes is not None:
        return list(cycles)[-window.strokes :]
    oldest = -np.inf if window.seconds is None else cycles[-1].t - window.seconds
    return [cycle for cycle in cycles if cycle.t >= oldest]
