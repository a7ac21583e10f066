"""Means of correlated strokes against statsmodels, closed forms, and truths held often enough."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.fft import dct
from scipy.linalg import toeplitz
from scipy.special import polygamma
from scipy.stats import ttest_1samp
from statsmodels.regression.linear_model import OLS
from statsmodels.tsa.arima.model import ARIMA
from statsmodels.tsa.arima_process import arma_periodogram

from livefit.change import in_order, mean_of
from livefit.change.correlated import FEWEST, correlation_of, freedom_of_mean
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
def test_steadier_inflation_is_the_sum_over_the_matrix_of_correlations(n: int) -> None:
    """The variance of a mean is the mean of the covariance matrix's elements, whatever the case."""
    values = correlated(np.random.default_rng(3), 0.5, n)
    r, f = correlation_of(values - values.mean(), np.ones(n, dtype=bool))
    assert f >= toeplitz(r ** np.arange(n)).sum() / n - 1e-12
    alternating = np.where(np.arange(n) % 2, 1.0, -1.0)
    r, f = correlation_of(alternating, np.ones(n, dtype=bool))
    assert r == -0.2
    assert f == pytest.approx(toeplitz((-0.2) ** np.arange(n)).sum() / n)


@pytest.mark.parametrize(("n", "cosines"), [(20, 5), (60, 7), (150, 12)])
@pytest.mark.parametrize("correlation", [-0.3, 0.5])
def test_the_variance_is_that_of_the_slowest_cosines(
    n: int, cosines: int, correlation: float
) -> None:
    """SciPy's cosine transform, over the spectrum that statsmodels gives an autoregression.

    The exact variance of its mean is a sum over the matrix of correlations.
    """
    values = correlated(np.random.default_rng(6), correlation, n)
    ours = mean_of(values)
    r = max(ours.correlation, 0.0)
    ar, ma = np.array([1.0, -r]), np.array([1.0])
    angles, density = arma_periodogram(ar, ma, np.pi * np.arange(cosines + 1) / n)
    assert angles[0] == 0.0
    squares = dct(values, type=2, norm="ortho")[1 : cosines + 1] ** 2
    long_run = np.mean(squares * density[0] / density[1:])
    exact = toeplitz(r ** np.arange(n)).sum() / n / ((1 + r) / (1 - r))
    assert ours.se**2 == pytest.approx(long_run * exact / n, rel=1e-9)
    assert ours.sd**2 == pytest.approx(values.var() + ours.se**2, rel=1e-9)
    assert ours.inflation == pytest.approx(n * ours.se**2 / ours.sd**2, rel=1e-9)


def test_the_freedom_is_that_of_the_variance_estimated() -> None:
    """The logarithm of a chi-square has the trigamma function of half its freedom as variance.

    The correlation's share by differences of a complex spectrum.
    """
    n, r, step = 60, 0.5, 1e-6
    angles = np.pi * np.arange(1, 8) / n

    def slower(r: float) -> float:
        return float(np.mean(np.log(np.abs(1 - r * np.exp(1j * angles)) ** 2 / (1 - r) ** 2)))

    slope = (slower(r + step) - slower(r - step)) / (2 * step)
    expected = 2 / (2 / 7 + slope**2 * (1 - r**2) / n)
    assert freedom_of_mean(np.array([60]), r) == pytest.approx([expected], rel=1e-6)
    rides = correlated(np.random.default_rng(7), r, (1500, n))
    logarithms = np.log([mean_of(ride).se ** 2 for ride in rides])
    assert logarithms.var() == pytest.approx(polygamma(1, expected / 2), rel=0.15)


def test_strokes_that_resemble_the_last_one_alone_are_held_too() -> None:
    """A moving average, whose correlation ends after a stroke, and a true autoregression alike."""
    shocks = np.random.default_rng(8).standard_normal((1500, 41))
    rides = (shocks[:, 1:] + shocks[:, :-1]) / np.sqrt(2)
    means = [mean_of(ride) for ride in rides]
    assert 0.93 <= np.mean([mean.low <= 0 <= mean.high for mean in means]) <= 0.975


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
