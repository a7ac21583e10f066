"""Seeded chance as a pure function of an index: the same numbers however they are asked for."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from livefit.frames import FloatArray
from simulators.schedule import blend

_ROWS = 256
_FIRST_ROW = -(1 << 30)
"""Indices start here, so that a crank turned backward past its beginning has its chance too."""


@lru_cache(maxsize=64)
def _page(seed: int, stream: int, page: int, columns: int, uniform: bool) -> FloatArray:
    rng = np.random.Generator(np.random.SFC64([seed, stream, page]))
    shape = (_ROWS, columns)
    table: FloatArray = rng.random(shape) if uniform else rng.standard_normal(shape)
    table.setflags(write=False)
    return table


def table(
    seed: int, stream: int, first: int, count: int, columns: int, *, uniform: bool = False
) -> FloatArray:
    """Rows first .. first + count - 1 of an endless table (rows, columns) of random numbers.

    Parameters
    ----------
    seed, stream
        Which table; different streams are independent.
    uniform
        Uniform on [0, 1) instead of standard normal.
    """
    start = first - _FIRST_ROW
    pages = range(start // _ROWS, (start + max(count, 1) - 1) // _ROWS + 1)
    rows = [_page(seed, stream, page, columns, uniform) for page in pages]
    skipped = start - pages[0] * _ROWS
    return np.concatenate(rows)[skipped : skipped + count]


def stroke_variation(seed: int, stream: int, strokes: FloatArray, columns: int) -> FloatArray:
    """Variation (n, columns) of unit standard deviation, at strokes (n,) counted with fractions.

    One normal number a stroke, blended into the next with two continuous derivatives. The blend
    is divided by its own size, so that every place in the stroke varies alike.
    """
    if not len(strokes):
        return np.empty((0, columns))
    whole = np.floor(strokes).astype(np.int64)
    first, last = int(whole.min()), int(whole.max())
    values = table(seed, stream, first, last - first + 2, columns)
    later = blend(strokes - whole)[:, None]
    earlier = 1.0 - later
    mixed = earlier * values[whole - first] + later * values[whole - first + 1]
    varied: FloatArray = mixed / np.sqrt(earlier**2 + later**2)
    return varied


def gaps(
    seed: int, stream: int, first: int, count: int, columns: int, share: float, mean_length: int
) -> NDArray[np.bool_]:
    """Which of the frames first .. first + count - 1 fall into gaps, (count, columns).

    Gaps start by chance in any frame and are 1 to 2 `mean_length` - 1 frames long, every length
    as likely; they may run into each other. `share` is the expected share of frames in gaps.
    """
    if share == 0.0:
        return np.zeros((count, columns), dtype=bool)
    longest = 2 * mean_length - 1
    begin = first - longest
    chance = table(seed, stream, begin, count + longest, 2 * columns, uniform=True)
    # A frame is seen when no gap that began up to `longest` frames ago still lasts: 1 - share is
    # the product over those ages of 1 - start * P(length > age).
    reach = np.arange(longest, 0, -1) / longest
    start = _start_chance(share, reach)
    length = 1 + np.floor(chance[:, columns:] * longest)
    index = np.arange(begin, first + count)[:, None]
    end = np.where(chance[:, :columns] < start, index + length, begin)
    inside: NDArray[np.bool_] = np.maximum.accumulate(end, axis=0) > index
    return inside[longest:]


def _start_chance(share: float, reach: FloatArray) -> float:
    """Chance of a gap to start in a frame, from the share of frames in gaps, by bisection."""
    low, high = 0.0, 1.0
    for _ in range(50):
        middle = (low + high) / 2
        if 1.0 - np.prod(1.0 - middle * reach) < share:
            low = middle
        else:
            high = middle
    return high
