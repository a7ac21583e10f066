"""Trials row by row; cadence and workload beside them, against least squares done otherwise."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.regression.linear_model import OLS

from livefit.change.loads import Allowed, at_equal_load, strokes_before
from livefit.change.settling import may_settle, strokes_aside
from livefit.change.trials import TrialStrokes, differences
from livefit.change.workload import LOAD, StrokeLoads
from livefit.frames import Channel, FloatArray, StreamInfo
from livefit.kernel.correlation import correlation_of, inflations_of
from livefit.kernel.events import EventValues
from tests.change.correlated_strokes import correlated

UNITS = {"knee": "deg", "cadence": "rpm", "workload": "W"}
KNEE = ("knee", "R", "bdc")


def values_of(
    measure: str, event: str, values: FloatArray, t: FloatArray, side: str = "R"
) -> EventValues:
    table = values[:, None]
    nowhere = np.full(table.shape, np.nan)
    return EventValues(side, event, (measure,), np.arange(len(t)), t, nowhere, table)


def trial(
    knee: FloatArray, cadence: FloatArray, workload: FloatArray | None = None
) -> TrialStrokes:
    made = TrialStrokes(UNITS)
    ends = np.cumsum(60.0 / cadence)
    made.add([values_of("cadence", "mean", cadence, ends), values_of("knee", "bdc", knee, ends)])
    if workload is not None:
        made.add([values_of("workload", "mean", workload, ends, "B")])
    return made


def test_a_difference_at_equal_cadence_is_that_of_least_squares() -> None:
    """NumPy's least squares on a column for the trial and one for the cadence."""
    rng = np.random.default_rng(11)
    speeds = [rng.normal(rpm, 2.0, 40) for rpm in (88.0, 91.0)]
    knees = [35.0 + by + 0.4 * (s - 90.0) + rng.normal(0, 0.8, 40)
             for by, s in zip((0.0, -2.0), speeds, strict=True)]  # fmt: skip
    before, now = (trial(k, s) for k, s in zip(knees, speeds, strict=True))
    for each in (before, now):
        assert each.settled(KNEE).aside == 0
    change = differences(before, now, [KNEE])[KNEE].change
    found = at_equal_load(before, now, KNEE, change)
    columns = np.column_stack([np.ones(80), np.repeat([0.0, 1.0], 40), np.concatenate(speeds)])
    solved = np.linalg.lstsq(columns, np.concatenate(knees), rcond=None)[0]
    [load] = found.loads
    assert (found.by, load.slope) == pytest.approx((solved[1], solved[2]), rel=1e-9)
    assert found.low < -2.0 < found.high
    assert abs(found.by + 2.0) < abs(change.by + 2.0)


def test_cadence_and_workload_are_allowed_for_together() -> None:
    """An analysis of covariance by statsmodels: the trial beside both loads, which go together."""
    rng = np.random.default_rng(20)
    speeds = [rng.normal(rpm, 2.0, 60) for rpm in (88.0, 91.0)]
    watts = [2.2 * s + by + rng.normal(0, 8.0, 60) for by, s in zip((0, 12), speeds, strict=True)]
    knees = [35.0 + by + 0.2 * (s - 90.0) - 0.05 * (w - 200.0) + rng.normal(0, 0.8, 60)
             for by, s, w in zip((0.0, -2.0), speeds, watts, strict=True)]  # fmt: skip
    before, now = (trial(*each) for each in zip(knees, speeds, watts, strict=True))
    for each in (before, now):
        assert each.settled(KNEE).aside == 0
    change = differences(before, now, [KNEE])[KNEE].change
    found = at_equal_load(before, now, KNEE, change)
    columns = np.column_stack(
        [np.ones(120), np.repeat([0.0, 1.0], 60), np.concatenate(speeds), np.concatenate(watts)]
    )
    fit = OLS(np.concatenate(knees), columns).fit()
    assert [load.name for load in found.loads] == ["cadence", "workload"]
    slopes = [load.slope for load in found.loads]
    assert [found.by, *slopes] == pytest.approx(fit.params[1:].tolist(), rel=1e-9)
    # These strokes are independent: inflated for correlation the errors are hardly larger.
    errors = [load.slope_se for load in found.loads]
    assert errors == pytest.approx(fit.bse[2:].tolist(), rel=0.25)
    low, high = fit.conf_int()[1].tolist()
    assert found.high - found.low == pytest.approx(high - low, rel=0.3)


def test_a_workload_held_still_explains_nothing_where_it_is_the_same() -> None:
    rng = np.random.default_rng(15)
    speeds, knees = rng.normal(90.0, 2.0, (2, 40)), rng.normal(35.0, 1.0, (2, 40))

    def found(*watts: float) -> Allowed:
        trials = [
            trial(k, s, rng.normal(w, 0.5, 40))
            for k, s, w in zip(knees, speeds, watts, strict=True)
        ]
        change = differences(trials[0], trials[1], [KNEE])[KNEE].change
        return at_equal_load(trials[0], trials[1], KNEE, change)

    alike = found(200.0, 200.0)
    assert [load.name for load in alike.loads] == ["cadence"]
    assert alike.why_not == ""
    other = found(150.0, 200.0)
    assert other.why_not == ("cadence and workload differ more between the trials than within them")
    assert other.loads[1].by == pytest.approx(50.0, abs=0.5)


