"""Means of correlated strokes against statsmodels, closed forms, and truths held often enough."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import toeplitz
from scipy.stats import ttest_1samp
from statsmodels.regression.linear_model import OLS
from statsmodels.tsa.arima.model import ARIMA

from livefit.change import in_order, mean_of
from livefit.kernel.correlation import FEWEST
from tests.change.correlated_strokes import correlated


def test_independent_strokes_have_the_interval_of_scipy() -> None:
    values = np.random.default_rng(1).normal(35.0, 2.0, 12)
    ours = mean_of(values, independent=True)
    theirs = ttest_1samp(values, 0.0).confidence_interval(0.95)
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), rel=1e-12)


@pytest.mark.parametrize("correlation", [0.0, 0.3, 0.6])
def test_standard_error_beside_statsmodels(correlation: float) -> None:
    """Newey-West with 60 lags, and the long-run variance of a fitted autoregression."""
    values = 35.0 + correlated(np.random.default_rng(2), correlation, 6000)
    ours = mean_of(values)
    robust = OLS(values, np.ones(len(values))).fit(cov_type="HAC", cov_kwds={"maxlags": 60})
    assert ours.se == pytest.approx(float(robust.bse[0]), rel=0.15)
    _, fitted, shocks = ARIMA(values, order=(1, 0, 0)).fit().params
    long_run = np.sqrt(shocks / len(values)) / (1 - fitted)
    assert ours.correlation == pytest.approx(fitted, abs=0.01)
    assert ours.se >= 0.98 * long_run
    assert ours.se == pytest.approx(long_run, rel=0.12)


@pytest.mark.parametrize("n", [20, 60])
def test_inflation_is_the_sum_over_the_matrix_of_correlations(n: int) -> None:
    """The variance of a mean is the mean of the covariance matrix's elements, whatever the case."""
    values = correlated(np.random.default_rng(3), 0.5, n)
    ours = mean_of(values)
    matrix = toeplitz(ours.correlation ** np.arange(n))
    assert ours.inflation >= matrix.sum() / n - 1e-12
    alternating = mean_of(np.where(np.arange(n) % 2, 1.0, -1.0))
    expected = toeplitz((-0.2) ** np.arange(n)).sum() / n
    assert alternating.correlation == -0.2
    assert alternating.inflation == pytest.approx(expected)


@pytest.mark.parametrize("correlation", [0.0, 0.3, 0.5])
@pytest.mark.parametrize("n", [15, 40])
def test_the_interval_holds_the_truth_as_often_as_it_says(correlation: float, n: int) -> None:
    """93 to 97 % of 1,000 rides, give or take a standard error."""
    rides = correlated(np.random.default_rng(4), correlation, (1000, n))
    held = np.mean([mean.low <= 0 <= mean.high for mean in map(mean_of, rides)])
    assert 0.923 <= held <= 0.976


def test_taking_correlated_strokes_for_independent_would_not_do() -> None:
    rides = correlated(np.random.default_rng(4), 0.5, (300, 40))
    plain = [mean_of(ride, independent=True) for ride in rides]
    assert np.mean([mean.low <= 0 <= mean.high for mean in plain]) < 0.85


def test_lost_strokes_leave_the_correlation_of_the_others() -> None:
    rng = np.random.default_rng(5)
    values = correlated(rng, 0.6, 4000)
    whole = mean_of(values)
    lost = rng.random(4000) < 0.5
    gappy = mean_of(np.where(lost, np.nan, values))
    assert gappy.n == 4000 - lost.sum()
    assert gappy.correlation == pytest.approx(whole.correlation, abs=0.03)
    squeezed = mean_of(values[~lost])
    assert squeezed.correlation < whole.correlation - 0.1


def test_in_order_puts_lost_strokes_in_their_place() -> None:
    whole = in_order(np.array([7, 8, 11]), np.array([1.0, 2.0, 5.0]))
    np.testing.assert_array_equal(whole, [1.0, 2.0, np.nan, np.nan, 5.0])
    assert in_order(np.array([], dtype=np.int64), np.array([])).shape == (0,)


@pytest.mark.parametrize("n", range(FEWEST))
def test_too_few_strokes_have_no_interval(n: int) -> None:
    mean = mean_of(np.append(np.arange(float(n)), np.nan))
    assert mean.n == n
    assert np.isnan([mean.se, mean.low, mean.high, mean.half_width]).all()
    assert mean.mean == (n - 1) / 2 if n else np.isnan(mean.mean)


def test_strokes_all_alike_are_certain() -> None:
    mean = mean_of(np.full(20, 35.0))
    assert (mean.low, mean.high, mean.sd) == (35.0, 35.0, 0.0)
