"""What the screens say of a snapshot, without a screen."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livefit.definitions import default_rows
from livefit.definitions.models import DefinitionError, Definitions
from livefit.view import words
from livefit.view.age import AgeMeter, age_words
from livefit.view.numbers import format_value
from livefit.view.rows import make_cells
from livefit.view.scale import common_scale
from livefit.view.table import TableModel
from livefit.wire.messages import DeviceState
from tests.dashboard.dashboard_examples import (
    make_health,
    make_mark,
    make_row,
    make_rows,
    make_snapshot,
)

KNEE = ("knee_flexion", "bdc")


def shown(definitions: Definitions, *, sent: float = 100.0, **changes: object) -> TableModel:
    model = TableModel(definitions, endpoint="tcp://127.0.0.1:5555")
    model.apply_snapshot(make_snapshot(make_rows(definitions), sent=sent, **changes), sent + 0.01)
    return model


def test_default_rows_are_defined_and_in_order(definitions: Definitions) -> None:
    assert default_rows(definitions) == [
        ("knee_flexion", "bdc"), ("knee_flexion", "maximum"), ("hip_angle", "tdc"),
        ("ankle_angle", "bdc"), ("trunk_inclination", "mean"), ("knee_over_spindle", "forward"),
        ("elbow_flexion", "mean"),
    ]  # fmt: skip


def test_a_row_says_mean_interval_count_and_verdict(definitions: Definitions) -> None:
    # Interval 36.2 +- 0.4 and band 30-40 as put in; the words are those of the protocol.
    row = shown(definitions).rows[0]
    left, right = row.cells
    assert (row.title, row.event_words) == ("Knee flexion", "Bottom dead centre")
    assert (row.band, row.stale) == ((30.0, 40.0), False)
    assert (left.side, left.value_text, left.spread_text, left.count_text) == (
        "L", "36°", "±0.4°", "n 15",
    )  # fmt: skip
    assert (left.verdict.word, right.verdict.word) == ("within", "above")
    assert (left.verdict.shape, right.verdict.shape) == ("disc", "up")


def test_unit_decimals_and_minus_follow_the_measure(definitions: Definitions) -> None:
    row = next(r for r in shown(definitions).rows if r.measure == "knee_over_spindle")
    assert row.cells[0].value_text == "−14"
    assert row.cells[0].spread_text == "±1.6 mm"


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [(None, 0, "–"), (-0.4, 0, "0"), (-0.04, 1, "0.0"), (-0.06, 1, "−0.1"), (179.96, 1, "180.0")],
)
def test_numbers_have_no_minus_zero(value: float | None, decimals: int, text: str) -> None:
    assert format_value(value, decimals) == text


def test_a_measure_taken_once_has_one_cell(definitions: Definitions) -> None:
    pair = ("pelvic_obliquity", "mean")
    model = TableModel(definitions, [pair])
    model.apply_snapshot(make_snapshot([make_row(*pair, "B", 1.24)]), 100.0)
    (cell,) = model.rows[0].cells
    assert (cell.side, cell.value_text, cell.verdict.word) == ("B", "1.2°", "no band")


def test_missing_is_no_data_never_zero(definitions: Definitions) -> None:
    model = TableModel(definitions, [KNEE])
    row = make_row(
        *KNEE, "L", 0.0, n=0, mean=None, ci95=None, last=None, band=(30.0, 40.0), verdict="unknown"
    )
    model.apply_snapshot(make_snapshot([row]), 100.0)
    for cell in model.rows[0].cells:
        assert (cell.mean, cell.value_text, cell.verdict.word) == (None, "–", "no data")
    assert model.rows[0].band == (30.0, 40.0)


def test_a_row_of_a_marker_that_moved_asks_for_the_marker(definitions: Definitions) -> None:
    value = make_row(*KNEE, "L", 35.0, band=(30.0, 40.0))
    none = value.model_copy(
        update={"n": 0, "mean": None, "last": None, "ci95": None, "verdict": "unknown",
                "left_out": True}
    )  # fmt: skip
    told = []
    for row in (value, none):
        cell, _ = make_cells(
            definitions.measure(KNEE[0]), definitions.event(KNEE[1]),
            {(*KNEE, "L"): row}, {"L": (34.0, 36.0)}, {},
        )  # fmt: skip
        told.append((cell.value_text, cell.verdict.word, cell.recent))
    assert told == [("35°", "within", (34.0, 36.0)), ("–", "marker?", ())]


def test_rows_that_nobody_can_fill_are_refused(definitions: Definitions) -> None:
    with pytest.raises(DefinitionError, match="no measure is named 'knee_fexion'"):
        TableModel(definitions, [("knee_fexion", "bdc")])
    with pytest.raises(ValueError, match="not taken at that event; it is taken at any crank angle"):
        TableModel(definitions, [("elbow_flexion", "maximum")])
    with pytest.raises(ValueError, match="up to 12 rows, 13 were chosen"):
        TableModel(definitions, [KNEE] * 13)
    assert TableModel(definitions, [("knee_flexion", "crank_110")]).rows[0].event_words


def test_data_grow_old_and_say_so(definitions: Definitions) -> None:
    model = shown(definitions, sent=100.0)
    seen = []
    for now in (100.3, 100.999, 101.0, 102.9, 103.0, 250.0):
        model.apply_silence(now)
        seen.append((model.age.state, model.rows[0].stale))
    assert seen == [
        ("fresh", False), ("fresh", False), ("old", True), ("old", True), ("lost", True),
        ("lost", True),
    ]  # fmt: skip
    assert model.message is not None
    assert (model.message.level, model.message.title) == ("bad", "No data for 2 min")


def test_age_counts_from_the_sending_on_one_machine(definitions: Definitions) -> None:
    model = TableModel(definitions)
    model.apply_snapshot(make_snapshot([], sent=95.0), 100.0)
    assert (model.age.text, model.age.state) == ("5.0 s", "lost")


@pytest.mark.parametrize("zero", [1.0e6, -1.0e6])
def test_another_machines_clock_gives_the_age_since_the_quickest_message(zero: float) -> None:
    meter = AgeMeter()
    meter.note("far", sent=zero + 10.0, now=10.2)
    assert not meter.own_clock
    meter.note("far", sent=zero + 11.0, now=11.1)
    assert meter.age_s(11.1) == pytest.approx(0.0, abs=1e-6)
    meter.note("far", sent=zero + 12.0, now=14.1)
    assert meter.age_s(14.1) == pytest.approx(2.0, abs=1e-6)
    assert meter.freshness(14.1) == "old"


def test_age_is_shown_to_what_matters() -> None:
    assert [age_words(a) for a in (None, 0.04, 9.9, 10.2, 119.0, 240.0)] == [
        "–", "0.0 s", "9.9 s", "10 s", "119 s", "4 min",
    ]  # fmt: skip


@pytest.mark.parametrize("state", ["waiting", "searching", "still", "silent"])
def test_every_state_but_riding_has_a_message_and_stale_rows(
    definitions: Definitions, state: str
) -> None:
    model = shown(definitions, state=state)
    assert model.message == words.STATES[state]
    assert all(row.stale for row in model.rows)
    problem = shown(definitions, state=state, problem="left heel out of sight").message
    assert problem is not None
    assert (problem.title, problem.detail) == (words.STATES[state].title, "left heel out of sight")


def test_messages_come_in_order_of_weight(definitions: Definitions) -> None:
    model = TableModel(definitions, endpoint="tcp://127.0.0.1:5555")
    assert model.message is not None
    assert "tcp://127.0.0.1:5555" in model.message.detail
    model = shown(definitions)
    assert model.message is None
    model = shown(definitions, problem="the crank is not found")
    assert model.message == words.Message("care", "Please check", "the crank is not found")
    warned = shown(definitions, warnings=["one marker moved", "battery low"]).message
    assert warned == words.Message("care", "Please check", "one marker moved. battery low")
    model.apply_silence(200.0)
    assert model.message.title == "No data for 100 s"
    model.toggle_hold()
    assert model.message.title == "Picture held"
    model.fault = "cannot use the address"
    assert model.message.detail == "cannot use the address"


def test_a_held_picture_does_not_change(definitions: Definitions) -> None:
    model = shown(definitions)
    before = model.rows
    model.toggle_hold()
    rows = [r.model_copy(update={"mean": 12.0}) for r in make_rows(definitions)]
    model.apply_snapshot(make_snapshot(rows, sent=100.5), 100.5)
    assert (model.rows, model.age.state) == (before, "held")
    model.toggle_hold()
    model.apply_snapshot(make_snapshot(rows, sent=100.6), 100.6)
    assert model.rows[0].cells[0].value_text == "12°"


def test_header_and_missing_markers(definitions: Definitions) -> None:
    health = make_health(
        frames=970, lost=30, delay_ms=251.0, missing={"R_LM": 0.34, "L_VM": 0.005, "L_X": 0.5}
    )
    model = shown(definitions, health=health)
    by_caption = {r.caption: r for r in model.header}
    lost = by_caption[words.LOST]
    # 30 of 970 + 30 frames that were sent.
    assert (lost.value, lost.unit, lost.care) == ("30", "3.0 %", True)
    assert by_caption[words.DELAY].care
    assert not by_caption[words.RATE].care
    assert by_caption[words.CADENCE].value == "91"
    assert by_caption[words.DISCIPLINE].value == "Road, racing"
    assert by_caption["strokes averaged, last 15"].value == "L 15  R 15"
    assert model.missing == ("L_X 50 %", "right ankle 34 %")


def test_the_header_tells_of_the_session(definitions: Definitions) -> None:
    marks = [make_mark("bar_reach", -3.0, 1), make_mark("saddle_height", 5.0, 2)]
    model = shown(definitions, marks=marks, recording="ride-07", workload_w=211.6, edited_bands=2)
    told = {r.caption: (r.value, r.unit) for r in model.header}
    assert told[words.MARK] == ("saddle up 5 mm", "")
    assert told[words.RECORDING] == ("on", "ride-07")
    assert told[words.WORKLOAD] == ("212", "W")
    assert told["target bands, edited"] == ("Road, racing", "")
    for battery, care in ((0.8, False), (0.1, True)):
        device = DeviceState(stream="s1", battery=battery)
        with_device = {r.caption: r for r in shown(definitions, device=device).header}
        assert with_device[words.BATTERY].value == f"{100 * battery:.0f}"
        assert with_device[words.BATTERY].care == care
    plain = {r.caption: r.value for r in shown(definitions).header}
    assert not {words.WORKLOAD, words.BATTERY} & plain.keys()
    assert (plain[words.MARK], plain[words.RECORDING]) == ("–", "off")
    assert plain["target bands"] == "Road, racing"


@pytest.mark.parametrize(
    ("needed", "told"), [([0, 0], "all hold"), ([0, 4], "+4 to hold"), ([None, 4], "")]
)
def test_strokes_until_all_chosen_rows_hold(
    definitions: Definitions, needed: list[int | None], told: str
) -> None:
    # The row that nobody chose does not count.
    other = make_row("hip_angle", "tdc", "L", 47.0, needed=30)
    rows = [make_row(*KNEE, side, 36.0, needed=n) for side, n in zip("LR", needed, strict=True)]
    model = TableModel(definitions, [KNEE])
    model.apply_snapshot(make_snapshot([*rows, other]), 100.0)
    assert [r.unit for r in model.header if r.caption.startswith(words.STROKES)] == [told]
    by_side = [cell.needed_text for cell in model.rows[0].cells]
    assert by_side == ["" if n is None else "holds" if n == 0 else f"+{n}" for n in needed]


def test_the_change_is_from_the_baseline_or_from_before_the_mark(definitions: Definitions) -> None:
    def cell(**changes: float) -> tuple[str, str]:
        model = TableModel(definitions, [KNEE])
        model.apply_snapshot(
            make_snapshot([make_row(*KNEE, "L", 36.24).model_copy(update=changes)]), 100.0
        )
        left = model.rows[0].cells[0]
        return (left.change_text, left.change_note)

    assert cell() == ("", "")
    assert cell(baseline=39.6) == ("−3.4°", "")
    assert cell(before=35.0) == ("+1.2°", "")
    assert cell(baseline=39.6, before=35.0) == ("−3.4°", "mark +1.2°")
    assert cell(baseline=36.25) == ("0.0°", "")
    pair = ("knee_over_spindle", "forward")
    model = TableModel(definitions, [pair])
    row = make_row(*pair, "R", -9.4, unit="mm", baseline=2.0)
    model.apply_snapshot(make_snapshot([row]), 100.0)
    assert model.rows[0].cells[1].change_text == "−11 mm"


def test_all_windows_show_the_rows_chosen_at_the_node(definitions: Definitions) -> None:
    model = TableModel(definitions, [KNEE])

    def chosen(rows: list[list[str]] | None) -> tuple[tuple[str, str], ...]:
        there = {} if rows is None else {"fitter": rows, "rider": [["knee_flexion", "tdc"]]}
        model.apply_snapshot(make_snapshot([], chosen=there), 100.0)
        return model.chosen

    assert chosen(None) == (KNEE,)
    assert chosen([["hip_angle", "tdc"], list(KNEE)]) == (("hip_angle", "tdc"), KNEE)
    assert model.rider_chosen == (("knee_flexion", "tdc"),)
    # A node with other definitions than ours.
    assert chosen([["wing_angle", "tdc"], ["hip_angle", "bdc"]]) == (("hip_angle", "bdc"),)
    assert chosen([["wing_angle", "tdc"]]) == (KNEE,)
    assert chosen(None) == (KNEE,)


def test_a_selection_stays_with_its_row(definitions: Definitions) -> None:
    model = TableModel(definitions, [KNEE, ("hip_angle", "tdc")])
    assert [row.selected for row in model.rows] == [False, False]
    model.select(7)
    assert [row.selected for row in model.rows] == [False, True]
    rows = [["hip_angle", "tdc"], ["ankle_angle", "bdc"]]
    model.apply_snapshot(make_snapshot([], chosen={"fitter": rows}), 100.0)
    assert (model.selected, [row.selected for row in model.rows]) == (0, [True, False])
    model.apply_snapshot(make_snapshot([], chosen={"fitter": [list(KNEE)]}), 100.0)
    assert model.selected == 0
    model.select(-3)
    assert model.selected == 0


def test_a_notice_goes_by_itself(definitions: Definitions) -> None:
    model = shown(definitions)
    model.notify("Baseline set", 100.1)
    assert model.notice == "Baseline set"
    model.apply_silence(104.2)
    assert model.notice is None


def test_scale_keeps_still_and_starts_anew_with_another_node(definitions: Definitions) -> None:
    model = TableModel(definitions, [KNEE])

    def show(mean: float, node: str = "n1") -> tuple[float, float]:
        row = make_row(*KNEE, "L", mean, band=(30.0, 40.0))
        model.apply_snapshot(make_snapshot([row], node=node), 100.0)
        scale = model.rows[0].scale
        assert scale is not None
        return (scale.low, scale.high)

    assert show(35.0) == (20.0, 50.0)
    assert show(50.1) == (10.0, 60.0)
    assert show(49.0) == (10.0, 60.0)
    assert show(49.0, node="n2") == (20.0, 50.0)
    assert show(500.0, node="n2") == (-10.0, 80.0)


BANDS = st.tuples(st.floats(-200, 200), st.floats(1, 60)).map(lambda b: (b[0], b[0] + b[1]))


@settings(derandomize=True)
@given(BANDS, st.lists(st.floats(-500, 500), max_size=3), st.lists(st.floats(-500, 500)))
def test_scale_always_holds_the_band_and_near_values(
    band: tuple[float, float], first: list[float], then: list[float]
) -> None:
    before = common_scale(band, first, "deg")
    scale = common_scale(band, then, "deg", before)
    assert scale is not None
    assert 0.0 < scale.fraction(band[0]) < scale.fraction(band[1]) < 1.0
    width = band[1] - band[0]
    near = [v for v in then if band[0] - 3.99 * width <= v <= band[1] + 3.99 * width]
    # A value on the edge to within the rounding of one subtraction may fall on either side.
    slack = 1e-9 * width
    assert all(scale.low - slack <= v <= scale.high + slack for v in near)


def test_without_a_band_the_scale_waits_for_a_value() -> None:
    assert common_scale(None, [], "deg") is None
    scale = common_scale(None, [47.0, 49.0], "deg")
    assert scale is not None
    assert (scale.low, scale.high) == (35.0, 65.0)
    assert common_scale(None, [36.0], "deg", scale) is scale
