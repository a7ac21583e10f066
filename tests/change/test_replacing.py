"""Spreads between placements against statsmodels and SciPy, and intervals held often enough."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.stats.anova import anova_lm

from livefit.change import Replacing, difference, mean_of
from livefit.change.replacing import (
    TrialMean,
    replacing_of,
    spread_between,
    spreads_between,
    with_markers_anew,
)
from livefit.definitions import Definitions, Placements, PlacementSpread
from livefit.frames import FloatArray

NAN = float("nan")


def means_of(strokes: FloatArray) -> dict[int, TrialMean]:
    """Means of placements (k, n)."""
    return {number: TrialMean(float(own.mean()), float(own.std(ddof=1)), len(own))
            for number, own in enumerate(strokes)}  # fmt: skip


def test_the_spread_is_that_of_an_analysis_of_variance() -> None:
    """Balanced one-way random effects: mean squares from statsmodels' table, and its REML fit."""
    rng = np.random.default_rng(1)
    strokes = 35.0 + rng.normal(0.0, 1.5, (6, 1)) + rng.normal(0.0, 1.2, (6, 25))
    found = spread_between({"L": means_of(strokes)})
    assert found is not None
    table = pd.DataFrame({"y": strokes.ravel(), "placement": np.repeat(np.arange(6), 25)})
    square = anova_lm(ols("y ~ C(placement)", table).fit())["mean_sq"]
    between = (square["C(placement)"] - square["Residual"]) / 25
    assert found.sd == pytest.approx(np.sqrt(between), rel=1e-9)
    fit = MixedLM.from_formula("y ~ 1", table, groups="placement").fit(reml=True)
    assert found.sd == pytest.approx(float(np.sqrt(fit.cov_re.iloc[0, 0])), rel=1e-3)
    share = between / (square["C(placement)"] / 25)
    assert found.freedom == pytest.approx(5 * share**2)
    assert (found.placements, dict(found.sides)) == (6, {"L": found.sd})
    # The interval of a variance, as textbooks have it, less the strokes' part at both ends.
    means, by_strokes = strokes.mean(axis=1), square["Residual"] / 25
    ends = 5 * means.var(ddof=1) / stats.chi2.ppf([0.975, 0.025], 5) - by_strokes
    assert [found.low, found.high] == pytest.approx(np.sqrt(ends))
    # A t test of two means whose variance is known as well as that of six.
    half = stats.t.ppf(0.975, 5) * np.sqrt(2 * means.var(ddof=1))
    assert found.smallest == pytest.approx(half)


def test_a_worked_example_comes_out() -> None:
    """Of `ci.random.anova` in the manual of the R package statpsych: between SD 8.585948."""
    means, sds = (56.1, 51.2, 60.3, 68.2, 48.9, 70.5), (9.45, 8.79, 9.71, 8.90, 8.31, 9.75)
    trials = {k: TrialMean(*pair, 20) for k, pair in enumerate(zip(means, sds, strict=True))}
    found = spread_between({"R": trials})
    assert found is not None
    assert found.sd == pytest.approx(8.585948, abs=5e-7)


@pytest.mark.parametrize("sd", [0.5, 2.0])
def test_the_interval_of_the_spread_holds_it_19_times_in_20(sd: float) -> None:
    """Of 2,000 fitters; give or take three standard errors."""
    rng = np.random.default_rng(2)
    held = []
    for _ in range(2000):
        means = rng.normal(0.0, np.hypot(sd, 1.6 / np.sqrt(40)), 5)
        own = {k: TrialMean(mean, 1.6, 40) for k, mean in enumerate(means)}
        found = spread_between({"R": own})
        assert found is not None
        held.append(found.low <= sd <= found.high)
    assert np.mean(held) == pytest.approx(0.95, abs=0.015)


@pytest.mark.parametrize("correlation", [0.0, 0.6, 1.0])
def test_sides_that_move_together_are_worth_less_than_two(correlation: float) -> None:
    """The variance of the pooled variance is 2 σ⁴ / freedom, by 20,000 pairs of sides."""
    rng = np.random.default_rng(3)
    own = rng.normal(size=(20_000, 6))
    other = correlation * own + np.sqrt(1 - correlation**2) * rng.normal(size=own.shape)
    pooled = (own.var(axis=1, ddof=1) + other.var(axis=1, ddof=1)) / 2
    freedoms = []
    for left, right in zip(own[:400], other[:400], strict=True):
        sides = {side: {k: TrialMean(m, 0.0, 10) for k, m in enumerate(means)}
                 for side, means in (("L", left), ("R", right))}  # fmt: skip
        found = spread_between(sides)
        assert found is not None
        freedoms.append(found.freedom)
    wanted = 2 / pooled.var()
    # The correlation is not known but found from six pairs, which can only cost.
    assert 0.85 * wanted < np.mean(freedoms) < 1.04 * wanted
    assert min(freedoms) >= 5.0 - 1e-9
    assert max(freedoms) <= 10.0 + 1e-9


