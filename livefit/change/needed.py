"""How many more strokes a rolling mean wants, and whether its window can hold them."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, isfinite

import numpy as np
from scipy.special import stdtrit

from livefit.change.settling import MOST_STROKES
from livefit.kernel.correlation import FEWEST, FEWEST_EFFECTIVE, freedom_of

_TENTHS = 10
"""Inflations are rounded up to a tenth, so that few tables do for all."""


@dataclass(frozen=True)
class Needed:
    """Strokes still to come before a rolling mean holds.

    Attributes
    ----------
    more
        0: it holds; None: that cannot be said.
    too_short
        The window holds fewer strokes than the mean wants at this spread.
    """

    more: int | None
    too_short: bool = False


def needed(
    n: int, sd: float, half_width: float, *, inflation: float = 1.0, most: int = MOST_STROKES
) -> Needed:
    """Strokes until a mean's 95 % interval is no wider than +-half_width.

    At the present spread and correlation, and never on fewer than five strokes.

    Parameters
    ----------
    n, sd
        Strokes in the mean, and the spread of single ones in the measure's unit.
    half_width
        In the same unit.
    inflation
        How many times the variance of the mean is that of independent strokes; below 1 it
        counts as 1.
    most
        Strokes that the window holds.

    >>> needed(4, 1.0, 1.0).more, needed(15, 1.0, 1.0).more, needed(2, 1.0, 1.0).more
    (5, 0, None)
    >>> needed(15, 4.0, 1.0, most=15)
    Needed(more=None, too_short=True)
    """
    if n < 3 or not isfinite(sd):
        return Needed(None)
    widths = _half_widths(ceil(max(inflation, 1.0) * _TENTHS - 1e-9))
    found = bisect_right(widths, half_width / sd) if sd > 0 else len(widths)
    wanted = MOST_STROKES - found + 1
    if not found or wanted > max(most, FEWEST):
        return Needed(None, too_short=n >= FEWEST)
    return Needed(max(wanted - n, 0))


@lru_cache(maxsize=128)
def _half_widths(tenths: int) -> list[float]:
    """By number of strokes from 200 down: half the 95 % interval of a mean, in units of the SD."""
    n = np.arange(MOST_STROKES, FEWEST - 1, -1, dtype=float)
    f = np.minimum(tenths / _TENTHS, n / FEWEST_EFFECTIVE)
    se = np.sqrt(f / n * (n - 1) / (n - f))
    widths: list[float] = np.maximum.accumulate(stdtrit(freedom_of(n, f), 0.975) * se).tolist()
    return widths
