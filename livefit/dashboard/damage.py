"""Where the screen changes from one drawing of a layer to the next."""

from __future__ import annotations

from collections.abc import Hashable, Sequence

import numpy as np
from numpy.typing import NDArray

APART = 100.0
"""px; what lies so far below all other changes is drawn by itself."""


def differing(before: Sequence[Hashable], now: Sequence[Hashable]) -> tuple[list[int], list[int]]:
    """Numbers of what is in one drawing and not at the same place of the other, for either.

    Both are in the order in which they are drawn, since what is drawn later covers what was drawn
    before. Where one is longer, what both hold stays, if its order has stayed.
    """
    if len(before) == len(now):
        changed = [i for i, (was, ink) in enumerate(zip(before, now, strict=True)) if was != ink]
        return changed, changed
    held, holds = set(before), set(now)
    if [ink for ink in before if ink in holds] != [ink for ink in now if ink in held]:
        return list(range(len(before))), list(range(len(now)))
    gone = [i for i, ink in enumerate(before) if ink not in holds]
    return gone, [i for i, ink in enumerate(now) if ink not in held]


def bands(edges: NDArray[np.float64]) -> NDArray[np.float64]:
    """Few rectangles, one above the other, that hold all of ``edges``.

    Both (n, 4): left, top, right, bottom, canvas px.
    """
    if not len(edges):
        return edges
    edges = edges[np.argsort(edges[:, 1])]
    lowest = np.maximum.accumulate(edges[:, 3])
    starts = np.flatnonzero(np.r_[True, edges[1:, 1] > lowest[:-1] + APART])
    low = np.minimum.reduceat(edges[:, :2], starts)
    return np.hstack([low, np.maximum.reduceat(edges[:, 2:], starts)])
