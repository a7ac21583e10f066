"""What the fitter sees of changes, offers and notes, and the requests that come of them."""

from __future__ import annotations

import numpy as np
import pytest
from rich.console import Console

from livefit.definitions.models import Definitions
from livefit.terminal.watch import render
from livefit.view.asking import Ask
from livefit.view.chart_words import mark_words
from livefit.view.hands import Hands
from livefit.view.history import History
from livefit.view.rows import Cell
from livefit.view.table import TableModel
from livefit.view.told import done_words
from livefit.wire.change_messages import ChangeRow
from livefit.wire.messages import Mark, PartMoved, Stroke
from tests.dashboard.change_examples import make_against, make_change, make_changes, make_offer
from tests.dashboard.dashboard_examples import make_mark, make_rows, make_snapshot

KNEE = ("knee_flexion", "bdc")


@pytest.fixture
def model(definitions: Definitions) -> TableModel:
    """A table with a mark 2 degrees ago; first row selected."""
    model = TableModel(definitions)
    rows = [row.model_copy(update={"before": (row.mean or 0.0) + 2.0})
            for row in make_rows(definitions)]  # fmt: skip
    moved = [
        PartMoved(part="saddle_height", unit="mm", mark=4.8, mark_half=0.6,
                  baseline=None, baseline_half=None),
        PartMoved(part="saddle_setback", unit="mm", mark=0.3, mark_half=0.6,
                  baseline=None, baseline_half=None),
    ]  # fmt: skip
    model.apply_snapshot(make_snapshot(rows, marks=[make_mark()], moved=moved), 100.0)
    model.apply_silence(100.0)
    model.select(0)
    return model


def left(model: TableModel) -> Cell:
    return model.rows[0].cells[0]


def detail(model: TableModel) -> str | None:
    """What the message above the figure says."""
    return None if model.message is None else model.message.detail


def typed(hands: Hands, keys: str) -> list[object]:
    done = [hands.press(key) for key in keys.split()]
    return [what for what in done if what is not None]


def test_a_change_is_shown_with_its_interval_or_as_chance(model: TableModel) -> None:
    assert (left(model).change_text, left(model).change_note) == ("−2.0°", "")
    assert left(model).change_told
    told = make_change(*KNEE, "L", mark=make_against(-3.1, 0.84))
    model.apply_changes(make_changes([told]))
    assert (left(model).change_text, left(model).change_note) == ("−3.1°", "±0.8°")
    hidden = make_change(*KNEE, "L", mark=make_against(-0.6, 0.84, "hidden"))
    model.apply_changes(make_changes([hidden]))
    assert (left(model).change_text, left(model).change_note) == ("−0.6°", "chance?")
    assert not left(model).change_told
    assert model.rows[0].cells[1].change_text == "−2.0°"


def test_the_selected_row_is_put_into_words(model: TableModel) -> None:
    assert detail(model) is None
    told = make_change(*KNEE, "L", mark=make_against(-3.1, 0.84))
    model.apply_changes(make_changes([told]))
    assert detail(model) == "The left knee is 2 to 4 degrees straighter."
    sure = make_change(*KNEE, "R", mark=make_against(-0.6, 0.84, "hidden", smallest=1.24))
    model.apply_changes(make_changes([sure]))
    assert detail(model) == "Right side: no sure change, under 1.2°."
    model.select(1)
    assert detail(model) is None


def test_markers_put_on_anew_have_a_sentence_of_their_own(model: TableModel) -> None:
    for anew, markers, sentence in (
        ([2.94, 3.31], "stayed", " Markers anew: under 3.3°."),
        ([2.94, None], "stayed", " Markers anew: under 2.9°."),
        ([None, None], "stayed", ""),
        ([2.94, 3.31], "anew", " Markers anew: counted."),
        ([None, None], "anew", " Markers anew: not counted."),
    ):
        rows = [
            make_change(*KNEE, side, mark=make_against(-0.6, 0.84, "hidden", smallest=1.24,
                                                       markers=markers, anew_smallest=smallest))
            for side, smallest in zip("LR", anew, strict=True)
        ]  # fmt: skip
        model.apply_changes(make_changes(rows))
        sides = "Left side: no sure change, under 1.2°. Right side: no sure change, under 1.2°."
        assert detail(model) == sides + sentence


def test_cadence_and_workload_that_differ_are_told_whatever_else_is_said(
    model: TableModel,
) -> None:
    def load(name: str, side: str, by: float, verdict: str = "told", **against: str) -> ChangeRow:
        unit = "W" if name == "workload" else "rpm"
        which = against.get("since", "mark")
        told = {which: make_against(by, 0.5, verdict)}
        return make_change(name, "mean", side, unit=unit, **told)

    model.apply_changes(make_changes([], loads=[load("cadence", "L", 9), load("cadence", "R", 4)]))
    assert model.loads == "Cadence 4 rpm higher than before: not allowed for"
    model.apply_changes(
        make_changes([], loads=[load("cadence", "R", -3.6), load("workload", "B", 12)])
    )
    assert model.loads == ("Cadence 4 rpm lower, workload 12 W higher than before: not allowed for")
    # With a baseline the table's changes are from it, and so is this.
    both = load("cadence", "R", 4).model_copy(update={"baseline": make_against(-6, 0.5)})
    model.apply_changes(make_changes([], loads=[both]))
    assert model.loads == "Cadence 6 rpm lower than before: not allowed for"
    for nothing in ([], [load("cadence", "R", 4, "hidden")], [load("cadence", "R", 0.3)]):
        model.apply_changes(make_changes([], loads=nothing))
        assert model.loads == ""


