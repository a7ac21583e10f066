"""Whole cycles of every measure, and the markers every 10 degrees, for those who draw them."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from livefit.frames import FloatArray, IntArray
from livefit.kernel.measuring import VIRTUAL_POINTS
from livefit.kernel.plan import BEFORE_NODE, SidePlan
from livefit.kernel.strokes import GRID_PER_NODE

MOST_KEPT = 256
"""Cycles, and poses, that wait to be taken; older ones are dropped."""


@dataclass(frozen=True)
class StrokeCycle:
    """A completed stroke of one side, from one of its top dead centres to the next.

    Attributes
    ----------
    side, measures
        Which; (k) names.
    stroke
        Its number, as of its events.
    t
        s: device time of its end.
    values
        (37, k) deg or mm, every 10 degrees of the side's own crank; NaN = refused, or a marker
        was missing.
    """

    side: str
    measures: tuple[str, ...]
    stroke: int
    t: float
    values: FloatArray


@dataclass(frozen=True)
class GridPoses:
    """The markers at successive crank angles, 10 degrees apart.

    Attributes
    ----------
    first
        Index of the first row; row r is at 10 * (first + r) degrees of the right crank.
    positions
        (g, markers, 3) mm in bike axes, without the points that carry no marker; NaN = missing.
    """

    first: int
    positions: FloatArray


class CycleKeeper:
    """Collects cycles and poses until they are taken.

    Parameters
    ----------
    sides
        The plan's.
    """

    def __init__(self, sides: Sequence[SidePlan]) -> None:
        self._sides = [(side, side.new_grid()) for side in sides if side.measures]
        self._cycles: deque[StrokeCycle] = deque(maxlen=MOST_KEPT)
        self._poses: deque[GridPoses] = deque(maxlen=MOST_KEPT)
        self._pending: deque[tuple[int, FloatArray, FloatArray, FloatArray, IntArray]] = deque(
            maxlen=MOST_KEPT
        )

    def add(
        self,
        first_node: int,
        points: FloatArray,
        values: FloatArray,
        t: FloatArray,
        harmonics: IntArray,
    ) -> None:
        """Add consecutive nodes.

        Parameters
        ----------
        points
            (e, 18, markers + virtual, 3) mm in bike axes; NaN = missing.
        values
            (e, 18, k) of the plan's table.
        t
            (e, 18) s; NaN = refused.
        harmonics
            (e,) how many each was regressed on; 0 = refused.
        """
        first = first_node * GRID_PER_NODE - BEFORE_NODE
        self._pending.append((first, points, values, t, harmonics))

    def _work_off(self) -> None:
        """Make cycles and poses of what was added, which nobody waits for until they ask."""
        while self._pending:
            self._make(*self._pending.popleft())

    def _make(
        self,
        first: int,
        points: FloatArray,
        values: FloatArray,
        t: FloatArray,
        harmonics: IntArray,
    ) -> None:
        for k in np.flatnonzero(harmonics).tolist():
            markers = points[k, :, : -len(VIRTUAL_POINTS)].copy()
            self._poses.append(GridPoses(first + k * GRID_PER_NODE, markers))
        rows = values.reshape(t.size, values.shape[2])
        orders = np.repeat(harmonics, GRID_PER_NODE)
        completed: list[StrokeCycle] = []
        for side, grid in self._sides:
            strokes = grid.extend(first, t.reshape(-1), rows[:, side.columns], orders)
            names = tuple(measure.name for measure in side.measures)
            completed += [
                StrokeCycle(side.side, names, number, end, cycle)
                for number, begin, end, cycle in zip(
                    strokes.number.tolist(),
                    strokes.begin.tolist(),
                    strokes.end.tolist(),
                    strokes.cycles,
                    strict=True,
                )
                if np.isfinite(end - begin)
            ]
        self._cycles.extend(sorted(completed, key=lambda cycle: cycle.t))

    def take_cycles(self) -> list[StrokeCycle]:
        """Cycles completed since the last call, oldest first."""
        self._work_off()
        return _drained(self._cycles)

    def take_poses(self) -> list[GridPoses]:
        """Poses of each half turn since the last call, oldest first; none where refused."""
        self._work_off()
        return _drained(self._poses)


_T = TypeVar("_T")


def _drained(waiting: deque[_T]) -> list[_T]:
    taken = list(waiting)
    waiting.clear()
    return taken