def test_a_workload_that_follows_cadence_cannot_be_told_from_it() -> None:
    """As a trainer without a setting makes it."""
    rng = np.random.default_rng(21)
    trials = []
    for _ in range(2):
        speeds = rng.normal(90.0, 2.0, 40)
        trials.append(trial(rng.normal(35.0, 1.0, 40), speeds, 2.0 * speeds))
    change = differences(trials[0], trials[1], [KNEE])[KNEE].change
    found = at_equal_load(trials[0], trials[1], KNEE, change)
    assert found.why_not == "cadence and workload go together: what each does cannot be told"
    assert np.isnan(found.by)


def test_trials_ridden_at_other_cadences_are_not_extrapolated() -> None:
    rng = np.random.default_rng(12)
    before, now = (trial(rng.normal(35, 1, 30), rng.normal(rpm, 0.5, 30)) for rpm in (60.0, 90.0))
    change = differences(before, now, [KNEE])[KNEE].change
    found = at_equal_load(before, now, KNEE, change)
    assert np.isnan(found.by)
    assert found.why_not == "cadence differs more between the trials than within them"


def test_a_trial_cut_and_joined_is_the_trial() -> None:
    rng = np.random.default_rng(13)
    whole = trial(rng.normal(35, 1, 50), np.full(50, 90.0))
    after = strokes_before(whole, 20.0, "LR")
    # Stroke k begins at 2/3 k s: the last that begins before 20 s is the 29th.
    assert after == {"R": 29}
    early, late = whole.part(after, early=True), whole.part(after, early=False)
    assert len(early.strokes(KNEE).numbers) == 30
    joined = early.joined(late)
    assert np.array_equal(joined.strokes(KNEE).values, whole.strokes(KNEE).values)
    assert joined.mean(KNEE) == whole.mean(KNEE)
    assert whole.of_sides({"L"}).keys == ()
    assert not len(whole.strokes(("hip", "R", "tdc")).numbers)


def test_a_stroke_in_which_the_cranks_came_to_rest_is_from_before() -> None:
    """It passed the bottom at 13.6 s but has no cadence; the mark was at 20 s, the next at 25 s."""
    whole = TrialStrokes(UNITS)
    numbers = np.concatenate([np.arange(20), np.arange(21, 40)])
    ends = np.concatenate([(np.arange(20) + 1) / 1.5, 25.0 + np.arange(19) / 1.5])
    bottoms = np.insert(ends - 1 / 3, 20, 13.6)
    for measure, event, own, t in (
        ("cadence", "mean", numbers, ends),
        ("knee", "bdc", np.arange(40), bottoms),
    ):
        table = np.full((len(own), 1), 90.0)
        whole.add([EventValues("R", event, (measure,), own, t, table, table)])
    after = strokes_before(whole, 20.0, "LR")
    assert after == {"R": 20}
    assert len(whole.part(after, early=True).strokes(KNEE).numbers) == 21
    assert strokes_before(whole, 0.0, "R") == {"R": -1}


def test_a_later_stream_counts_on() -> None:
    """The later one measures the knee alone at the bottom, the earlier the hip with it."""
    units = UNITS | {"hip": "deg"}
    first, second = TrialStrokes(units), TrialStrokes(units)
    table = np.column_stack([np.arange(5.0), np.zeros(5)])
    numbers, t = np.arange(3, 8), np.arange(5.0)
    first.add([EventValues("R", "bdc", ("knee", "hip"), numbers, t, table, table)])
    second.add([EventValues("R", "bdc", ("knee",), numbers, t, table[:, :1], table[:, :1] + 5.0)])
    both = first.followed_by(second)
    knee = both.strokes(KNEE)
    assert knee.numbers.tolist() == [3, 4, 5, 6, 7, 9, 10, 11, 12, 13]
    assert knee.values.tolist() == list(range(10))
    assert both.strokes(("hip", "R", "bdc")).values.tolist() == [0.0] * 5
    assert both.between({"R": 4}, {"R": 10}).strokes(KNEE).numbers.tolist() == [5, 6, 7, 9, 10]
    assert both.between({}, {"R": -np.inf}).ridden is False


def test_many_columns_at_once_are_as_one_by_one() -> None:
    rng = np.random.default_rng(20)
    table = correlated(rng, 0.4, (7, 40)).T.copy()
    table[3, 2] = np.nan
    table[:, 5] = 1.0
    found = inflations_of(table)
    for column, f in zip(table.T, found.tolist(), strict=True):
        known = np.isfinite(column)
        apart = np.where(known, column - column[known].mean(), 0.0)
        assert f == pytest.approx(correlation_of(apart, known)[1], rel=1e-9)
    approach = 6.0 * np.exp(-np.arange(40) / 4.0)
    for ride in (table, table + approach[:, None]):
        aside = np.array([strokes_aside(column) > 0 for column in ride.T])
        assert (may_settle(ride) >= aside).all()


def test_workload_is_the_mean_over_each_stroke() -> None:
    """A channel that is the number of the stroke, whole in every stroke."""
    info = StreamInfo(
        labels=("R_CA",), rate_hz=100.0, up="+z", channels=(Channel("workload", "W"),)
    )
    loads = StrokeLoads(info)
    t = np.arange(1000) / 100.0
    loads.take(t, np.floor(t)[:, None])
    [found] = loads.of([values_of("cadence", "mean", np.full(9, 60.0), np.arange(1.0, 10.0))])
    assert (found.side, found.event, found.measures) == ("B", LOAD[1], LOAD[:1])
    assert found.values[:, 0].tolist() == list(range(9))
    assert StrokeLoads(StreamInfo(labels=("R_CA",), rate_hz=100.0, up="+z")).of([found]) == []
