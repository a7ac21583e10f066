"""Places for labels where no limb passes, so that they can be read while all else moves."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from livefit.dashboard.figure_angles import Point

CELL = 25.0
"""mm; the figure's ground is looked at in squares of this size."""
REMEMBERED = 300
"""Frames, a few seconds: a place where no limb was for so long is free."""
LOOK_AGAIN = 60
"""Frames after which better places are looked for; a change of what is to be placed does, too."""
BETTER = 5.0
"""By so many squares a place must be nearer for a label to move there."""
FOLLOW = 0.03
"""Share of the way by which the mean place of a joint follows it in a frame."""
SAMPLES = 24
"""Points looked at along a line: closer than a square on the longest limb."""

Edges = tuple[float, float, float, float]
"""Left, right, bottom, top, mm."""
_Square = tuple[int, int]
"""Column and row."""


class LabelRoom:
    """Remembers where lines were, and keeps every label still for as long as its place is free."""

    def __init__(self, edges: Edges) -> None:
        self._edges = edges
        columns = int((edges[1] - edges[0]) / CELL) + 1
        rows = int((edges[3] - edges[2]) / CELL) + 1
        self._touched = np.full((rows, columns), -REMEMBERED, np.int64)
        self._now = 0
        self._kept: dict[str, _Square | None] = {}
        self._aims: dict[str, Point] = {}
        self._looked: object = None

    def note(self, lines: Sequence[tuple[Point, Point]]) -> None:
        """Remember the lines of one frame."""
        self._now += 1
        if not lines:
            return
        ends = np.array(lines, np.float64)
        share = np.linspace(0.0, 1.0, SAMPLES)[None, :, None]
        xy = ((1 - share) * ends[:, None, 0] + share * ends[:, None, 1]).reshape(-1, 2)
        columns, rows = ((xy - (self._edges[0], self._edges[2])) / CELL).astype(int).T
        inside = (
            (columns >= 0) & (columns < self._touched.shape[1])
            & (rows >= 0) & (rows < self._touched.shape[0])
        )  # fmt: skip
        self._touched[rows[inside], columns[inside]] = self._now

    def forget(self) -> None:
        """Place all labels anew."""
        self._kept.clear()
        self._aims.clear()
        self._looked = None

    def place(
        self, wanted: Sequence[tuple[str, Point, float, float]], bounds: Edges
    ) -> list[Point | None]:
        """Centre of each label, near the point that it belongs to, none over another.

        A label for which nothing is free has no place until one is looked for again.

        Parameters
        ----------
        wanted
            Name, point that it belongs to, width and height in mm of each label.
        bounds
            What of the ground is on screen.
        """
        low = _squares(bounds[0] - self._edges[0], bounds[2] - self._edges[2], np.ceil)
        high = _squares(bounds[1] - self._edges[0], bounds[3] - self._edges[2], np.floor)
        window = (slice(low[1], high[1]), slice(low[0], high[0]))
        taken = (self._now - self._touched < REMEMBERED)[window]
        look = (low, high, [label[2:] for label in wanted])
        again = self._now % LOOK_AGAIN == 0 or look != self._looked
        self._looked = look
        kept: dict[str, _Square | None] = {}
        out: list[Point | None] = []
        for name, at, width, height in wanted:
            size = w, h = _squares(width, height, np.ceil)
            square = kept[name] = self._found(name, at, size, low, taken, again)
            if square is None:
                out.append(None)
                continue
            column, row = square[0] - low[0], square[1] - low[1]
            taken[row : row + h, column : column + w] = True
            x = self._edges[0] + CELL * (square[0] + w / 2)
            out.append((x, self._edges[2] + CELL * (square[1] + h / 2)))
        self._kept = kept
        return out

    def _found(
        self,
        name: str,
        at: Point,
        size: _Square,
        low: _Square,
        taken: NDArray[np.bool_],
        again: bool,
    ) -> _Square | None:
        """Lower left square of a label; the grid begins at square ``low`` of the ground."""
        aim = self._aims.get(name, at)
        aim = (aim[0] + FOLLOW * (at[0] - aim[0]), aim[1] + FOLLOW * (at[1] - aim[1]))
        self._aims[name] = aim
        kept = self._kept.get(name)
        here = None if kept is None else (kept[0] - low[0], kept[1] - low[1])
        free = here is not None and _free(here, size, taken)
        if not again and (free or (name in self._kept and here is None)):
            return kept
        x, y = (aim[0] - self._edges[0]) / CELL, (aim[1] - self._edges[2]) / CELL
        best = _nearest(taken, (x - low[0], y - low[1]), size, here if free else None)
        return None if best is None else (best[0] + low[0], best[1] + low[1])


def _squares(x: float, y: float, rounded: Callable[[float], float]) -> _Square:
    return max(0, int(rounded(x / CELL))), max(0, int(rounded(y / CELL)))


def _free(at: _Square, size: _Square, taken: NDArray[np.bool_]) -> bool:
    (column, row), (w, h) = at, size
    if not (0 <= column <= taken.shape[1] - w and 0 <= row <= taken.shape[0] - h):
        return False
    return not bool(taken[row : row + h, column : column + w].any())


def _nearest(
    taken: NDArray[np.bool_], aim: Point, size: _Square, here: _Square | None
) -> _Square | None:
    """The free place whose edge is nearest to ``aim``; ``here``, if that is about as near."""
    w, h = size
    if taken.shape[0] < h or taken.shape[1] < w:
        return None
    x, y = np.arange(taken.shape[1] - w + 1.0), np.arange(taken.shape[0] - h + 1.0)
    beside = np.maximum(np.maximum(x - aim[0], aim[0] - x - w), 0.0)
    above = np.maximum(np.maximum(y - aim[1], aim[1] - y - h), 0.0)
    far = np.hypot(beside[None, :], above[:, None])
    # Of places equally near, the one that stands best before the point.
    far += 0.01 * np.hypot(x + w / 2 - aim[0], (y + h / 2 - aim[1])[:, None])
    far[_sums(taken, w, h) > 0] = np.inf
    row, column = np.unravel_index(int(np.argmin(far)), far.shape)
    if here is not None and far[here[1], here[0]] - far[row, column] < BETTER:
        return here
    return None if np.isinf(far[row, column]) else (int(column), int(row))


def _sums(grid: NDArray[np.bool_], w: int, h: int) -> NDArray[np.float64]:
    """How many squares of each window of ``w`` by ``h`` are set."""
    total = np.zeros((grid.shape[0] + 1, grid.shape[1] + 1))
    total[1:, 1:] = grid.cumsum(axis=0).cumsum(axis=1)
    return total[h:, w:] - total[:-h, w:] - total[h:, :-w] + total[:-h, :-w]