def test_sides_of_recordings_of_their_own_are_independent() -> None:
    """Three placements seen from the left, three others from the right: 2 + 2 degrees."""
    left = {k: TrialMean(mean, 0.0, 10) for k, mean in enumerate((35.0, 36.0, 37.0))}
    right = {k + 3: TrialMean(mean, 0.0, 10) for k, mean in enumerate((35.0, 36.0, 37.0))}
    found = spread_between({"L": left, "R": right})
    assert found is not None
    assert (found.sd, found.freedom) == pytest.approx((1.0, 4.0))
    alone = spread_between({"L": left, "R": {9: TrialMean(3.0, 1.0, 10)}})
    assert alone is not None
    assert set(alone.sides) == {"L"}


def test_what_the_strokes_alone_explain_is_no_spread() -> None:
    means = {k: TrialMean(mean, 3.0, 20) for k, mean in enumerate((35.0, 35.1, 35.2))}
    found = spread_between({"L": means})
    assert found is not None
    assert (found.sd, found.low, found.freedom) == (0.0, 0.0, 2.0)
    flat = spread_between({"L": dict.fromkeys(range(3), TrialMean(35.0, 0.0, 20))})
    assert flat is not None
    assert (flat.sd, flat.high, flat.freedom, flat.smallest) == (0.0, 0.0, 2.0, 0.0)


def test_rows_without_three_placements_and_loads_have_none() -> None:
    knee, load = ("knee_flexion", "L", "bdc"), ("cadence", "L", "mean")
    rows = [{knee: TrialMean(35.0 + k, 1.0, 20), load: TrialMean(90.0 + k, 1.0, 20)}
            for k in range(3)]  # fmt: skip
    assert set(spreads_between(rows)) == {("knee_flexion", "bdc")}
    assert spreads_between(rows[:2]) == {}
    assert spreads_between([*rows[:2], {knee: TrialMean(35.0, NAN, 20)}]) == {}


def test_changes_across_placements_are_held_as_often_as_the_interval_says() -> None:
    """Four placements measured by each of 1,500 fitters, then a change of nothing by each.

    93 to 98 %: with both sides' correlation found from four pairs the interval is cautious.
    """
    rng = np.random.default_rng(4)
    held = []
    for _ in range(1500):
        sides = {side: means_of(rng.normal(0.0, 1.5, (4, 1)) + rng.normal(0.0, 1.0, (4, 20)))
                 for side in "LR"}  # fmt: skip
        spread = spread_between(sides)
        assert spread is not None
        before, now = (mean_of(rng.normal(0.0, 1.5) + rng.normal(0.0, 1.0, 20)) for _ in range(2))
        change = difference(before, now, replacing=Replacing(spread.sd, spread.freedom))
        held.append(change.low <= 0 <= change.high)
    assert 0.93 < np.mean(held) < 0.98


def test_only_rows_that_were_measured_are_widened() -> None:
    placements = Placements.model_validate(
        {
            "name": "knee_flexion", "unit": "deg", "placements": 4, "date": "2026-03-09",
            "at": {"bdc": PlacementSpread(sd=1.5), "tdc": PlacementSpread(sd=1.0, freedom=5.5)},
        }
    )  # fmt: skip
    definitions = Definitions(
        marker_sets=[], events=[], measures=[], disciplines=[], replacing=[placements]
    )
    replacing = replacing_of(definitions)
    assert replacing == {
        ("knee_flexion", "bdc"): Replacing(1.5, 3.0),
        ("knee_flexion", "tdc"): Replacing(1.0, 5.5),
    }
    mean = mean_of(np.random.default_rng(5).normal(0.0, 1.0, 30))
    change = difference(mean, mean)
    keys = [("knee_flexion", "L", "bdc"), ("knee_flexion", "R", "range"), ("cadence", "R", "mean")]
    found = with_markers_anew(dict.fromkeys(keys, change), replacing)
    assert found[keys[0]].se ** 2 == pytest.approx(change.se**2 + 2 * 1.5**2)
    assert (found[keys[1]], found[keys[2]]) == (change, change)
