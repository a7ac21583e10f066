"""Steps that nobody marked, beside ruptures' offline search over the same strokes."""

from __future__ import annotations

import numpy as np
import pytest
import ruptures
from scipy.stats import linregress

from livefit.change import Step, StepWatch
from livefit.change.steps import EVERY, threshold
from livefit.frames import FloatArray
from tests.change.correlated_strokes import correlated


def watched(values: FloatArray, cadence: FloatArray | None = None) -> list[Step]:
    watch = StepWatch()
    turning = np.zeros(len(values)) if cadence is None else cadence
    found = [
        watch.add(k, value, rpm)
        for k, (value, rpm) in enumerate(zip(values.tolist(), turning.tolist(), strict=True))
    ]
    return [step for step in found if step is not None]


def stepped(rng: np.random.Generator, correlation: float, size: float, at: int = 100) -> FloatArray:
    values = correlated(rng, correlation, at + 50)
    values[at:] += size
    return values


def test_a_step_is_where_ruptures_finds_it() -> None:
    """Killick's optimal partitioning of the same strokes, offline, with one break allowed."""
    rng = np.random.default_rng(1)
    apart = []
    for size in (4.0, -4.0, 5.0, -6.0, 8.0):
        values = stepped(rng, 0.3, size)
        offline = ruptures.Dynp(model="l2", min_size=3, jump=1).fit(values).predict(n_bkps=1)[0]
        steps = watched(values)
        assert len(steps) == 1
        apart.append(abs(steps[0].stroke - offline))
        assert abs(steps[0].size - size) < 3 * steps[0].se
        assert steps[0].found_at - 99 <= 8
    assert max(apart) <= 1


@pytest.mark.parametrize("correlation", [0.0, 0.3])
def test_two_spreads_are_noticed_within_eight_strokes(correlation: float) -> None:
    """In the median over 60 rides, the first alarm since the step being taken."""
    rng = np.random.default_rng(2)
    delays = []
    for _ in range(60):
        steps = watched(stepped(rng, correlation, 2.0, at=150))
        after = [step.found_at - 149 for step in steps if step.found_at >= 150]
        delays.append(min(after, default=1000))
    assert np.median(delays) <= 8


def test_steady_riding_is_quiet() -> None:
    """Half an hour at 90 rpm: were there one false alarm an hour, three came in 1.4 % of rides."""
    values = correlated(np.random.default_rng(3), 0.3, 2700)
    assert len(watched(values)) < 3


def test_a_drift_is_no_step() -> None:
    """Three spreads in ten minutes."""
    values = correlated(np.random.default_rng(4), 0.0, 900) + 3.0 * np.arange(900) / 900
    assert linregress(np.arange(900), values).pvalue < 1e-6
    assert watched(values) == []


def test_a_change_of_cadence_is_no_step_and_a_step_beside_it_is() -> None:
    """A measure that follows the cadence by 0.3 a turn, and a rider who goes from 80 to 95."""
    rng = np.random.default_rng(5)
    cadence = np.where(np.arange(200) < 100, 80.0, 95.0) + rng.normal(0.0, 1.0, 200)
    values = correlated(rng, 0.0, 200) + 0.3 * cadence
    assert watched(values, cadence) == []
    assert [abs(step.stroke - 100) <= 2 for step in watched(values)] == [True]
    values[160:] += 5.0
    steps = watched(values, cadence)
    assert [abs(step.stroke - 160) <= 1 for step in steps] == [True]


@pytest.mark.parametrize("size", [6.0, 20.0, 1000.0])
def test_one_bad_stroke_is_no_step(size: float) -> None:
    values = correlated(np.random.default_rng(6), 0.0, 150)
    values[100] += size
    assert watched(values) == []


def test_a_step_and_back_are_two() -> None:
    values = correlated(np.random.default_rng(7), 0.0, 200)
    values[80:140] += 6.0
    steps = watched(values)
    assert [abs(step.stroke - at) <= 1 for step, at in zip(steps, (80, 140), strict=True)] == [
        True,
        True,
    ]
    assert steps[0].size > 0 > steps[1].size


def test_lost_strokes_do_not_hide_a_step() -> None:
    rng = np.random.default_rng(8)
    values = stepped(rng, 0.3, 5.0)
    values[rng.random(150) < 0.2] = np.nan
    assert [abs(step.stroke - 100) <= 2 for step in watched(values)] == [True]


def test_a_marked_change_is_forgotten_by_a_restart() -> None:
    values = stepped(np.random.default_rng(9), 0.0, 6.0)
    watch = StepWatch()
    for k, value in enumerate(values.tolist()):
        if k == 100:
            watch.restart()
        assert watch.add(k, value) is None


def test_unit_and_level_do_not_matter() -> None:
    values = stepped(np.random.default_rng(10), 0.0, 5.0)
    (plain,), (scaled,) = watched(values), watched(1e3 * values + 1e6)
    assert (plain.stroke, plain.found_at) == (scaled.stroke, scaled.found_at)
    assert scaled.size == pytest.approx(1e3 * plain.size, rel=1e-6)


def test_strokes_all_alike_are_quiet() -> None:
    assert watched(np.full(60, 35.0)) == []


def test_the_threshold_keeps_its_promise_where_the_correlation_is_known() -> None:
    """The known level and spread, by a slow search over the same windows; no estimate involved."""
    rng = np.random.default_rng(11)
    every = 500.0
    sums = np.concatenate([[0.0], np.cumsum(rng.standard_normal(200_000))])
    lengths = np.arange(3, 26)
    at = np.arange(25, len(sums))
    largest = np.max(
        [np.abs(sums[at] - sums[at - length]) / np.sqrt(length) for length in lengths], axis=0
    )
    runs, begun = [], 0
    for k in np.flatnonzero(largest >= threshold(every)).tolist():
        if k >= begun + 25:
            runs.append(k - begun)
            begun = k
    assert np.mean(runs) == pytest.approx(every, rel=0.25)


def test_seldom_means_high() -> None:
    assert threshold(5400.0) < threshold(EVERY) < threshold(20 * EVERY)
    with pytest.raises(ValueError, match="every: expected at least 100 strokes, got 5"):
        StepWatch(every=5)
