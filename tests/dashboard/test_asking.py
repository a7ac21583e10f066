"""Keys in, requests out: what a fitter does, without a screen."""

from __future__ import annotations

import pytest

from livefit.definitions.models import Definitions
from livefit.view import ask_words
from livefit.view.asking import Ask, Cell, SheetView
from livefit.view.hands import ACTIONS, COMMANDS, Hands
from livefit.view.table import TableModel
from livefit.view.told import done_words, refused_words
from tests.dashboard.change_examples import make_changes, make_offer
from tests.dashboard.dashboard_examples import make_row, make_rows, make_snapshot

KNEE = ("knee_flexion", "bdc")


@pytest.fixture
def model(definitions: Definitions) -> TableModel:
    """A table of the invented rider, first row selected."""
    model = TableModel(definitions)
    model.apply_snapshot(make_snapshot(make_rows(definitions)), 100.0)
    model.select(0)
    return model


def typed(hands: Hands, keys: str) -> list[object]:
    """What comes out of keys, apart from nothing."""
    done = [hands.press(key) for key in keys.split()]
    return [what for what in done if what is not None]


def view(hands: Hands) -> SheetView:
    assert hands.sheet is not None
    return hands.sheet.view


def cells(hands: Hands) -> list[Cell]:
    return [cell for row in view(hands).rows for cell in row if cell is not None]


@pytest.mark.parametrize(
    ("keys", "part", "amount"),
    # Ways and steps as configs/adjustments.toml gives them: 1 to 4 more, 5 to 8 less.
    [
        ("M 1 3", "saddle_height", 5.0),
        ("M 1 5", "saddle_height", -2.0),
        ("M 3 1", "saddle_tilt", 0.5),
        ("M 9 6", "crank_length", -5.0),
        ("M C 1", "cleat_wedge", 0.5),
        ("M 2 Esc 4 2", "bar_reach", 5.0),
        ("M 2 Backspace 4 2", "bar_reach", 5.0),
        ("M 1 4 8 3", "saddle_height", 5.0),
        ("M Right Down Enter Down Right Enter", "bar_height", -5.0),
        ("M @2,1 @0,2", "cleat_rotation", 3.0),
    ],
)
def test_an_adjustment_is_marked(model: TableModel, keys: str, part: str, amount: float) -> None:
    hands = Hands(model)
    assert typed(hands, keys) == [Ask("mark", {"part": part, "amount": amount})]
    assert hands.sheet is None


def test_the_sheet_says_what_a_digit_means(model: TableModel) -> None:
    hands = Hands(model)
    typed(hands, "M")
    assert [(c.key, c.text) for c in cells(hands)][:2] == [
        ("1", "Saddle height"),
        ("2", "Saddle setback"),
    ]
    typed(hands, "6")
    assert [(c.key, c.text) for c in cells(hands)] == [
        ("1", "forward 1 mm"), ("2", "forward 2 mm"), ("3", "forward 3 mm"),
        ("5", "back 1 mm"), ("6", "back 2 mm"), ("7", "back 3 mm"), ("N", "with a note"),
    ]  # fmt: skip
    assert typed(hands, "Esc Esc") == []
    assert hands.sheet is None


@pytest.mark.parametrize(
    ("key", "op"),
    [("Z", "unmark"), ("Ctrl+Z", "unmark"), ("B", "set_baseline"), ("C", "clear_baseline"),
     ("R", "restart_window")],
)  # fmt: skip
def test_one_key_requests(model: TableModel, key: str, op: str) -> None:
    assert typed(Hands(model), key) == [Ask(op)]


@pytest.mark.parametrize(
    ("keys", "span"),
    [("W 1", {"strokes": 5.0}), ("W 5", {"strokes": 30.0}), ("W 6", {"seconds": 30.0}),
     ("W Right Enter", {"strokes": 10.0})],
)  # fmt: skip
def test_the_window_is_set(model: TableModel, keys: str, span: dict[str, float]) -> None:
    assert typed(Hands(model), keys) == [Ask("set_window", span)]


def test_what_holds_now_is_marked(model: TableModel, definitions: Definitions) -> None:
    hands = Hands(model)
    typed(hands, "W")
    assert [c.text for c in cells(hands) if "now" in c.marks] == ["15 strokes"]
    typed(hands, "Esc D")
    assert [c.text for c in cells(hands) if "now" in c.marks] == ["Road, racing"]
    first = definitions.disciplines[0].name
    assert typed(hands, "1") == [Ask("set_discipline", {"name": first})]


