"""Differences against SciPy's Welch test, statsmodels' Holm, and truths held often enough."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import nct, t, ttest_ind
from statsmodels.stats.multitest import multipletests

from livefit.change import Change, Replacing, difference, mean_of, there_and_back, together
from tests.change.correlated_strokes import correlated

NAN = float("nan")


def change(p: float, by: float = 2.0, freedom: float = 30.0) -> Change:
    """A difference whose standard error gives it this p."""
    se = by / t.isf(p / 2, freedom)
    half = t.ppf(0.975, freedom) * se
    return Change(by, se, freedom, by - half, by + half, p, half, NAN)


def test_independent_strokes_have_the_interval_of_scipy() -> None:
    rng = np.random.default_rng(1)
    before, now = rng.normal(35.0, 1.0, 12), rng.normal(34.0, 3.0, 25)
    ours = difference(mean_of(before, independent=True), mean_of(now, independent=True))
    theirs = ttest_ind(now, before, equal_var=False)
    interval = theirs.confidence_interval(0.95)
    assert (ours.p, ours.freedom) == pytest.approx((theirs.pvalue, theirs.df), rel=1e-9)
    assert (ours.low, ours.high) == pytest.approx((interval.low, interval.high), rel=1e-9)


@pytest.mark.parametrize("correlation", [0.0, 0.5])
def test_the_interval_holds_the_truth_as_often_as_it_says(correlation: float) -> None:
    """93 to 97 % of 800 pairs of unlike trials, give or take two standard errors."""
    rng = np.random.default_rng(2)
    before, now = (
        correlated(rng, correlation, (800, 20)),
        2 * correlated(rng, correlation, (800, 35)),
    )
    found = [difference(mean_of(a), mean_of(b)) for a, b in zip(before, now, strict=True)]
    assert 0.912 <= np.mean([each.low <= 0 <= each.high for each in found]) <= 0.982


def test_a_change_of_the_sure_size_is_found_four_times_in_five() -> None:
    """Power from the noncentral t (Cohen J (1988), ch. 2), independent of the way we add up."""
    mean = mean_of(np.random.default_rng(3).normal(0.0, 1.0, 20), independent=True)
    found = difference(mean, mean)
    critical = t.ppf(0.975, found.freedom)
    power = nct.sf(critical, found.freedom, found.sure / found.se)
    assert power == pytest.approx(0.8, abs=0.01)
    assert found.smallest == pytest.approx(critical * found.se)


def test_markers_put_on_anew_widen_the_interval() -> None:
    rng = np.random.default_rng(4)
    before, now = mean_of(rng.normal(0.0, 1.0, 60)), mean_of(rng.normal(0.0, 1.0, 60))
    on = difference(before, now)
    off = difference(before, now, replacing=Replacing(1.0, 9.0))
    assert off == difference(before, now).with_replacing(Replacing(1.0, 9.0))
    assert off.by == on.by
    assert off.se**2 == pytest.approx(on.se**2 + 2.0)
    assert off.smallest > 1.96 * np.sqrt(2.0)


def test_a_steady_drift_cancels_there_and_back() -> None:
    rng = np.random.default_rng(6)
    values = 0.05 * np.arange(90) + rng.normal(0.0, 0.1, 90)
    values[30:60] += 2.0
    means = [mean_of(part, independent=True) for part in values.reshape(3, 30)]
    found = there_and_back(*means)
    assert found.there.low < 2.0 < found.there.high
    assert found.there.by == pytest.approx(2.0, abs=0.1)
    assert difference(means[0], means[1]).by > 3.0
    assert found.back.by == pytest.approx(3.0, abs=0.1)
    variance = means[1].se ** 2 + (means[0].se ** 2 + means[2].se ** 2) / 4
    assert found.there.se == pytest.approx(np.sqrt(variance))


@pytest.mark.parametrize(
    "p", [[0.01, 0.04, 0.03, 0.2], [0.001, 0.6], [0.02, 0.02, 0.02], [0.012, 0.013, 0.06]]
)
def test_judged_together_as_statsmodels_does(p: list[float]) -> None:
    told, adjusted, _, _ = multipletests(p, alpha=0.05, method="holm")
    judged = together([change(each) for each in p])
    assert [each.told for each in judged] == told.tolist()
    np.testing.assert_allclose([each.p for each in judged], adjusted)


def test_the_smallest_that_could_be_told_is_where_holm_turns() -> None:
    """Just beyond it the same difference would have been told, just below it not."""
    first, second = change(0.2), change(0.001)
    smallest = together([first, second, change(0.5)])[0].smallest
    for factor, told in ((0.999, False), (1.001, True)):
        p = 2 * t.sf(factor * smallest / first.se, first.freedom)
        moved = Change(factor * smallest, first.se, 30.0, NAN, NAN, float(p), NAN, NAN)
        assert together([moved, second, change(0.5)])[0].told is told


def test_what_cannot_be_said_does_not_count() -> None:
    unsaid = difference(mean_of(np.zeros(3)), mean_of(np.zeros(30)))
    assert np.isnan(unsaid.p)
    judged = together([unsaid, change(0.04)])
    assert [each.told for each in judged] == [False, True]
    assert together([]) == []


def test_strokes_all_alike_differ_or_do_not() -> None:
    flat, other = mean_of(np.full(10, 35.0)), mean_of(np.full(10, 36.0))
    assert difference(flat, flat).p == 1.0
    assert difference(flat, other).p == 0.0
