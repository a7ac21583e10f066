"""Curves of many points, drawn from arrays in one buffer."""

from __future__ import annotations

from typing import Any

import numpy as np

from livefit.dashboard.theme import Color
from livefit.dashboard.visuals import SEGMENT_COLUMNS, Segments
from livefit.frames import FloatArray


def along(points: FloatArray, on: float, off: float) -> tuple[FloatArray, FloatArray]:
    """Begins and ends, (m, 2) each, of dashes along the lines that NaN leaves of ``points``."""
    begins, ends = [np.zeros((0, 2))], [np.zeros((0, 2))]
    known = np.isfinite(points[:, 0] + points[:, 1])
    cuts = np.flatnonzero(known[1:] != known[:-1]) + 1
    for run in np.split(points, cuts) if len(cuts) else [points]:
        if len(run) > 1 and np.isfinite(run[0, 0] + run[0, 1]):
            step = run[1:] - run[:-1]
            way = np.zeros(len(run))
            np.cumsum(np.hypot(step[:, 0], step[:, 1]), out=way[1:])
            at = np.arange(0.0, way[-1] + 1e-9, on + off)
            both = np.concatenate([at, np.minimum(at + on, way[-1])])
            found = np.empty((len(both), 2))
            found[:, 0] = np.interp(both, way, run[:, 0])
            found[:, 1] = np.interp(both, way, run[:, 1])
            begins.append(found[: len(at)])
            ends.append(found[len(at) :])
    return np.concatenate(begins), np.concatenate(ends)


class Ink:
    """A pen for arrays of points (n, 2) in canvas px, y down; NaN lifts it.

    Parameters
    ----------
    parent
        Scene node that it hangs on.
    order
        Visuals of a higher order lie above.
    """

    def __init__(self, parent: Any, order: int) -> None:
        self._segments = Segments(parent=parent)
        self._segments.order = order
        self._tables: list[FloatArray] = []

    @property
    def visuals(self) -> tuple[Any, ...]:
        """What is drawn."""
        return () if self._segments.empty else (self._segments,)

    @property
    def visible(self) -> bool:
        """Whether it is drawn."""
        return bool(self._segments.visible)

    @visible.setter
    def visible(self, visible: bool) -> None:
        self._segments.visible = visible

    def clear(self) -> None:
        """Begin anew; what is on screen stays until ``show``."""
        self._tables.clear()

    def show(self, pixel_scale: float = 1.0) -> None:
        """Put all that was drawn since ``clear`` on screen."""
        table = np.concatenate([np.zeros((0, SEGMENT_COLUMNS)), *self._tables])
        known = np.isfinite(table[:, :6].sum(axis=1))
        self._segments.set_table(table[known].astype(np.float32), pixel_scale)

    def pieces(
        self,
        a: FloatArray,
        b: FloatArray,
        width: float | FloatArray,
        color: Color,
        *,
        width_b: float | FloatArray | None = None,
        round_ends: bool = True,
    ) -> None:
        """Straight pieces from ``a`` to ``b``, (n, 2) each; equal ends make a disc."""
        table = np.empty((len(a), SEGMENT_COLUMNS))
        table[:, 0:2], table[:, 2:4] = a, b
        table[:, 4], table[:, 5] = width, width if width_b is None else width_b
        table[:, 4:6] /= 2
        table[:, 6], table[:, 7:] = round_ends, color
        self._tables.append(table)

    def line(self, points: FloatArray, width: float, color: Color) -> None:
        """A line through the points."""
        self.pieces(points[:-1], points[1:], width, color)

    def dashes(
        self, points: FloatArray, width: float, color: Color, *, on: float, off: float
    ) -> None:
        """A line through the points in dashes of ``on`` px, ``off`` px apart; 0 on makes dots."""
        self.pieces(*along(points, on, off), width, color)

    def diamonds(self, a: FloatArray, b: FloatArray, size: float, color: Color) -> None:
        """Squares of ``size`` px on their corners, drawn out from ``a`` to ``b``, (n, 2) each."""
        # A butt-ended piece as wide as long is a square; set aslant it stands on its corner.
        aslant = size / 4 * np.array([1.0, -1.0])
        self.pieces(a - aslant, b + aslant, size * np.sqrt(0.5), color, round_ends=False)

    def ribbon(self, x: FloatArray, top: FloatArray, bottom: FloatArray, color: Color) -> None:
        """What lies between two lines over common ``x`` (n,), rising, in columns 2 px wide.

        The columns stand on whole pixels, so that neighbours neither overlap nor leave a seam and
        the colour may be translucent.
        """
        known = np.isfinite(x) & np.isfinite(top) & np.isfinite(bottom)
        if known.sum() < 2:
            return
        middle = np.arange(np.ceil(x[known][0]) + 1, np.floor(x[known][-1]), 2.0)
        # NaN stays where a point on either side of a column is NaN.
        a = np.stack([middle, np.interp(middle, x, top)], axis=1)
        b = np.stack([middle, np.interp(middle, x, bottom)], axis=1)
        self.pieces(a, b, 2.0, color, round_ends=False)
