"""Strokes still needed, by trying every number with SciPy's interval."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from livefit.change.needed import needed


def half_width(n: int, sd: float, f: float) -> float:
    """Half the 95 % interval, as the module on correlated strokes states it."""
    f = min(f, n / 3)
    freedom = 1 / (1 / (n - 1) + 1.5 * f / n)
    return float(stats.t.ppf(0.975, freedom) * sd * np.sqrt(f / n * (n - 1) / (n - f)))


@pytest.mark.parametrize("sd", [0.0, 0.1, 0.5, 1.0, 2.0, 5.0, 40.0])
@pytest.mark.parametrize("n", [3, 4, 8, 30])
@pytest.mark.parametrize("inflation", [0.7, 1.0, 1.8, 3.0])
@pytest.mark.parametrize("most", [15, 200])
def test_no_more_strokes_are_promised_than_do(
    n: int, sd: float, inflation: float, most: int
) -> None:
    f = max(inflation, 1.0)
    enough = [total for total in range(5, 201) if half_width(total, sd, f) <= 1.0]
    found = needed(n, sd, 1.0, inflation=inflation, most=most)
    if enough and enough[0] <= most:
        assert (found.more, found.too_short) == (max(enough[0] - n, 0), False)
    else:
        assert (found.more, found.too_short) == (None, n >= 5)


def test_a_wide_spread_makes_a_window_of_15_too_short() -> None:
    """SD 3 wants 41 for +-1: t(15.8) * 3 / sqrt(40) = 1.006, t(16.2) * 3 / sqrt(41) = 0.992."""
    assert needed(15, 3.0, 1.0, most=200).more == 41 - 15
    assert needed(15, 3.0, 1.0, most=15).too_short
