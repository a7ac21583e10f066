"""Whole strokes from a fine grid of crank angles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livefit.frames import FloatArray, IntArray
from livefit.kernel.nodes import NODES_PER_TURN

GRID_PER_TURN = 36
GRID_PER_NODE = GRID_PER_TURN // NODES_PER_TURN
GRID_DEG = 360.0 / GRID_PER_TURN


@dataclass(frozen=True)
class Strokes:
    """Strokes just completed.

    Attributes
    ----------
    number
        (s,) stroke numbers.
    begin, end
        (s,) s: the side's top dead centres.
    cycles
        (s, 37, k): each measure from one top dead centre to the next, every 10 degrees.
    harmonics
        (s,) the fewest that any of a cycle's rows was regressed on; 0 = one was refused.
    """

    number: IntArray
    begin: FloatArray
    end: FloatArray
    cycles: FloatArray
    harmonics: IntArray


class StrokeGrid:
    """Collects one side's measures every 10 degrees and cuts them into strokes.

    Parameters
    ----------
    columns
        Number of measures.
    lead
        Grid steps by which this side's top dead centre comes before the right crank's.
    """

    def __init__(self, columns: int, lead: int) -> None:
        self._lead = lead
        self._first = 0
        self._next_stroke: int | None = None
        self._t = np.empty(0)
        self._values = np.empty((0, columns))
        self._harmonics = np.empty(0, dtype=np.int64)
        none = np.empty(0, dtype=np.int64)
        cycles = np.empty((0, GRID_PER_TURN + 1, columns))
        self._none = Strokes(none, np.empty(0), np.empty(0), cycles, none)

    def extend(self, first: int, t: FloatArray, values: FloatArray, harmonics: IntArray) -> Strokes:
        """Add grid rows from index `first` on; t (g,) s, values (g, k), NaN = refused.

        harmonics (g,): how many each row was regressed on.
        """
        if not len(self._t) or first != self._first + len(self._t):
            self._first, self._t, self._values, self._harmonics = first, t, values, harmonics
            self._next_stroke = -(-(first + self._lead) // GRID_PER_TURN)
        else:
            self._t = np.concatenate([self._t, t])
            self._values = np.concatenate([self._values, values])
            self._harmonics = np.concatenate([self._harmonics, harmonics])
        if self._next_stroke is None:
            raise RuntimeError("the grid was extended before it began")
        end = self._first + len(self._t)
        last = (end - 1 + self._lead) // GRID_PER_TURN
        if last <= self._next_stroke:
            return self._none
        numbers = np.arange(self._next_stroke, last, dtype=np.int64)
        begin = numbers * GRID_PER_TURN - self._lead - self._first
        rows = begin[:, None] + np.arange(GRID_PER_TURN + 1)
        strokes = Strokes(
            numbers,
            self._t[begin],
            self._t[begin + GRID_PER_TURN],
            self._values[rows],
            self._harmonics[rows].min(axis=1),
        )
        self._next_stroke = last
        keep = int(begin[-1]) + GRID_PER_TURN
        self._first += keep
        self._t, self._values = self._t[keep:], self._values[keep:]
        self._harmonics = self._harmonics[keep:]
        return strokes