def test_an_offer_is_taken_or_dropped_by_key(model: TableModel) -> None:
    hands = Hands(model)
    assert typed(hands, "O") == []
    assert hands.sheet is None
    model.apply_changes(make_changes([], offers=[make_offer()]))
    assert "upper body is suddenly 1 to 3 degrees lower" in (detail(model) or "")
    args = {"number": 3, "part": "saddle_height", "amount": 5.0}
    assert typed(hands, "O 1 3") == [Ask("take_offer", args)]
    assert typed(hands, "O 1 9") == [Ask("take_offer", args | {"amount": "measured"})]
    assert typed(hands, "O 0") == [Ask("take_offer", {"number": 3})]
    assert typed(hands, "O X") == [Ask("drop_offer", {"number": 3})]
    assert typed(hands, "O 1 Esc X") == [Ask("drop_offer", {"number": 3})]
    assert hands.sheet is None


def test_a_note_is_typed_after_the_amount(model: TableModel) -> None:
    hands = Hands(model)
    assert typed(hands, "M 1 N 3") == []
    before = hands.typing
    assert typed(hands, "S e a t s Backspace Space 2 Enter") == [
        Ask("mark", {"part": "saddle_height", "amount": 5.0, "note": "Seat 2"})
    ]
    assert (before, hands.typing) == (True, False)
    assert typed(hands, "M 1 N 3 Enter") == [Ask("mark", {"part": "saddle_height", "amount": 5.0})]
    assert typed(hands, "M 1 N 3 x Esc") == []


def test_what_markers_on_the_bicycle_show_is_offered_as_the_amount(
    model: TableModel, definitions: Definitions
) -> None:
    hands = Hands(model)
    typed(hands, "M 1")
    assert hands.sheet is not None
    texts = [c.text for row in hands.sheet.view.rows for c in row if c is not None]
    assert "measured: up 4.8 mm" in texts
    ask = Ask("mark", {"part": "saddle_height", "amount": "measured"})
    assert typed(hands, "9") == [ask]
    assert done_words(ask, definitions) == "Marked: saddle, measured"
    typed(hands, "M 2")
    assert typed(hands, "9") == []
    [shown] = [r for r in model.header if r.caption == "since mark +4.8 ±0.6"]
    assert shown.value == "saddle up 5 mm"


def test_what_was_measured_says_since_when(model: TableModel) -> None:
    """Of two marks of 5 mm the baseline is 10 mm away."""
    marks = [make_mark(), make_mark().model_copy(update={"number": 2})]
    moved = [PartMoved(part="saddle_height", unit="mm", mark=0.0, mark_half=0.6,
                       baseline=10.0, baseline_half=0.6)]  # fmt: skip
    model.apply_snapshot(make_snapshot([], marks=marks, moved=moved), 100.0)
    [shown] = [r for r in model.header if r.value == "saddle up 5 mm"]
    assert shown.caption == "baseline +10.0 ±0.6"


def test_a_window_that_is_too_short_says_so(definitions: Definitions) -> None:
    model = TableModel(definitions)
    rows = [row.model_copy(update={"too_short": True}) for row in make_rows(definitions)]
    model.apply_snapshot(make_snapshot(rows), 100.0)
    assert model.rows[0].cells[0].needed_text == "short"
    assert "short" in {readout.unit for readout in model.header}


def test_the_terminal_shows_the_same_change(model: TableModel) -> None:
    told = make_change(*KNEE, "L", mark=make_against(-3.1, 0.84))
    model.apply_changes(make_changes([told]))
    console = Console(width=200)
    with console.capture() as shown:
        console.print(render(model))
    assert f"{left(model).change_text} {left(model).change_note}" in shown.get()


def test_a_mark_made_of_an_offer_takes_the_strokes_since(definitions: Definitions) -> None:
    history = History()
    history.watch([KNEE])
    for number in range(6):
        history.take(
            Stroke(node="n", side="L", event="bdc", measures=["knee_flexion"], stroke=number,
                   t=float(number), marks=0, values=[30.0])
        )  # fmt: skip
    version = history.version(*KNEE)
    history.remark(1, 3.0)
    assert np.array_equal(history.track(*KNEE, "L")["mark"], [0, 0, 0, 1, 1, 1])
    assert history.version(*KNEE) > version
    unknown = Mark(number=1, t=3.0, part="unknown", amount=0.0)
    assert mark_words(unknown, definitions.adjustments) == "unknown change"
