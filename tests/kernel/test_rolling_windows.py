"""Rolling statistics and rows of results against numpy and scipy on the same tail."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from livefit.change import mean_of
from livefit.definitions import Measure
from livefit.frames import FloatArray
from livefit.kernel.correlation import inflations_of
from livefit.kernel.events import EventValues
from livefit.kernel.plan import Plan
from livefit.kernel.results import ResultRow, RollingResults, differences
from livefit.kernel.rolling import (
    Rolling,
    RollingSummary,
    classify,
    summarise,
)
from tests.change.correlated_strokes import correlated
from tests.kernel.riding import shipped

RELATIVE = 1e-12
"""Two orders of summing at most a few hundred numbers of like size."""


def assert_numpys(summary_of: RollingSummary, tail: FloatArray) -> None:
    """The rolling summary is numpy's of the tail (n, k), with NaN left out."""
    summary = summary_of.summary()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # numpy's, for columns without a value
        mean, sd = np.nanmean(tail, axis=0), np.nanstd(tail, axis=0, ddof=1)
    n = np.isfinite(tail).sum(axis=0)
    assert summary.n.tolist() == n.tolist()
    assert summary.mean == pytest.approx(mean, rel=RELATIVE, nan_ok=True)
    assert summary.sd == pytest.approx(np.where(n > 1, sd, np.nan), rel=1e-9, nan_ok=True)
    expected = np.where(n > 1, sd / np.sqrt(np.maximum(n, 1)), np.nan)
    assert summary.se == pytest.approx(expected, rel=1e-9, nan_ok=True)
    for k, column in enumerate(tail.T):
        known = column[np.isfinite(column)]
        if len(known):
            assert summary.last[k] == known[-1]
        else:
            assert np.isnan(summary.last[k])
        if len(known) > 1 and known.std() > 0:
            interval = stats.t.interval(0.95, len(known) - 1, known.mean(), stats.sem(known))
            assert (summary.low[k], summary.high[k]) == pytest.approx(interval, rel=1e-9)


values = st.one_of(st.just(np.nan), st.floats(20.0, 60.0))
updates = st.lists(st.lists(st.tuples(values, values), max_size=4), min_size=1, max_size=12)


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(updates, st.one_of(st.none(), st.integers(1, 8)))
def test_the_last_strokes_after_every_update(
    given_: list[list[tuple[float, float]]], strokes: int | None
) -> None:
    rolling = RollingSummary(Rolling(strokes=strokes), columns=2)
    every = np.empty((0, 2))
    for update in given_:
        new = np.array(update, dtype=float).reshape(-1, 2)
        number = np.arange(len(every), len(every) + len(new))
        rolling.update(number, np.multiply(0.7, number, dtype=np.float64), new)
        every = np.concatenate([every, new])
        assert_numpys(rolling, every if strokes is None else every[-strokes:])


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(st.lists(st.tuples(values, st.booleans()), min_size=1, max_size=30), st.floats(0.8, 9.0))
def test_the_last_seconds_after_every_update(
    strokes: list[tuple[float, bool]], seconds: float
) -> None:
    """A refused stroke has neither a value nor a time, and changes nothing of the others'."""
    rolling = RollingSummary(Rolling(seconds=seconds), columns=1)
    times: list[float] = []
    found: list[float] = []
    for k, (value, refused) in enumerate(strokes):
        t, x = (np.nan, np.nan) if refused else (0.7 * k, value)
        rolling.update(np.array([k]), np.array([t]), np.array([[x]]))
        times.append(t)
        found.append(x)
        newest = max((s for s in times if s == s), default=0.0)
        kept = [v for s, v in zip(times, found, strict=True) if s >= newest - seconds]
        assert_numpys(rolling, np.array(kept).reshape(-1, 1))


def test_a_window_is_one_thing_and_longer_than_nothing() -> None:
    with pytest.raises(ValueError, match="in strokes or in seconds, got both"):
        Rolling(strokes=3, seconds=2.0)
    with pytest.raises(ValueError, match="at least one stroke, got 0"):
        Rolling(strokes=0)
    with pytest.raises(ValueError, match=r"lasts longer than 0 s, got -1\.0"):
        Rolling(seconds=-1.0)
    with pytest.raises(ValueError, match="lasts longer than 0 s, got nan"):
        Rolling(seconds=float("nan"))


def test_statistics_of_nothing_are_unknown_and_never_zero() -> None:
    summary = summarise(np.empty((0, 2)))
    assert summary.n.tolist() == [0.0, 0.0]
    for part in (summary.last, summary.mean, summary.sd, summary.se, summary.low, summary.high):
        assert np.isnan(part).all()
    one = summarise(np.array([[40.0]]))
    assert (one.n[0], one.mean[0], one.last[0]) == (1.0, 40.0, 40.0)
    assert np.isnan([one.sd[0], one.se[0], one.low[0], one.high[0]]).all()


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (33.0, 43.0, "within"),  # both edges belong to the band
        (np.nextafter(33.0, 0.0), 40.0, "unsure"),
        (35.0, np.nextafter(43.0, 99.0), "unsure"),
        (30.0, np.nextafter(33.0, 0.0), "below"),
        (30.0, 33.0, "unsure"),
        (np.nextafter(43.0, 99.0), 50.0, "above"),
        (43.0, 50.0, "unsure"),
        (np.nan, 40.0, "unknown"),
        (35.0, np.nan, "unknown"),
        (-np.inf, np.inf, "unknown"),
    ],
)
def test_verdict_at_the_edges(low: float, high: float, verdict: str) -> None:
    assert classify((low + high) / 2, low, high, (33.0, 43.0)) == verdict


