"""Marks, baselines, bands and choices: what they change in the numbers, and how they are undone."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from livefit.node.processing import Processing
from livefit.node.requests import answer
from livefit.wire.messages import Mark
from tests.node.streams import (
    Played,
    block,
    description,
    messages,
    play,
    played,
    processing,
    row,
    shipped,
)

KNEE = ("knee_flexion", "R", "bdc")
PAIR = ["knee_flexion", "bdc"]


def ask(ride: Played, op: str, **args: Any) -> dict[str, Any]:
    return answer(ride.node, op, args, ride.now)


@pytest.fixture(scope="module")
def ridden() -> Played:
    """A node after a whole ride; not to be changed."""
    return played()


def half_ridden() -> tuple[Processing, Played, list[Any]]:
    """A node in the middle of a ride, and the rest of it."""
    node = processing()
    node.describe(description())
    sent = messages(block())
    half = len(sent) // 2
    return node, Played(node, play(node, sent[:half])), sent[half:]


def strokes_of(node: Processing) -> list[tuple[int, int]]:
    """Stroke numbers and marks of the right knee at the bottom."""
    [found] = [
        r for r in node.trials.history.rows([("knee_flexion", "bdc")], 100) if r["side"] == "R"
    ]
    return list(zip(found["strokes"], found["marks"], strict=True))


def test_a_mark_begins_the_averages_anew_and_keeps_what_was_before() -> None:
    node, ride, rest = half_ridden()
    was = row(ride.snapshot(), *KNEE)
    made = ask(ride, "mark", part="saddle_height", amount=-5, note="seat post slid")
    assert made == {
        "number": 1, "t": ride.snapshot().t, "part": "saddle_height", "amount": -5.0,
        "note": "seat post slid",
    }  # fmt: skip
    marked = ride.snapshot()
    assert marked.marks == [Mark(**made)]
    now = row(marked, *KNEE)
    assert (now.n, now.mean, now.before, now.baseline) == (0, None, was.mean, None)
    after = Played(node, play(node, rest))
    assert 0 < row(after.snapshot(), *KNEE).n < was.n + 8
    assert row(after.snapshot(), *KNEE).before == was.mean


def test_strokes_under_way_at_a_mark_belong_to_what_was_before() -> None:
    """The truth: a stroke belongs to the mark if its own top dead centre came after it."""
    node, ride, rest = half_ridden()
    marked_at = ride.snapshot().t
    assert marked_at is not None
    ask(ride, "mark", part="saddle_height", amount=5)
    after = Played(node, play(node, rest))
    ask(after, "set_window", strokes=50)
    [tops] = [
        r for r in node.trials.history.rows([("knee_flexion", "tdc")], 100) if r["side"] == "R"
    ]
    began = dict(zip(tops["strokes"], tops["t"], strict=True))
    found = strokes_of(node)
    assert {marks for _, marks in found} == {0, 1}
    for stroke, marks in found:
        assert marks == (began.get(stroke, 0.0) > marked_at), stroke
    counted = sum(marks for _, marks in found)
    quick = row(after.snapshot(), *KNEE).n - counted
    assert quick in (0, 1)


def test_a_mark_taken_back_leaves_the_averages_as_if_it_had_never_been(ridden: Played) -> None:
    node, ride, rest = half_ridden()
    ask(ride, "mark", part="saddle_height", amount=5)
    after = Played(node, play(node, rest))
    assert ask(after, "unmark")["number"] == 1
    snapshot, undisturbed = after.snapshot(), ridden.snapshot()
    assert snapshot.marks == []
    assert [(r.measure, r.side, r.event, r.n) for r in snapshot.rows] == [
        (r.measure, r.side, r.event, r.n) for r in undisturbed.rows
    ]
    for ours, theirs in zip(snapshot.rows, undisturbed.rows, strict=True):
        assert ours.mean == pytest.approx(theirs.mean, abs=1e-9)
        assert ours.before is None
    assert {marks for _, marks in strokes_of(node)} == {0}


def test_marks_are_numbered_and_no_number_comes_twice() -> None:
    ride = played()
    ask(ride, "mark", part="saddle_height", amount=5)
    ask(ride, "mark", part="saddle_setback", amount=-3)
    ask(ride, "unmark")
    ask(ride, "mark", part="saddle_tilt", amount=1)
    assert [(m.number, m.part) for m in ride.snapshot().marks] == [
        (1, "saddle_height"), (3, "saddle_tilt"),
    ]  # fmt: skip
    ask(ride, "unmark")
    ask(ride, "unmark")
    with pytest.raises(ValueError, match="there is no mark to take back"):
        ask(ride, "unmark")


def test_a_mark_before_and_across_streams() -> None:
    node = processing()
    assert answer(node, "mark", {"part": "saddle_height", "amount": 5}, 0.0)["t"] is None
    node.describe(description())
    ride = Played(node, play(node, messages(block())))
    assert len(ride.snapshot().marks) == 1
    node.describe(description("two"))
    assert len(ride.snapshot().marks) == 1
    ask(ride, "unmark")
    assert ride.snapshot().marks == []


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ({"part": "engine", "amount": 5}, "no adjustment is named 'engine'; expected one of: sad"),
        ({"part": 3, "amount": 5}, "part must be text, got 3"),
        ({"part": "saddle_height"}, "amount must be a number, got None"),
        ({"part": "saddle_height", "amount": True}, "amount must be a number, got True"),
        ({"part": "saddle_height", "amount": float("inf")}, "amount must be finite, got inf"),
        ({"part": "saddle_height", "amount": 0}, "amount must not be 0: nothing would have been"),
        ({"part": "saddle_height", "amount": 5, "note": 1}, "note must be text of at most 500"),
    ],
)
def test_a_wrong_mark_says_what_was_expected(
    ridden: Played, args: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        ask(ridden, "mark", **args)
    assert ridden.snapshot().marks == []


def test_marks_without_a_stroke_in_between_keep_the_means_before_both() -> None:
    node, ride, rest = half_ridden()
    was = row(ride.snapshot(), *KNEE)
    ask(ride, "mark", part="saddle_height", amount=8)
    ask(ride, "mark", part="saddle_setback", amount=5)
    assert row(ride.snapshot(), *KNEE).before == was.mean
    ride = Played(node, play(node, rest))
    before = row(ride.snapshot(), *KNEE).mean
    ask(ride, "mark", part="saddle_height", amount=-8)
    assert row(ride.snapshot(), *KNEE).before == before
    ask(ride, "unmark")
    ask(ride, "unmark")
    assert row(ride.snapshot(), *KNEE).before == was.mean
    ask(ride, "unmark")
    assert row(ride.snapshot(), *KNEE).before is None


def test_a_mark_in_a_stream_not_ridden_yet_ends_the_ride_of_the_one_before() -> None:
    node, ride, rest = half_ridden()
    ask(ride, "mark", part="saddle_height", amount=8)
    ride = Played(node, play(node, rest))
    was = row(ride.snapshot(), *KNEE).mean
    node.describe(description("two"))
    ask(ride, "mark", part="saddle_setback", amount=5)
    ride = Played(node, play(node, messages(block(), "two")))
    assert row(ride.snapshot(), *KNEE).before == was


def test_a_band_of_the_fitters_own_judges_until_it_is_taken_back() -> None:
    ride = played()
    shipped = row(ride.snapshot(), *KNEE)
    ask(ride, "set_band", measure="knee_flexion", event="bdc", low=80, high=90.5)
    edited = ride.snapshot()
    assert edited.edited_bands == 1
    assert (row(edited, *KNEE).band, row(edited, *KNEE).verdict) == ([80.0, 90.5], "below")
    ask(ride, "set_discipline", name="time_trial")
    assert row(ride.snapshot(), *KNEE).band == [80.0, 90.5]
    ask(ride, "set_discipline", name="road_endurance")
    ask(ride, "reset_bands")
    back = ride.snapshot()
    assert (row(back, *KNEE).band, back.edited_bands) == (shipped.band, 0)


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ({"low": 5, "high": 5}, "a band's low edge lies below its high one, got 5 and 5"),
        ({"low": 5}, "high must be a number, got None"),
        ({"low": 5, "high": 9, "event": "mean"}, "knee_flexion is not taken at mean; it is at"),
        ({"low": 5, "high": 9, "event": "nowhere"}, "knee_flexion is not taken at nowhere"),
        ({"low": 5, "high": 9, "measure": "nothing"}, "no measure is named 'nothing'"),
    ],
)
def test_a_wrong_band_says_what_was_expected(
    ridden: Played, args: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        ask(ridden, "set_band", **{"measure": "knee_flexion", "event": "bdc", **args})


def test_rows_are_chosen_for_a_screen() -> None:
    ride = played()
    assert ride.snapshot().chosen == {}
    ask(ride, "choose", screen="rider", rows=[PAIR, PAIR])
    ask(ride, "choose", screen="fitter", rows=[["hip_angle", "tdc"], PAIR])
    assert ride.snapshot().chosen == {"rider": [PAIR], "fitter": [["hip_angle", "tdc"], PAIR]}
    ask(ride, "choose", screen="rider", rows=[])
    assert "rider" not in ride.snapshot().chosen


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ({"screen": "door", "rows": []}, "expected a screen, fitter or rider, got 'door'"),
        ({"screen": "rider", "rows": [PAIR] * 4}, "the rider sees at most 3 rows, got 4"),
        ({"screen": "rider", "rows": "knee"}, r"rows must be a list of \[measure, event\], got"),
        ({"screen": "rider", "rows": [["knee"]]}, r"a row must be \[measure, event\], two texts"),
        ({"screen": "rider", "rows": [["knee", "bdc"]]}, "no measure is named 'knee'"),
    ],
)
def test_a_wrong_choice_says_what_was_expected(
    ridden: Played, args: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        ask(ridden, "choose", **args)


def test_history_is_what_was_published_stroke_by_stroke() -> None:
    ride = played()
    published = [
        (s.stroke, s.t, s.values[s.measures.index("knee_flexion")])
        for s in ride.node.trials.strokes()
        if s.event == "bdc" and s.side == "R" and "knee_flexion" in s.measures
    ]
    assert ride.node.trials.strokes() == []
    found = ask(ride, "history", rows=[PAIR, ["hip_angle", "tdc"]])["rows"]
    assert {(r["measure"], r["event"], r["side"]) for r in found} == {
        (*pair, side) for pair in (("knee_flexion", "bdc"), ("hip_angle", "tdc")) for side in "LR"
    }
    [right] = [r for r in found if (r["measure"], r["side"]) == ("knee_flexion", "R")]
    assert list(zip(right["strokes"], right["t"], right["values"], strict=True)) == published
    [few] = [r for r in ask(ride, "history", rows=[PAIR], strokes=3)["rows"] if r["side"] == "R"]
    assert few["values"] == right["values"][-3:]
    last = [v for v in right["values"] if v is not None]
    window = row(ride.snapshot(), *KNEE)
    assert window.mean == pytest.approx(np.mean(last[-window.n :]), abs=0.2)
    with pytest.raises(ValueError, match="strokes must be a whole number up to 3000, got 0"):
        ask(ride, "history", rows=[PAIR], strokes=0)


def test_marks_of_an_earlier_stream_taken_back_count_no_stroke_twice() -> None:
    node = processing()
    answer(node, "mark", {"part": "saddle_height", "amount": 5}, 0.0)
    answer(node, "set_window", {"strokes": 100}, 0.0)
    node.describe(description())
    sent = messages(block())
    half = len(sent) // 2
    ride = Played(node, play(node, sent[:half]))
    ask(ride, "mark", part="saddle_height", amount=5)
    ride = Played(node, play(node, sent[half:]))
    ask(ride, "unmark")
    once = [(r.n, r.mean, r.sd) for r in ride.snapshot().rows]
    ask(ride, "unmark")
    assert [(r.n, r.mean, r.sd) for r in ride.snapshot().rows] == once


def test_a_mark_of_an_earlier_stream_taken_back_is_on_no_later_stroke() -> None:
    node = processing()
    answer(node, "mark", {"part": "saddle_height", "amount": 5}, 0.0)
    node.describe(description())
    sent = messages(block())
    half = len(sent) // 2
    ride = Played(node, play(node, sent[:half]))
    ask(ride, "unmark")
    play(node, sent[half:])
    node.trials.settle()
    assert {marks for _, marks in strokes_of(node)} == {0}


def test_what_a_restart_forgot_stays_forgotten_when_a_mark_is_taken_back() -> None:
    node, ride, rest = half_ridden()
    ask(ride, "mark", part="saddle_height", amount=5)
    third = Played(node, play(node, rest[: len(rest) // 2]))
    ask(third, "restart_window")
    ask(third, "unmark")
    assert row(third.snapshot(), *KNEE).n == 0


def test_two_marks_within_a_stroke_taken_back_lose_no_stroke() -> None:
    undisturbed, node = processing(), processing()
    sent = messages(block())
    for each in (undisturbed, node):
        answer(each, "set_window", {"strokes": 100}, 0.0)
        each.describe(description())
    whole = Played(undisturbed, play(undisturbed, sent))
    for part in (sent[:40], sent[40:50]):
        ride = Played(node, play(node, part))
        ask(ride, "mark", part="saddle_height", amount=5)
    ride = Played(node, play(node, sent[50:]))
    ask(ride, "unmark")
    ask(ride, "unmark")
    assert [r.n for r in ride.snapshot().rows] == [r.n for r in whole.snapshot().rows]


def test_a_new_stream_has_no_past() -> None:
    node = processing()
    node.describe(description())
    play(node, messages(block()))
    node.describe(description("two"))
    found = answer(node, "history", {"rows": [PAIR]}, 0.0)["rows"]
    assert all(not r["strokes"] for r in found)


def test_a_history_larger_than_a_reply_is_refused(ridden: Played) -> None:
    many = [[m.name, e] for m in shipped().measures for e in m.events]
    assert ask(ridden, "history", rows=[PAIR] * 500, strokes=3000)["rows"]
    with pytest.raises(ValueError, match="history gives at most 40000 values, rows times strokes"):
        ask(ridden, "history", rows=many, strokes=3000)
