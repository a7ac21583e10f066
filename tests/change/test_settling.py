"""Settled or not: slopes against SciPy, counts against a slow search, approaches with a truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t, theilslopes

from livefit.change import mean_of, settled
from livefit.change.settling import drift_of, more_strokes, strokes_aside
from tests.change.correlated_strokes import correlated

RIDES = 300


def approach(n: int, size: float, lasting: float) -> np.ndarray:
    return size * np.exp(-np.arange(n) / lasting)


def test_the_slope_is_that_of_scipy() -> None:
    values = np.random.default_rng(1).normal(0.0, 1.0, 41) + 0.05 * np.arange(41)
    values[7] = np.nan
    at = np.flatnonzero(np.isfinite(values))
    assert drift_of(values).slope == pytest.approx(theilslopes(values[at], at)[0], rel=1e-12)


def test_one_bad_stroke_is_no_drift() -> None:
    values = np.random.default_rng(2).normal(0.0, 1.0, 30)
    before = drift_of(values)
    values[-1] += 1000.0
    assert abs(drift_of(values).slope - before.slope) < 0.05


@pytest.mark.parametrize("correlation", [0.0, 0.5])
def test_steady_riding_seldom_drifts_and_a_drift_is_found(correlation: float) -> None:
    rides = correlated(np.random.default_rng(3), correlation, (RIDES, 40))
    assert np.mean([drift_of(ride).certain for ride in rides]) < 0.08
    climb = 0.15 * np.arange(40)
    assert np.mean([drift_of(ride + climb).certain for ride in rides]) > 0.9


@pytest.mark.parametrize(("size", "lasting"), [(4.0, 3.0), (6.0, 5.0), (-6.0, 5.0)])
def test_strokes_are_set_aside_until_the_approach_is_a_quarter_spread_off(
    size: float, lasting: float
) -> None:
    true = lasting * np.log(abs(size) / 0.25)
    rides = np.random.default_rng(4).standard_normal((RIDES, 60)) + approach(60, size, lasting)
    assert np.median([strokes_aside(ride) for ride in rides]) == pytest.approx(true, rel=0.2)


def test_without_an_approach_nothing_is_set_aside() -> None:
    rides = correlated(np.random.default_rng(5), 0.3, (RIDES, 60))
    assert np.mean([strokes_aside(ride) > 0 for ride in rides]) < 0.15
    assert strokes_aside(np.full(30, 35.0)) == 0


def test_the_interval_after_settling_holds_the_level() -> None:
    rides = correlated(np.random.default_rng(6), 0.3, (RIDES, 60)) + approach(60, 4.0, 4.0)
    found = [settled(ride, 1.0).mean for ride in rides]
    assert np.mean([mean.low <= 0 <= mean.high for mean in found]) > 0.9
    whole = [mean_of(ride) for ride in rides]
    assert abs(np.mean([mean.mean for mean in found])) < 0.05
    assert np.mean([mean.mean for mean in whole]) > 0.2
    assert np.median([mean.half_width for mean in found]) < np.median(
        [mean.half_width for mean in whole]
    )


@pytest.mark.parametrize(("half", "fewest"), [(0.5, 10), (0.3, 10), (2.0, 40)])
def test_more_strokes_are_as_many_as_a_search_finds(half: float, fewest: int) -> None:
    mean = mean_of(np.random.default_rng(7).normal(0.0, 1.0, 12))
    n = max(fewest, mean.n)
    while True:
        freedom = 1 / (1 / (n - 1) + 1.5 * mean.inflation / n)
        if t.ppf(0.975, freedom) * mean.sd * np.sqrt(mean.inflation / n) <= half:
            break
        n += 1
    assert more_strokes(mean, half, fewest=fewest) == n - mean.n


def test_no_number_is_promised_that_200_strokes_would_not_do() -> None:
    assert more_strokes(mean_of(np.random.default_rng(8).normal(0.0, 1.0, 12)), 0.05) is None


def test_states_in_their_order() -> None:
    noise = np.random.default_rng(9).normal(0.0, 1.0, 80)
    assert settled(noise[:7], 1.0).state == "too few"
    assert settled(noise[:20] + approach(20, 20.0, 5.0), 1.0).state == "settling"
    assert settled(noise + 0.1 * np.arange(80), 1.0).state in ("drifting", "settling")
    wide = settled(noise[:12], 0.3)
    assert wide.state == "too wide"
    assert wide.more
    done = settled(noise, 0.5)
    assert (done.state, done.more) == ("settled", 0)


def test_a_drift_too_small_to_matter_does_not_keep_anyone() -> None:
    values = np.random.default_rng(10).normal(0.0, 0.01, 60) + 0.001 * np.arange(60)
    found = settled(values, 1.0)
    assert found.drift.certain
    assert found.state == "settled"


def test_a_width_of_nought_is_refused() -> None:
    with pytest.raises(ValueError, match="half_width: expected more than 0, got 0"):
        settled(np.zeros(20), 0.0)
