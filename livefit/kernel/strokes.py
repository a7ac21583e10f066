"""Whole strokes from a fine grid of crank angles: extremes, range, mean and cadence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livefit.frames import FloatArray, IntArray
from livefit.kernel.nodes import NODES_PER_TURN

GRID_PER_TURN = 36
GRID_PER_NODE = GRID_PER_TURN // NODES_PER_TURN
GRID_DEG = 360.0 / GRID_PER_TURN
_NEIGHBOURS = np.array([[-1], [0], [1]])


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
    """

    number: IntArray
    begin: FloatArray
    end: FloatArray
    cycles: FloatArray


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

    def extend(self, first: int, t: FloatArray, values: FloatArray) -> Strokes:
        """Add grid rows from index `first` on; t (g,) s, values (g, k); NaN = refused."""
        if not len(self._t) or first != self._first + len(self._t):
            self._first, self._t, self._values = first, t, values
            self._next_stroke = -(-(first + self._lead) // GRID_PER_TURN)
        else:
            self._t = np.concatenate([self._t, t])
            self._values = np.concatenate([self._values, values])
        if self._next_stroke is None:
            raise RuntimeError("the grid was extended before it began")
        end = self._first + len(self._t)
        last = (end - 1 + self._lead) // GRID_PER_TURN
        numbers = np.arange(self._next_stroke, max(last, self._next_stroke), dtype=np.int64)
        begin = numbers * GRID_PER_TURN - self._lead - self._first
        rows = begin[:, None] + np.arange(GRID_PER_TURN + 1)
        strokes = Strokes(
            numbers, self._t[begin], self._t[begin + GRID_PER_TURN], self._values[rows]
        )
        if len(numbers):
            self._next_stroke = int(numbers[-1]) + 1
            keep = int(begin[-1]) + GRID_PER_TURN
            self._first += keep
            self._t, self._values = self._t[keep:], self._values[keep:]
        return strokes


def extreme(cycles: FloatArray, sign: int) -> tuple[FloatArray, FloatArray]:
    """Largest (sign 1) or smallest (-1) value of each cycle and its crank angle.

    Parameters
    ----------
    cycles
        (s, 37, k), every 10 degrees from top dead centre; the last row is the next stroke's.

    Returns
    -------
    values, crank_deg
        (s, k) each; the parabola through the extreme row and its neighbours gives both. Its
        error is below 1e-3 of the extent for a motion of four harmonics.
    """
    turned = sign * cycles[:, :GRID_PER_TURN]
    best = turned.argmax(axis=1)
    rows = np.mod(best[:, None] + _NEIGHBOURS, GRID_PER_TURN)
    before, here, after = np.take_along_axis(turned, rows, axis=1).swapaxes(0, 1)
    bend = before - 2 * here + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    value = sign * (here - 0.25 * (before - after) * shift)
    crank = np.mod((best + shift) * GRID_DEG, 360.0)
    bad = np.isnan(cycles.sum(axis=1))
    return np.where(bad, np.nan, value), np.where(bad, np.nan, crank)