# --- rows ----------------------------------------------------------------------------------------

LABELS = [f"{side}_{name}" for side in "LR" for name in ("GT", "LE", "LM", "CA", "VM")]
BANDS = {("knee_flexion", "bdc"): (33.0, 43.0)}


def knee() -> Measure:
    return shipped().measure("knee_flexion").model_copy(update={"events": ["bdc", "maximum"]})


def results(window: Rolling) -> RollingResults:
    plan = Plan(LABELS, [knee()], shipped().events)
    return RollingResults(plan.sides, [knee()], window, BANDS)


def strokes(
    side: str, first: int, found: list[float], event: str = "bdc", crank: float = 180.0
) -> EventValues:
    number = np.arange(first, first + len(found))
    column = np.array(found)[:, None]
    t = np.multiply(0.7, number, dtype=np.float64)
    places = np.full_like(column, crank)
    return EventValues(side, event, ("knee_flexion",), number, t, places, column)


def row(rolled: RollingResults, side: str, event: str = "bdc") -> ResultRow:
    [found] = [r for r in rolled.rows() if (r.side, r.event) == (side, event)]
    return found


def test_a_row_is_the_tail_of_its_own_side_and_event() -> None:
    random = np.random.default_rng(4)
    left, right = random.normal(36.0, 1.0, 20), random.normal(38.0, 1.0, 20)
    rolled = results(Rolling(strokes=15))
    rolled.add([strokes("L", 0, left[:12].tolist()), strokes("R", 0, right.tolist())])
    rolled.add([strokes("L", 12, left[12:].tolist())])
    for side, every in (("L", left[-15:]), ("R", right[-15:])):
        found = row(rolled, side)
        assert (found.n, found.last, found.crank_deg) == (15, every[-1], 180.0)
        assert found.mean == pytest.approx(every.mean(), rel=RELATIVE)
        assert found.sd == pytest.approx(every.std(ddof=1), rel=RELATIVE)
        assert found.verdict == "within"
        assert rolled.strokes(side) == 15
    [difference] = differences(rolled.rows())
    assert difference.difference == pytest.approx(left[-15:].mean() - right[-15:].mean())


@pytest.mark.parametrize("gaps", [(), (3,), (0, 1, 9)])
@pytest.mark.parametrize("correlation", [0.0, 0.6])
def test_an_interval_allows_for_strokes_that_are_alike(
    correlation: float, gaps: tuple[int, ...]
) -> None:
    """Beside the mean of correlated strokes, which is worked out by NumPy's own correlation."""
    every = 36.0 + correlated(np.random.default_rng(6), correlation, 40)
    every[list(gaps)] = np.nan
    rolled = results(Rolling())
    rolled.add([strokes("L", 0, every.tolist()), strokes("R", 0, every[:20].tolist())])
    for side, values in (("L", every), ("R", every[:20])):
        found, alone = row(rolled, side), mean_of(values)
        assert (found.se, found.low, found.high) == pytest.approx(
            (alone.se, alone.low, alone.high), rel=1e-9
        )
        known = values[np.isfinite(values)]
        assert found.sd == pytest.approx(known.std(ddof=1), rel=RELATIVE)


def test_a_row_has_the_same_bits_in_any_company() -> None:
    random = np.random.default_rng(7)
    values = np.cumsum(random.normal(0.0, 1.0, (23, 9)), axis=0)
    values[4, 2] = values[:3, 5] = np.nan
    together = inflations_of(values)
    for k in range(values.shape[1]):
        assert inflations_of(values[:, k : k + 1])[0] == together[k]
        assert inflations_of(values[:, k:])[0] == together[k]


def test_the_truth_is_held_as_often_as_said() -> None:
    """Strokes of correlation 0.5: plain intervals of 15 hold it in about four of five rides."""
    random = np.random.default_rng(8)
    values = np.stack([correlated(random, 0.5, 15) for _ in range(1_000)], axis=1)
    plain = summarise(values)
    assert ((plain.low <= 0.0) & (plain.high >= 0.0)).mean() < 0.85
    held = 0
    for first in range(0, values.shape[1], 2):
        rolled = results(Rolling())
        for side, column in (("L", first), ("R", first + 1)):
            rolled.add([strokes(side, 0, values[:, column].tolist())])
            found = row(rolled, side)
            held += found.low <= 0.0 <= found.high
    assert 0.92 < held / values.shape[1] < 0.98


