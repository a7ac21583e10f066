"""The last seconds of frames, contiguous in memory."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from livefit.frames import FloatArray, MarkerBlock


class FrameBuffer:
    """Frames of the last seconds in growing row order; the oldest fall out.

    Parameters
    ----------
    keep
        Frames that are never dropped.
    largest_block
        Frames that are appended at once at most.
    used
        Which of the stream's markers to keep.

    Attributes
    ----------
    rows
        Number of frames held.
    """

    def __init__(self, keep: int, largest_block: int, used: NDArray[np.intp]) -> None:
        self._runs = _runs(used)
        markers = len(used)
        capacity = 2 * keep + largest_block
        self.rows = 0
        self._keep = keep
        self._numbers = np.empty(capacity, dtype=np.int64)
        self._t = np.empty(capacity)
        self._x = np.empty(capacity)
        self._columns = np.empty((capacity, 3 * markers))
        self._sensor = np.empty(capacity)
        self._phase = np.empty(capacity)
        self._peak = np.empty(capacity)

    def append(self, block: MarkerBlock, x: FloatArray, sensor: FloatArray | None) -> None:
        """Add frames; their crank angle is not known yet."""
        n = len(block)
        if self.rows + n > len(self._t):
            self._drop(self.rows - self._keep)
        new = slice(self.rows, self.rows + n)
        self._numbers[new] = block.numbers
        self._t[new] = block.t
        self._x[new] = x
        for to, run in self._runs:
            self._columns[new, to] = block.positions[:, run].reshape(n, -1)
        self._sensor[new] = np.nan if sensor is None else sensor
        self._phase[new] = np.nan
        self._peak[new] = -np.inf
        self.rows += n

    def _drop(self, count: int) -> None:
        if count <= 0:
            return
        left = self.rows - count
        for array in (
            self._numbers, self._t, self._x, self._columns, self._sensor, self._phase, self._peak,
        ):  # fmt: skip
            array[:left] = array[count : self.rows]
        self.rows = left

    @property
    def numbers(self) -> NDArray[np.int64]:
        """(rows,) frame numbers."""
        return self._numbers[: self.rows]

    @property
    def t(self) -> FloatArray:
        """(rows,) s: device time stamps."""
        return self._t[: self.rows]

    @property
    def x(self) -> FloatArray:
        """(rows,) s: what is regressed on, see :mod:`livefit.kernel.regression`."""
        return self._x[: self.rows]

    @property
    def columns(self) -> FloatArray:
        """(rows, 3 * markers) mm, capture axes; a marker not seen is NaN in all three."""
        return self._columns[: self.rows]

    @property
    def sensor(self) -> FloatArray:
        """(rows,) rad: what a crank sensor says, its own zero; NaN = nothing."""
        return self._sensor[: self.rows]

    @property
    def phase(self) -> FloatArray:
        """(rows,) rad: unwrapped crank angle of the right crank, writable; NaN = not known."""
        return self._phase[: self.rows]

    @property
    def peak(self) -> FloatArray:
        """(rows,) rad: the largest phase so far, writable; it never falls."""
        return self._peak[: self.rows]


def _runs(used: NDArray[np.intp]) -> list[tuple[slice, slice]]:
    """Where each run of neighbouring markers goes in the columns, and which markers it is."""
    breaks = [k for k in range(1, len(used)) if used[k] != used[k - 1] + 1]
    edges = [0, *breaks, len(used)]
    return [
        (slice(3 * a, 3 * b), slice(used[a], used[b - 1] + 1)) for a, b in pairwise(edges) if b > a
    ]
