"""Outside witnesses of angles and statistics: printed tables and certified data."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from livefit.definitions import load_definitions
from livefit.definitions.models import Measure
from livefit.kernel.crank_search import circle_through
from livefit.kernel.measuring import MeasureTable
from livefit.kernel.rolling import Rolling, RollingSummary, classify, summarise

# Winter DA (2009) Biomechanics and Motor Control of Human Movement, 4th ed., Wiley, Appendix A:
# filtered coordinates (A.2, m) of hip, knee and ankle, and the angle between thigh and leg (A.3).
WINTER = {
    10: ((0.6278, 0.8185), (0.7319, 0.5200), (0.4817, 0.2106), 109.2 - 51.0),
    28: ((1.0183, 0.7959), (1.1223, 0.5042), (1.2539, 0.1081), 109.6 - 108.4),
    38: ((1.2307, 0.8234), (1.3097, 0.5183), (1.3012, 0.0935), 104.5 - 88.9),
    60: ((1.5999, 0.8018), (1.5135, 0.5037), (1.3227, 0.1257), 73.8 - 63.2),
    70: ((1.8505, 0.7851), (1.8097, 0.4730), (1.4928, 0.2175), 82.5 - 38.9),
    77: ((1.9870, 0.8096), (2.0610, 0.5032), (1.7729, 0.2291), 103.6 - 43.6),
    85: ((2.1500, 0.8287), (2.2848, 0.5452), (2.1961, 0.1293), 115.4 - 78.0),
    97: ((2.4163, 0.7908), (2.5257, 0.4999), (2.6677, 0.1009), 110.6 - 109.6),
}
TWO_ROUNDED_ANGLES = 0.1
"""Each of the two printed angles is rounded to 0.1 degrees."""


def knee() -> Measure:
    return load_definitions().measure("knee_flexion")


@pytest.mark.parametrize("frame", WINTER)
def test_knee_flexion_is_winters_angle_between_thigh_and_leg(frame: int) -> None:
    hip, joint, ankle, printed = WINTER[frame]
    table = MeasureTable([knee()], "R", ["R_GT", "R_LE", "R_LM"])
    points = np.full((1, 6, 3), np.nan)
    for k, (x, y) in enumerate((hip, joint, ankle)):
        points[0, k] = [1000 * x, 1000 * y, 0.0]
    assert table.evaluate(points)[0, 0] == pytest.approx(printed, abs=TWO_ROUNDED_ANGLES)


# NIST Statistical Reference Datasets, univariate summary statistics, certified mean and standard
# deviation. The last two differ from their decimal values by the rounding of their data to double
# precision: with two passes 5.6e-10 in NumAcc4 (derived).
NIST = {
    "NumAcc1": (np.array([10000001.0, 10000003.0, 10000002.0]), 10000002.0, 1.0),
    "NumAcc2": (np.array([1.2, *[1.1, 1.3] * 500]), 1.2, 0.1),
    "NumAcc3": (np.array([1000000.2, *[1000000.1, 1000000.3] * 500]), 1000000.2, 0.1),
    "NumAcc4": (np.array([10000000.2, *[10000000.1, 10000000.3] * 500]), 10000000.2, 0.1),
}


@pytest.mark.parametrize("name", NIST)
def test_mean_and_sd_are_nists(name: str) -> None:
    data, mean, sd = NIST[name]
    rolling = RollingSummary(Rolling(), columns=1)
    for k in range(0, len(data), 7):
        part = data[k : k + 7, None]
        rolling.update(np.arange(k, k + len(part)), np.arange(len(part), dtype=float), part)
    summary = rolling.summary()
    assert summary.mean[0] == pytest.approx(mean, rel=1e-15, abs=0)
    assert summary.sd[0] == pytest.approx(sd, abs=1e-9)


def test_rolling_equals_numpy_on_the_tail_after_every_update() -> None:
    random = np.random.default_rng(7)
    data = random.normal(35.0, 1.5, size=(60, 3))
    data[random.random(data.shape) < 0.2] = np.nan
    rolling = RollingSummary(Rolling(strokes=15), columns=3)
    for k in range(len(data)):
        rolling.update(np.array([k]), np.array([0.7 * k]), data[k : k + 1])
        tail = data[max(0, k - 14) : k + 1]
        summary = rolling.summary()
        for column in range(3):
            known = tail[np.isfinite(tail[:, column]), column]
            assert summary.n[column] == len(known)
            if len(known) > 1:
                assert summary.mean[column] == pytest.approx(known.mean(), rel=1e-13)
                assert summary.sd[column] == pytest.approx(known.std(ddof=1), rel=1e-12)


def test_interval_is_that_of_scipy_stats() -> None:
    data = np.random.default_rng(3).normal(40.0, 2.0, size=12)
    summary = summarise(data[:, None])
    low, high = stats.t.interval(0.95, len(data) - 1, loc=data.mean(), scale=stats.sem(data))
    assert (summary.low[0], summary.high[0]) == pytest.approx((low, high), rel=1e-12)


def test_circle_is_kasas() -> None:
    """Points of Gander, Golub, Strebel (1994) BIT 34:558-578; the Kasa circle recomputed."""
    points = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], dtype=float)
    centre, radius = circle_through(points)
    assert centre == pytest.approx((4.74233129, 3.83512270), abs=1e-8)
    assert radius == pytest.approx(4.10876152, abs=1e-8)


@pytest.mark.parametrize(
    ("mean", "low", "high", "verdict"),
    [
        (38.0, 37.0, 39.0, "within"),
        (33.5, 33.0, 34.0, "within"),
        (33.5, 32.9, 34.1, "unsure"),
        (32.0, 31.0, 32.9, "below"),
        (44.0, 43.1, 45.0, "above"),
        (38.0, 30.0, 46.0, "unsure"),
        (np.nan, np.nan, np.nan, "unknown"),
        (38.0, np.nan, np.nan, "unknown"),
    ],
)
def test_an_interval_across_an_edge_is_its_own_answer(
    mean: float, low: float, high: float, verdict: str
) -> None:
    assert classify(mean, low, high, (33.0, 43.0)) == verdict
    assert classify(mean, low, high, None) == "unknown"