def test_welchs_interval_of_unlike_numbers_and_spreads() -> None:
    """``scipy.stats.ttest_ind(equal_var=False).confidence_interval``; so few are independent."""
    random = np.random.default_rng(5)
    left, right = random.normal(36.0, 0.5, 4), random.normal(35.0, 3.0, 3)
    rolled = results(Rolling())
    rolled.add([strokes("L", 0, [*left.tolist(), np.nan]), strokes("R", 0, right.tolist())])
    [difference] = differences(rolled.rows())
    interval = stats.ttest_ind(left, right, equal_var=False).confidence_interval(0.95)
    assert (difference.low, difference.high) == pytest.approx(tuple(interval), rel=1e-9)
    assert difference.unit == "deg"


def test_no_difference_without_two_strokes_on_each_side() -> None:
    rolled = results(Rolling())
    rolled.add([strokes("L", 0, [36.0, 37.0, 36.5]), strokes("R", 0, [35.0])])
    assert differences(rolled.rows()) == []


def test_a_quick_value_stands_in_until_the_final_one_comes() -> None:
    rolled = results(Rolling(strokes=3))
    rolled.add([strokes("R", 0, [36.0, 37.0, 38.0])])
    before = row(rolled, "R")
    quick = strokes("R", 3, [39.0])
    assert rolled.set_quick([quick])
    assert row(rolled, "R").mean == pytest.approx(np.mean([37.0, 38.0, 39.0]))
    assert not rolled.set_quick([quick])
    rolled.add([strokes("R", 3, [39.5])])
    assert row(rolled, "R").mean == pytest.approx(np.mean([37.0, 38.0, 39.5]))
    rolled.set_quick([])
    assert row(rolled, "R").last == 39.5
    assert before.mean == pytest.approx(37.0)


def test_a_row_stays_the_same_object_until_it_changes() -> None:
    rolled = results(Rolling(strokes=15))
    rolled.add([strokes("L", 0, [36.0, 36.0]), strokes("R", 0, [36.0, 36.5])])
    left, right = row(rolled, "L"), row(rolled, "R")
    rolled.add([strokes("R", 2, [36.2])])
    assert row(rolled, "L") is left
    assert row(rolled, "R") is not right


def test_other_bands_judge_the_same_values() -> None:
    rolled = results(Rolling(strokes=15))
    rolled.add([strokes("R", 0, [36.0, 36.2, 35.8])])
    assert row(rolled, "R").verdict == "within"
    rolled.judge_by({("knee_flexion", "bdc"): (40.0, 50.0)})
    assert (row(rolled, "R").verdict, row(rolled, "R").band) == ("below", (40.0, 50.0))
    rolled.judge_by({("knee_flexion", "maximum"): (30.0, 50.0)})
    # A band for one event never judges another.
    assert (row(rolled, "R").verdict, row(rolled, "R").band) == ("unknown", None)


def test_a_shorter_window_keeps_the_newest() -> None:
    rolled = results(Rolling(strokes=15))
    empty = row(rolled, "R")
    assert (empty.n, empty.verdict) == (0, "unknown")
    assert np.isnan([empty.mean, empty.last, empty.sd, empty.low]).all()
    rolled.add([strokes("R", 0, [30.0, 31.0, 36.0, 36.4])])
    rolled.resize(Rolling(strokes=2))
    assert row(rolled, "R").n == 2
    assert row(rolled, "R").mean == pytest.approx(36.2)
    rolled.resize(Rolling(seconds=60.0))
    assert row(rolled, "R").n == 2


def test_a_window_goes_on_from_where_an_earlier_one_had_come_to() -> None:
    earlier, later, whole = (results(Rolling(strokes=4)) for _ in range(3))
    first, second = [30.0, 31.0, 36.0], [36.4, 37.0]
    earlier.add([strokes("R", 0, first)])
    later.add([strokes("R", 3, second)])
    whole.add([strokes("R", 0, [*first, *second])])
    joined = results(Rolling(strokes=4))
    joined.resume(earlier)
    joined.resume(later)
    assert row(joined, "R") == row(whole, "R")


def test_the_place_of_an_extreme_is_averaged_round_the_circle() -> None:
    """``scipy.stats.circmean``: 350 and 20 deg average to 5, not to 185."""
    rolled = results(Rolling())
    places = [350.0, 20.0, 2.0, np.nan]
    for k, place in enumerate(places):
        rolled.add([strokes("R", k, [110.0], "maximum", place)])
    expected = np.degrees(stats.circmean(np.radians(places[:3])))
    assert row(rolled, "R", "maximum").crank_deg == pytest.approx(expected, abs=1e-6)


def test_strokes_without_a_value_are_in_the_window_and_not_in_n() -> None:
    rolled = results(Rolling(strokes=4))
    rolled.add([strokes("R", 0, [36.0, np.nan, 37.0, np.nan])])
    assert (row(rolled, "R").n, rolled.strokes("R")) == (2, 4)
    assert row(rolled, "R").last == 37.0
