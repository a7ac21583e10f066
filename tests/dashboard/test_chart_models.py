"""What the charts show, without a screen."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest

from livefit.definitions.models import DefinitionError, Definitions
from livefit.frames import FloatArray, IntArray
from livefit.view import chart_words as words
from livefit.view.charts import KINDS, ChartsModel
from livefit.view.cycles import CRANK_DEG
from livefit.view.over_time import MOST_DOTS, OUTLIERS, OverTime, rolling_means
from livefit.view.round_crank import OverStroke, Paths
from livefit.wire.messages import Cycles, Mark
from tests.dashboard.chart_examples import (
    KNEE_BDC,
    PERIOD_S,
    bdc_snapshot,
    cycle,
    make_cycles,
    make_mark,
    make_stroke,
    make_strokes,
    riding_charts,
)
from tests.dashboard.dashboard_examples import MEANS, make_row, make_rows, make_snapshot


def slow_means(
    t: FloatArray, values: FloatArray, marks: IntArray, window: Mapping[str, float]
) -> list[float]:
    """Stroke by stroke, with lists."""
    out = []
    for i in range(len(t)):
        chosen = [j for j in range(i + 1) if all(marks[k] == marks[i] for k in range(j, i + 1))]
        if "strokes" in window:
            chosen = chosen[-int(window["strokes"]) :]
        elif "seconds" in window:
            chosen = [j for j in chosen if t[j] >= t[i] - window["seconds"]]
        known = [values[j] for j in chosen if math.isfinite(values[j])]
        out.append(math.fsum(known) / len(known) if known else math.nan)
    return out


@pytest.mark.parametrize("window", [{"strokes": 7.0}, {"strokes": 1.0}, {"seconds": 5.0}, {}])
def test_rolling_means_are_those_of_a_slow_count(window: dict[str, float]) -> None:
    rng = np.random.default_rng(11)
    for _ in range(5):
        t = np.cumsum(rng.uniform(0.5, 0.9, 80))
        values = rng.normal(300.0, 2.0, 80)
        values[rng.random(80) < 0.3] = np.nan
        values[30:42] = np.nan
        # A mark that was undone takes the number back.
        marks = np.repeat([0, 1, 0, 2], [25, 10, 3, 42])
        np.testing.assert_allclose(
            rolling_means(t, values, marks, window),
            slow_means(t, values, marks, window),
            rtol=1e-12,
        )


def over_time(charts: ChartsModel) -> OverTime:
    chart = charts.chart
    assert isinstance(chart, OverTime)
    return chart


def over_stroke(charts: ChartsModel) -> OverStroke:
    charts.kind = "over_stroke"
    assert isinstance(charts.chart, OverStroke)
    return charts.chart


def paths(charts: ChartsModel) -> Paths:
    assert isinstance(charts.chart, Paths)
    return charts.chart


def test_over_time_shows_the_last_minutes(definitions: Definitions) -> None:
    chart = over_time(riding_charts(definitions))
    latest = (299 + 0.5) * PERIOD_S
    assert chart.latest_t == pytest.approx(latest)
    assert (chart.title, chart.unit, chart.span_s) == (
        "Knee, bottom", "deg", 180.0,
    )  # fmt: skip
    assert chart.ticks_s == (180.0, 120.0, 60.0, 0.0)
    assert [track.side for track in chart.tracks] == ["L", "R"]
    for track in chart.tracks:
        wanted = [s for s in make_strokes() if s.side == track.side and s.t >= latest - 180.0]
        np.testing.assert_allclose(track.t, [s.t for s in wanted])
        np.testing.assert_array_equal(track.low, [s.values[0] for s in wanted])
        np.testing.assert_array_equal(track.high, track.low)
    band = next(b for b in definitions.discipline("road_race").bands
                if (b.measure, b.event) == KNEE_BDC)  # fmt: skip
    assert chart.band == (band.low, band.high)
    assert chart.window == "mean of last 15"
    assert chart.axis is not None
    assert chart.axis.holds(band.low, band.high)


def test_means_begin_anew_with_the_averages(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    anew = 250.2 * PERIOD_S
    charts.apply_snapshot(bdc_snapshot(definitions, since=anew))
    for track in over_time(charts).tracks:
        after = [s for s in make_strokes() if s.side == track.side and s.t > anew]
        values = [float(s.values[0] or np.nan) for s in after]
        assert np.isnan(track.mean[-len(after) - 1])
        assert track.mean[-len(after)] == values[0]
        assert track.mean[-len(after) + 1] == pytest.approx(np.mean(values[:2]))


def test_means_never_reach_across_a_mark(definitions: Definitions) -> None:
    chart = over_time(riding_charts(definitions))
    for track in chart.tracks:
        strokes = [s for s in make_strokes() if s.side == track.side]
        values = np.array([s.values[0] for s in strokes], dtype=float)
        broken = np.flatnonzero(np.isnan(track.mean))
        assert len(broken) == 1
        after = track.mean[broken[0] + 1 :]
        # The first mean after the mark is the first stroke after it; the 21st is of 15 strokes.
        assert after[0] == pytest.approx(values[170])
        assert after[20] == pytest.approx(values[176:191].mean())
        assert len(after) == 130


def test_marks_stand_at_their_time_in_words(definitions: Definitions) -> None:
    early = make_mark(1, 20, amount=-2.5, part="saddle_tilt")
    late = make_mark(2, 170)
    charts = riding_charts(definitions, marks=[early, late])
    (shown,) = over_time(charts).marks
    assert shown.words == "saddle up 5 mm"
    assert shown.t == pytest.approx(169.6 * PERIOD_S)
    charts.zoom(1)
    assert [m.words for m in over_time(charts).marks] == ["tilt nose down 2.5°", "saddle up 5 mm"]
    # Without a time it stands at the first stroke that bears its number.
    charts.apply_snapshot(bdc_snapshot(definitions, marks=[make_mark(1, 170, t=None)]))
    assert over_time(charts).marks[0].t == pytest.approx(170 * PERIOD_S)


@pytest.mark.parametrize(
    ("mark", "said"),
    [
        (make_mark(1, 1), "saddle up 5 mm"),
        (make_mark(1, 1, amount=-2.0), "saddle down 2 mm"),
        (make_mark(1, 1, part="bar_reach", amount=10.0), "reach longer 10 mm"),
        (make_mark(1, 1, part="cleat_rotation", amount=-1.0), "rotation heel out 1°"),
        (make_mark(1, 1, part="pedal_spacer", amount=1.5), "pedal spacer +1.5"),
    ],
)
def test_marks_are_said_as_a_fitter_says_them(
    definitions: Definitions, mark: Mark, said: str
) -> None:
    assert words.mark_words(mark, definitions.adjustments) == said


def test_a_mark_taken_back_is_forgotten(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    charts.apply_snapshot(bdc_snapshot(definitions, marks=[]))
    chart = over_time(charts)
    assert chart.marks == ()
    for track in chart.tracks:
        values = np.array([s.values[0] for s in make_strokes() if s.side == track.side], float)
        assert np.isfinite(track.mean).all()
        # Stroke 175, the mean of 15 across where the mark was.
        at = np.flatnonzero(np.isclose(track.mean_t, (175 + 0.5 * (track.side == "R")) * PERIOD_S))
        assert track.mean[at[0]] == pytest.approx(values[161:176].mean())


def test_without_rows_there_are_still_the_paths(definitions: Definitions) -> None:
    charts = ChartsModel(definitions, [])
    charts.apply_snapshot(bdc_snapshot(definitions))
    charts.apply_cycles(make_cycles())
    found = {}
    for kind in KINDS:
        charts.kind = kind
        found[kind] = charts.chart.empty
    assert found == {"over_time": words.NOTHING_CHOSEN, "over_stroke": words.NOTHING_CHOSEN,
                     "angle_angle": None, "from_front": None}  # fmt: skip
    charts.watch([KNEE_BDC])
    assert charts.selected == KNEE_BDC


def test_a_pause_breaks_the_line(definitions: Definitions) -> None:
    charts = ChartsModel(definitions, [KNEE_BDC])
    for number in (1, 2, 3, 60, 61):
        charts.apply_stroke(make_stroke(number))
    (track,) = over_time(charts).tracks
    assert np.isnan(track.mean_t).tolist() == [False, False, False, True, False, False]


def test_a_wild_stroke_does_not_flatten_the_chart(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    before = over_time(charts).axis
    charts.apply_stroke(make_stroke(301, value=160.0, marks=1))
    after = over_time(charts)
    assert OUTLIERS * 2 * 272 > 1
    assert before is not None
    assert after.axis is not None
    # Its own mean of 15 strokes goes up by 160 / 15 and no more.
    assert after.axis.high <= before.high + 15
    assert after.tracks[0].high.max() == 160.0


def test_many_strokes_share_dots(definitions: Definitions) -> None:
    charts = ChartsModel(definitions, [KNEE_BDC])
    rng = np.random.default_rng(8)
    values = rng.normal(36.0, 1.5, 2600)
    for number, value in enumerate(values):
        charts.apply_stroke(make_stroke(number, value=float(value), marks=int(number >= 1501)))
    charts.zoom(9)
    (track,) = over_time(charts).tracks
    assert over_time(charts).span_s == 1800.0
    assert MOST_DOTS / 2 < len(track.t) <= MOST_DOTS + 2
    assert track.low.min() == values.min()
    assert track.high.max() == values.max()
    before = {(round(t, 6), low, high) for t, low, high in
              zip(track.t[5:-5], track.low[5:-5], track.high[5:-5], strict=True)}  # fmt: skip
    charts.apply_stroke(make_stroke(2600))
    (track,) = over_time(charts).tracks
    # Dots keep their strokes as time goes on.
    after = zip(np.round(track.t, 6).tolist(), track.low, track.high, strict=True)
    assert before <= set(after)
    charts.zoom(-9)
    assert over_time(charts).span_s == 60.0


def test_the_same_chart_until_something_changes(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    for kind in KINDS:
        charts.kind = kind
        chart = charts.chart
        assert charts.chart is chart
        charts.apply_snapshot(bdc_snapshot(definitions, number=8, cadence_rpm=95.0))
        assert charts.chart is chart
        charts.apply_snapshot(bdc_snapshot(definitions, window={"strokes": 5.0}))
        assert charts.chart is not chart
        charts.apply_snapshot(bdc_snapshot(definitions))
    charts.kind = "over_time"
    chart = charts.chart
    charts.apply_cycles(make_cycles(seed=9))
    assert charts.chart is chart
    charts.apply_stroke(make_stroke(400, marks=1))
    assert charts.chart is not chart


def test_a_held_picture_stays_and_nothing_is_lost(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    chart = over_time(charts)
    charts.held = True
    charts.apply_stroke(make_stroke(301, marks=1))
    assert charts.chart is chart
    charts.held = False
    assert over_time(charts).latest_t == pytest.approx(301 * PERIOD_S)


def test_kinds_follow_each_other(definitions: Definitions) -> None:
    charts = ChartsModel(definitions, [KNEE_BDC])
    assert [charts.next_kind() for _ in KINDS] == [*KINDS[1:], KINDS[0]]
    with pytest.raises(ValueError, match="over_time, over_stroke, angle_angle, from_front, found"):
        charts.kind = "pie"  # type: ignore[assignment]
    with pytest.raises(DefinitionError, match="nowhere"):
        charts.select("knee_flexion", "nowhere")


@pytest.mark.parametrize("again", [{"node": "n2"}, {"stream": "s2"}])
def test_another_node_or_stream_begins_anew(
    definitions: Definitions, again: dict[str, str]
) -> None:
    charts = riding_charts(definitions)
    charts.history.unasked()
    charts.apply_snapshot(bdc_snapshot(definitions, **again))
    assert charts.chart.empty == words.NO_STROKES
    assert charts.history.unasked() == (KNEE_BDC,)
    charts.next_kind()
    assert charts.chart.empty == words.NO_CYCLES


def test_over_the_stroke(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    chart = over_stroke(charts)
    assert [curve.side for curve in chart.curves] == ["L", "R"]
    for curve, mean in zip(chart.curves, MEANS[KNEE_BDC], strict=True):
        true = cycle("knee_flexion", curve.side, CRANK_DEG)
        np.testing.assert_allclose(curve.cycle.mean, true, rtol=1e-6)
        # The judged value is the table's, not one read off the curve.
        assert curve.at == (180.0, mean)
        assert chart.axis is not None
        for line in (true, curve.cycle.last, curve.cycle.baseline, true + curve.cycle.sd):
            assert line is not None
            assert chart.axis.holds(line.min(), line.max())
    assert chart.band is not None
    assert not chart.band_everywhere


def test_where_an_event_lies_without_a_row(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    charts.select("knee_flexion", "crank_112_5")
    for curve in over_stroke(charts).curves:
        # A quarter of the way from 110 to 120 deg.
        low, high = curve.cycle.mean[11], curve.cycle.mean[12]
        assert curve.at is not None
        assert curve.at[0] == 112.5
        assert curve.at[1] == pytest.approx(0.75 * low + 0.25 * high)


def test_extremes_lie_where_they_were_found(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    row = make_row("knee_flexion", "maximum", "L", 109.0, crank_deg=368.5)
    charts.apply_snapshot(make_snapshot([row]))
    charts.select("knee_flexion", "maximum")
    left, right = over_stroke(charts).curves
    assert left.at == (8.5, 109.0)
    assert right.at is None


def test_a_mean_is_judged_everywhere_and_a_range_nowhere(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    rows = [make_row("trunk_inclination", event, "L", 44.0, band=(40.0, 50.0))
            for event in ("mean", "range")]  # fmt: skip
    charts.apply_snapshot(make_snapshot(rows))
    charts.select("trunk_inclination", "mean")
    chart = over_stroke(charts)
    assert chart.band == (40.0, 50.0)
    assert chart.band_everywhere
    assert all(curve.at is None for curve in chart.curves)
    charts.select("trunk_inclination", "range")
    assert over_stroke(charts).band is None


def test_joint_against_joint(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    charts.kind = "angle_angle"
    chart = paths(charts)
    titles = [(plot.x_title, plot.y_title) for plot in chart.plots]
    assert titles == [("Hip angle", "Knee flexion"), ("Ankle angle", "Knee flexion")]
    for plot, x in zip(chart.plots, ("hip_angle", "ankle_angle"), strict=True):
        assert [path.side for path in plot.paths] == ["L", "R"]
        for path in plot.paths:
            for k, measure in enumerate((x, "knee_flexion")):
                true = cycle(measure, path.side, CRANK_DEG)
                np.testing.assert_allclose(path.mean[:, k], true, rtol=1e-6)
                assert (plot.x_axis, plot.y_axis)[k].holds(true.min(), true.max())


def test_the_knee_from_the_front(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    charts.kind = "from_front"
    chart = paths(charts)
    # Facing a rider one has their right leg at one's left hand.
    assert [[path.side for path in plot.paths] for plot in chart.plots] == [["R"], ["L"]]
    right, left = chart.plots
    assert (right.x_axis, right.y_axis) == (left.x_axis, left.y_axis)
    assert right.x_axis.holds(0.0, 0.0)
    path = left.paths[0]
    np.testing.assert_allclose(path.mean[:, 0], cycle("knee_to_foot_lateral", "L", CRANK_DEG),
                               rtol=1e-5)  # fmt: skip
    np.testing.assert_allclose(path.mean[:, 1], cycle("knee_height", "L", CRANK_DEG), rtol=1e-6)


def test_what_is_not_measured_is_said(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    only_hip = make_cycles()
    charts.apply_cycles(Cycles(node="n1", sides=[
        side.model_copy(update={"measures": ["hip_angle", *"abcde"]}) for side in only_hip.sides
    ]))  # fmt: skip
    for kind, said in (
        ("over_stroke", "Not measured: Knee flexion"),
        ("angle_angle", "Not measured: Hip angle, trunk to thigh, Knee flexion, Ankle angle, "
                        "shank to foot"),
        ("from_front", "Not measured: Knee outside the foot, Knee above the crank axis"),
    ):  # fmt: skip
        charts.kind = kind  # type: ignore[assignment]
        assert charts.chart.empty == said


def test_cycles_with_holes(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    hole = np.full((37, 6), np.nan)
    charts.apply_cycles(make_cycles(1, mean=hole.astype("<f4").tobytes(), baseline=b""))
    rows = [r.model_copy(update={"mean": None, "n": 0}) for r in make_rows(definitions)]
    charts.apply_snapshot(make_snapshot(rows))
    chart = over_stroke(charts)
    assert chart.axis is not None
    assert all(curve.at is None for curve in chart.curves)