def test_rows_are_chosen_for_the_table_and_for_the_rider(model: TableModel) -> None:
    hands = Hands(model)
    before = [list(pair) for pair in model.chosen]
    assert before[0] == list(KNEE)
    # The cursor begins on the first row: out of the table, then left of it and in.
    assert typed(hands, "P Enter") == [Ask("choose", {"screen": "fitter", "rows": before[1:]})]
    rows = [*before[1:], ["knee_flexion", "forward"]]
    assert typed(hands, "Left Enter") == [Ask("choose", {"screen": "fitter", "rows": rows})]
    # The rider sees the knee at the bottom while nothing is chosen.
    rider = [list(KNEE), ["knee_flexion", "forward"]]
    assert typed(hands, "R") == [Ask("choose", {"screen": "rider", "rows": rider})]
    marks = {cell.press: cell.marks for cell in cells(hands) if cell.marks}
    assert [marks[c.press] for c in cells(hands) if c.here] == [("fitter", "rider")]
    typed(hands, "Esc")
    assert hands.sheet is None


def sent(model: TableModel, asked: list[object], chosen: dict[str, list[list[str]]]) -> None:
    """The node takes what is asked, and its snapshot comes to a window's model."""
    for ask in asked:
        assert isinstance(ask, Ask)
        chosen[ask.args["screen"]] = ask.args["rows"]
    rows = make_rows(model.definitions)
    model.apply_snapshot(make_snapshot(rows, chosen=dict(chosen)), 100.0)


def test_a_choice_goes_on_from_the_one_that_is_on_its_way(model: TableModel) -> None:
    hands = Hands(model)
    before = [list(pair) for pair in model.chosen]
    chosen: dict[str, list[list[str]]] = {}
    first = typed(hands, "P Enter Esc")
    # Opened again before any snapshot tells of the first choice.
    assert first == [Ask("choose", {"screen": "fitter", "rows": before[1:]})]
    second = typed(hands, "P Enter")
    assert second == [Ask("choose", {"screen": "fitter", "rows": before[2:]})]
    sent(model, first, chosen)
    assert typed(hands, "Esc P Enter") == [Ask("choose", {"screen": "fitter", "rows": before[3:]})]


def test_what_two_windows_choose_in_turn_adds_up(
    model: TableModel, definitions: Definitions
) -> None:
    other = TableModel(definitions)
    chosen: dict[str, list[list[str]]] = {}
    sent(other, [], chosen)
    here, there = Hands(model), Hands(other)
    before = [list(pair) for pair in model.chosen]
    assert typed(here, "P") == typed(there, "P") == []
    asked = typed(here, "Enter")
    for each in (model, other):
        sent(each, asked, chosen)
    # The sheet that was open all the while shows what the other one chose, and goes on from it.
    assert [c.press for c in cells(there) if c.marks] == [c.press for c in cells(here) if c.marks]
    asked = typed(there, "Left Enter R")
    rows = [*before[1:], ["knee_flexion", "forward"]]
    assert asked[0] == Ask("choose", {"screen": "fitter", "rows": rows})
    for each in (model, other):
        sent(each, asked, chosen)
    assert {c.press: c.marks for c in cells(here)} == {c.press: c.marks for c in cells(there)}
    assert typed(here, "Enter") == [Ask("choose", {"screen": "fitter", "rows": [*rows, before[0]]})]


def test_a_choice_that_was_refused_is_forgotten(model: TableModel) -> None:
    hands = Hands(model)
    before = [list(pair) for pair in model.chosen]
    (asked,) = typed(hands, "P Enter")
    assert isinstance(asked, Ask)
    hands.hear(asked, {}, "no answer")
    assert [c.marks for c in cells(hands) if c.here] == [("fitter", "rider")]
    assert typed(hands, "Enter") == [Ask("choose", {"screen": "fitter", "rows": before[1:]})]


def test_a_click_moves_the_cursor_and_a_second_chooses(model: TableModel) -> None:
    hands = Hands(model)
    typed(hands, "P")
    sheet = view(hands)
    row = sheet.row_titles.index("Hip angle, trunk to thigh")
    column = sheet.heads.index("bottom")
    click = f"@{row},{column}"
    assert typed(hands, click) == []
    (ask,) = typed(hands, click)
    assert isinstance(ask, Ask)
    assert ask.args["rows"][-1] == ["hip_angle", "bdc"]


def test_the_cursor_stays_on_what_is_taken(model: TableModel) -> None:
    hands = Hands(model)
    typed(hands, "P " + "Down " * 40 + "Right " * 10)
    (here,) = [c for c in cells(hands) if c.here]
    row, column = here.press[1:].split(",")
    sheet = view(hands)
    assert (sheet.row_titles[int(row)], sheet.heads[int(column)]) == ("Cadence", "mean")


