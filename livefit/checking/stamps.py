"""Whether frames were taken at their stamped instants or evenly."""

from __future__ import annotations

import numpy as np

from livefit.checking.beat import Beat
from livefit.checking.heard import Series, robust_sd

_REACH = 3
_STRAY = 5.0
FEWEST_FRAMES = 200


def stamps_followed(series: Series, beat: Beat) -> float | None:
    """1 where the markers move as the stamps say, 0 where they move evenly; None: cannot be said.

    If frame k was taken at its beat plus d_k, its position is x(beat) + v d_k, so that the second
    difference of the positions holds v times the second difference of d. The slope of the one on
    the other over all markers is 1 for stamps that are true and 0 for stamps that only scatter.
    """
    whole = (np.diff(series.numbers[:-1]) == 1) & (np.diff(series.numbers[1:]) == 1)
    reach = _REACH
    x = series.positions.reshape(len(series), -1)
    if len(x) < FEWEST_FRAMES:
        return None
    speed = np.full_like(x, np.nan)
    span = (series.numbers[2 * reach :] - series.numbers[: -2 * reach]) * beat.period_s
    speed[reach:-reach] = (x[2 * reach :] - x[: -2 * reach]) / span[:, None]
    bent = x[2:] - 2 * x[1:-1] + x[:-2]
    scatter = beat.scatter_s[2:] - 2 * beat.scatter_s[1:-1] + beat.scatter_s[:-2]
    expected = speed[1:-1] * scatter[:, None]
    usual = np.abs(scatter) < _STRAY * max(robust_sd(scatter), 1e-12)
    good = (whole & usual)[:, None] & np.isfinite(bent) & np.isfinite(expected)
    strength = float((expected[good] ** 2).sum())
    if strength <= 0.0:
        return None
    return float((expected[good] * bent[good]).sum()) / strength
