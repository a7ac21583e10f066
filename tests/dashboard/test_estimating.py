"""The estimate of the next change: keys in, requests out, the node's answer on the sheet."""

from __future__ import annotations

import pytest

from livefit.definitions.models import Definitions
from livefit.view.asking import Ask, SheetView
from livefit.view.estimate_table import EstimateTable
from livefit.view.hands import Hands
from livefit.view.table import TableModel
from tests.dashboard.dashboard_examples import MEANS, make_row, make_rows, make_snapshot
from tests.dashboard.estimate_examples import (
    CAUTIONS,
    make_conflict,
    make_estimate,
    make_way,
)

SADDLE = Ask("predict", {"changes": {"saddle_height": 5.0}})


@pytest.fixture
def model(definitions: Definitions) -> TableModel:
    """A table of the invented rider."""
    model = TableModel(definitions)
    model.apply_snapshot(make_snapshot(make_rows(definitions)), 100.0)
    return model


def typed(hands: Hands, keys: str) -> list[object]:
    done = [hands.press(key) for key in keys.split()]
    return [what for what in done if what is not None]


def view(hands: Hands) -> SheetView:
    assert hands.sheet is not None
    return hands.sheet.view


def table(hands: Hands) -> EstimateTable:
    estimate = view(hands).estimate
    assert estimate is not None
    return estimate


@pytest.mark.parametrize(
    ("keys", "changes"),
    [
        ("N 1 3", {"saddle_height": 5.0}),
        ("N 1 5", {"saddle_height": -2.0}),
        ("N Down Enter Down Enter", {"bar_reach": -3.0}),
        ("N @0,2 @1,1", {"saddle_tilt": -1.0}),
        # The bar may be marked by 10 mm at once, but never is as much advised.
        ("N 5 3 2", {"bar_height": 5.0}),
    ],
)
def test_a_change_is_asked_about(model: TableModel, keys: str, changes: dict[str, float]) -> None:
    assert typed(Hands(model), keys) == [Ask("predict", {"changes": changes})]


def test_now_then_interval_verdict_and_who_speaks_stand_in_each_row(
    model: TableModel, definitions: Definitions
) -> None:
    hands = Hands(model)
    assert typed(hands, "N 1 3") == [SADDLE]
    assert table(hands).sentences == ("The node is working it out.",)
    hands.hear(SADDLE, make_estimate(definitions, {"saddle_height": 5.0}), None)
    assert view(hands).title == "Estimate: saddle up 5 mm"
    assert view(hands).lead == "Not measured. Said by this rider, from 1 adjustment."
    rows = table(hands).rows
    assert [(row.short, row.event_short) for row in rows[:2]] == [
        ("knee", "bottom"), ("knee", "largest"),
    ]  # fmt: skip
    left, right = rows[0].sides
    assert (left.now, left.then, left.half) == ("36°", "34.7°", "±0.8")
    # The shipped band for road racing is 30 to 40: 33.9 to 35.5 lies inside, 39.5 to 41.1 does not.
    assert (left.verdict.key, right.verdict.key) == ("within", "unsure")
    assert [row.said_by for row in rows] == ["this rider"] * 2 + ["published"] * (len(MEANS) - 2)
    assert rows[5].sides[0].half == "±0.8"
    assert rows[2].sides[0].verdict.word == "no band"
    assert table(hands).cautions == tuple(CAUTIONS)


def test_what_cannot_be_said_is_told_in_words(model: TableModel, definitions: Definitions) -> None:
    hands = Hands(model)
    typed(hands, "N 1 3")
    answer = make_estimate(definitions, {"saddle_height": 5.0})
    for row in answer["rows"]:
        row |= {"by": None, "low": None, "high": None}
    answer["short"] = [{"side": "L", "limb": "leg", "by": 12.4, "crank_deg": 170.0}]
    answer["not_predicted"] = ["what saddle tilt does is not predicted"]
    hands.hear(SADDLE, answer, None)
    assert table(hands).sentences == (
        "The left leg would be too short: at crank 170° it lacks 12 mm.",
        "What saddle tilt does is not predicted.",
    )
    assert table(hands).rows[0].said_by == "cannot be said"
    assert table(hands).rows[0].sides[0].then == ""


def test_a_refusal_stands_on_the_sheet_and_another_change_may_be_asked_for(
    model: TableModel,
) -> None:
    hands = Hands(model)
    typed(hands, "N 1 3")
    hands.hear(SADDLE, {}, "nothing can be predicted before the first whole stroke of this trial")
    assert table(hands).sentences == (
        "No estimate: nothing can be predicted before the first whole stroke of this trial",
    )
    assert typed(hands, "N 1 3") == [SADDLE]
    hands.hear(SADDLE, {"rows": "none"}, None)
    assert table(hands).sentences[0].startswith("No estimate: ")


def test_an_answer_that_nobody_waits_for_any_more_is_dropped(
    model: TableModel, definitions: Definitions
) -> None:
    hands = Hands(model)
    typed(hands, "N 1 3 Esc")
    assert view(hands).title == "Saddle height: estimate of how far, which way?"
    hands.hear(SADDLE, make_estimate(definitions, {"saddle_height": 5.0}), None)
    assert view(hands).estimate is None
    typed(hands, "2")
    hands.hear(SADDLE, make_estimate(definitions, {"saddle_height": 5.0}), None)
    assert table(hands).rows == ()
    typed(hands, "Esc Esc Esc")
    assert hands.sheet is None


def test_rows_with_a_band_and_a_number_are_to_be_brought_inside(
    model: TableModel, definitions: Definitions
) -> None:
    hands = Hands(model)
    # Neither hip nor ankle has a band.
    wanted = [list(pair) for pair in MEANS if pair[0] not in ("hip_angle", "ankle_angle")]
    asked = Ask("into_bands", {"rows": wanted})
    assert typed(hands, "N I") == [asked]
    hands.hear(asked, make_way(definitions), None)
    assert view(hands).lead.startswith("First step: saddle up 5 mm.")
    assert table(hands).sentences[0].startswith("First step: saddle height 5 mm up.")
    first = table(hands).rows[0].sides[0].then
    typed(hands, "Tab")
    assert view(hands).lead.startswith("Together: saddle up 12 mm, bar down 3 mm.")
    assert (first, table(hands).rows[0].sides[0].then) == ("34.7°", "32.2°")
    assert table(hands).cautions == tuple(CAUTIONS)
    typed(hands, "Tab")
    assert table(hands).rows[0].sides[0].then == first
    # And from an estimate.
    typed(hands, "N 1 3")
    assert typed(hands, "I") == [asked]
    hands.hear(asked, make_conflict(), None)
    assert table(hands).sentences[0].startswith("None of the permitted changes")
    assert table(hands).rows == ()
    assert table(hands).cautions == tuple(CAUTIONS)


def test_without_any_band_nothing_is_asked(definitions: Definitions) -> None:
    model = TableModel(definitions, [("hip_angle", "tdc"), ("cadence", "mean")])
    rows = [
        make_row("hip_angle", "tdc", "L", 47.3),
        make_row("cadence", "mean", "R", 90.0, unit="rpm", band=(80.0, 95.0)),
    ]
    model.apply_snapshot(make_snapshot(rows), 100.0)
    hands = Hands(model)
    assert typed(hands, "N I") == []
    assert table(hands).sentences[0].startswith("No row of the table has both")