def test_too_many_and_too_few_rows_are_refused_at_once(definitions: Definitions) -> None:
    model = TableModel(definitions, [KNEE])
    hands = Hands(model)
    assert typed(hands, "P Enter") == []
    assert view(hands).lead == ask_words.LAST_ROW
    assert typed(hands, "R") == []
    assert view(hands).lead == ask_words.LAST_ROW
    sent = typed(hands, "Right R Right R Right R")
    assert len(sent) == 2
    assert view(hands).lead == "The rider sees 3 at most: take one out first"
    sent = typed(hands, "Down " + "Left Enter " * 9 + "Down " + "Right Enter " * 9)
    assert isinstance(sent[-1], Ask)
    assert len(sent[-1].args["rows"]) == 12
    assert view(hands).lead.startswith("The table holds 12 rows")


@pytest.mark.parametrize(
    ("keys", "low", "high"),
    # The shipped band of the knee at the bottom for road racing: 30 to 40.
    [
        ("E Enter", 30.0, 40.0),
        ("E Up Up Enter", 32.0, 40.0),
        ("E Left Tab Right Right Down Enter", 29.0, 41.0),
        ("E Tab Tab Down Enter", 29.0, 40.0),
        ("E @1,2 @1,2 @0,0 Enter", 29.0, 42.0),
        ("E " + "Up " * 30 + "Enter", 39.0, 40.0),
        ("E Tab " + "Down " * 30 + "Enter", 30.0, 31.0),
    ],
)
def test_a_band_is_edited(model: TableModel, keys: str, low: float, high: float) -> None:
    band = {"measure": "knee_flexion", "event": "bdc", "low": low, "high": high}
    assert typed(Hands(model), keys) == [Ask("set_band", band)]


def test_bands_are_reset_and_left_alone(model: TableModel) -> None:
    hands = Hands(model)
    assert typed(hands, "E Backspace") == [Ask("reset_bands")]
    assert typed(hands, "E Up Esc") == []
    assert hands.sheet is None


def test_a_row_without_a_band_begins_round_its_mean(definitions: Definitions) -> None:
    model = TableModel(definitions, [("hip_angle", "tdc")])
    hands = Hands(model)
    assert typed(hands, "E") == []
    assert hands.sheet is None
    row = make_row("hip_angle", "tdc", "L", 47.3)
    model.apply_snapshot(make_snapshot([row]), 100.0)
    model.select(0)
    (ask,) = typed(hands, "E Enter")
    assert isinstance(ask, Ask)
    assert (ask.args["low"], ask.args["high"]) == (42.0, 52.0)


def test_rows_are_selected(model: TableModel) -> None:
    hands = Hands(model)
    typed(hands, "Down Down Up")
    assert model.selected == 1
    typed(hands, "Up Up Up")
    assert model.selected == 0


def test_a_question_takes_all_keys_but_those_with_control(model: TableModel) -> None:
    hands = Hands(model)
    assert typed(hands, "M B Q Z H") == []
    assert not hands.help_shown
    assert typed(hands, "Ctrl+Q") == ["quit"]
    # A click on another action puts the question away.
    assert hands.tap("B") == Ask("set_baseline")
    assert hands.sheet is None


def test_help_comes_and_goes(model: TableModel) -> None:
    hands = Hands(model)
    shown = []
    for key in ("H", "H", "F1", "Esc", "H", "M"):
        hands.press(key)
        shown.append(hands.help_shown)
    assert shown == [True, False, True, False, True, False]
    assert hands.sheet is not None


def test_no_key_means_two_things_and_every_action_does_one(model: TableModel) -> None:
    keys = [key for action in ACTIONS for key in (action.key, *action.other)]
    assert len(keys) == len(set(keys))
    done = set()
    model.apply_changes(make_changes([], offers=[make_offer()]))
    for action in ACTIONS:
        hands = Hands(model)
        what = hands.tap(action.key)
        assert what is not None or hands.sheet is not None or hands.help_shown
        done.add(what if isinstance(what, str) else None)
    assert done - {None} == set(COMMANDS)


def test_what_came_of_a_request_is_said(definitions: Definitions) -> None:
    mark = Ask("mark", {"part": "saddle_setback", "amount": -3.0})
    assert done_words(mark, definitions) == "Marked: setback forward 3 mm"
    assert done_words(Ask("set_window", {"seconds": 30.0}), definitions) == "Averages over 30 s"
    racing = Ask("set_discipline", {"name": "road_race"})
    assert done_words(racing, definitions) == "Target bands: Road, racing"
    assert done_words(Ask("unmark"), definitions) == "Mark taken back"
    said = refused_words(Ask("unmark"), "there is no mark")
    assert said == "Take the mark back refused: there is no mark"
