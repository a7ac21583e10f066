"""Marks that say something wrong, put right by key."""

from __future__ import annotations

import pytest

from livefit.definitions.models import Definitions
from livefit.view.asking import Ask, Cell
from livefit.view.hands import Hands
from livefit.view.table import TableModel
from tests.dashboard.dashboard_examples import make_mark, make_rows, make_snapshot

MARKS = [
    make_mark("saddle_height", 5.0, 4),
    make_mark("unknown", 0.0, 5),
    make_mark("bar_reach", -3.0, 7).model_copy(update={"note": "new stem"}),
]


@pytest.fixture
def hands(definitions: Definitions) -> Hands:
    model = TableModel(definitions)
    model.apply_snapshot(make_snapshot(make_rows(definitions), marks=MARKS), 100.0)
    return Hands(model)


def typed(hands: Hands, keys: str) -> list[object]:
    done = [hands.press(key) for key in keys.split()]
    return [what for what in done if what is not None]


def cells(hands: Hands) -> list[Cell]:
    assert hands.sheet is not None
    return [cell for row in hands.sheet.view.rows for cell in row if cell is not None]


def test_the_latest_marks_stand_first_with_their_notes(hands: Hands) -> None:
    typed(hands, "A")
    assert [(c.key, c.text) for c in cells(hands)] == [
        ("1", "reach shorter 3 mm: new stem"), ("2", "unknown change"), ("3", "saddle up 5 mm"),
    ]  # fmt: skip
    typed(hands, "3")
    assert hands.sheet is not None
    assert hands.sheet.view.title == "Mark 4: saddle up 5 mm"
    assert [c.text for c in cells(hands) if "now" in c.marks] == ["up 5 mm"]


@pytest.mark.parametrize(
    ("keys", "args"),
    [
        ("A 3 2", {"number": 4, "part": "saddle_height", "amount": 3.0}),
        ("A 3 7", {"number": 4, "part": "saddle_height", "amount": -5.0}),
        ("A Down Down Enter Down Enter", {"number": 4, "part": "saddle_height", "amount": -2.0}),
        ("A @0,0 @1,2", {"number": 7, "part": "bar_reach", "amount": -10.0}),
        ("A 1 P 5 6", {"number": 7, "part": "bar_height", "amount": -5.0}),
        # Of a change that nobody could name the part comes first.
        ("A 2 P 1 1", {"number": 5, "part": "saddle_height", "amount": 2.0}),
        ("A 1 Esc 3 1", {"number": 4, "part": "saddle_height", "amount": 2.0}),
        ("A 1 P 5 Esc Esc 1", {"number": 7, "part": "bar_reach", "amount": 3.0}),
        ("A 1 N Space 2 Enter", {"number": 7, "note": "new stem 2"}),
        ("A 3 N Enter", {"number": 4, "note": ""}),
    ],
)
def test_amount_way_part_and_note_are_put_right(
    hands: Hands, keys: str, args: dict[str, object]
) -> None:
    assert typed(hands, keys) == [Ask("edit_mark", args)]
    assert hands.sheet is None


def test_a_note_is_taken_away_and_only_the_latest_mark_taken_back(hands: Hands) -> None:
    erased = "Backspace " * len("new stem")
    assert typed(hands, f"A 1 N {erased} Enter") == [Ask("edit_mark", {"number": 7, "note": ""})]
    assert typed(hands, "A 1 X") == [Ask("unmark")]
    assert typed(hands, "A 3 X") == []
    typed(hands, "Esc Esc")
    assert hands.sheet is None


def test_without_marks_the_sheet_leads_to_marking(definitions: Definitions) -> None:
    hands = Hands(TableModel(definitions))
    assert typed(hands, "A M 1 3") == [Ask("mark", {"part": "saddle_height", "amount": 5.0})]
