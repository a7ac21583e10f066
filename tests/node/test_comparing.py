"""Changes as the node tells them: against SciPy, NumPy, and the recording afterwards."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import numpy as np
import pytest
from scipy import stats

from livefit.analysis import analyse
from livefit.analysis.comparison import compare
from livefit.node.requests import answer
from livefit.view.table import TableModel
from livefit.wire.change_messages import Against, ChangeRow, Changes
from livefit.wire.codec import decode, encode
from simulators import Bicycle, Body, Change, RiderSimulation, observe, stream_info
from tests.node.comparing_rides import CHANGE_S, SENSOR, UP_MM, Do, Ridden, ride, ride_through
from tests.node.streams import description, messages, play, processing, shipped

KNEE = ("knee_flexion", "R", "bdc")
ANKLE = ("ankle_angle", "R", "bdc")
MARKED: Do = {
    38.0: ("set_baseline", {}),
    44.0: ("mark", {"part": "saddle_height", "amount": "measured"}),
}


@pytest.fixture(scope="module")
def marked() -> Ridden:
    """Ridden with a baseline at 38 s and a measured mark at 44 s; not to be changed."""
    return ride_through(MARKED)


@pytest.fixture(scope="module")
def unmarked() -> Ridden:
    """Ridden until 56 s without a mark; not to be changed."""
    return ride_through({}, until_s=56.0)


def row(changes: Changes, key: tuple[str, str, str]) -> ChangeRow:
    [found] = [r for r in changes.rows if (r.measure, r.side, r.event) == key]
    return found


def mark_of(found: ChangeRow) -> Against:
    assert found.mark is not None
    return found.mark


def values(ridden: Ridden, key: tuple[str, str, str]) -> tuple[np.ndarray, np.ndarray]:
    """A row's values and marks, as ``history`` gives them."""
    rows = answer(ridden.node, "history", {"rows": [[key[0], key[2]]]}, ridden.now)["rows"]
    [own] = [r for r in rows if r["side"] == key[1]]
    return np.array(own["values"], dtype=float), np.array(own["marks"])


def test_the_change_is_that_of_the_strokes_on_both_sides_of_the_mark(marked: Ridden) -> None:
    changes = marked.changes()
    for key in (KNEE, ANKLE):
        found, (own, marks) = row(changes, key), values(marked, key)
        assert changes.marks == 1
        before, now = own[marks == 0], own[marks == 1]
        assert (mark_of(found).n, found.n + found.aside) == (len(before), len(now))
        by = now[found.aside :].mean() - before.mean()
        assert mark_of(found).by == pytest.approx(by, abs=1e-9)


def test_the_interval_is_welchs_but_for_the_correlation(marked: Ridden) -> None:
    """SciPy's Welch interval takes strokes for independent: of steady riding nearly the same."""
    left = ("ankle_angle", "L", "bdc")
    found, (own, marks) = row(marked.changes(), left), values(marked, left)
    against = found.baseline
    assert against is not None
    assert against.ci95 is not None
    before, now = own[: against.n], own[marks == 1][found.aside :]
    welch = stats.ttest_ind(now, before, equal_var=False).confidence_interval()
    assert against.by == pytest.approx(now.mean() - before.mean(), abs=1e-9)
    assert 0.7 < (against.ci95[1] - against.ci95[0]) / (welch.high - welch.low) < 1.8
    assert against.verdict == "told"
    assert (against.by or 0.0) > 0
    assert "pointed" in against.words


def test_rows_are_judged_together_as_holm_has_it(marked: Ridden) -> None:
    """Among m rows the least p counts m times, as a step-down by hand says."""
    changes = marked.changes()
    judged = [mark_of(found) for found in changes.rows]
    told = [each for each in judged if each.verdict == "told"]
    assert told
    assert all(each.p is not None and each.p <= 0.05 for each in told)
    alone = deepcopy(marked)
    alone.ask("choose", screen="fitter", rows=[["ankle_angle", "bdc"]])
    alone.told.clear()
    [one] = [r for r in alone.changes().rows if r.side == "R"]
    among = row(changes, ANKLE)
    assert mark_of(one).by == pytest.approx(mark_of(among).by)
    assert (mark_of(one).p or 0.0) <= (mark_of(among).p or 0.0)


def test_the_same_recording_analysed_tells_the_same(marked: Ridden) -> None:
    [mark] = marked.marks
    cut = int(np.searchsorted(ride().t, mark.t or 0.0, "right"))
    found = analyse(stream_info(SENSOR), ride(), shipped(), discipline="road_endurance", cuts=[cut])
    [until] = found.under_way
    before, now = found.strokes.between({}, until), found.strokes.between(until, {})
    later = compare(before, now, shipped())
    changes = marked.changes()
    assert [r.key for r in later.rows] == [(r.measure, r.side, r.event) for r in changes.rows]
    for ours, theirs in zip(later.rows, changes.rows, strict=True):
        against = mark_of(theirs)
        assert (ours.now.mean.n, ours.before.mean.n) == (theirs.n, against.n)
        assert ours.judged.change.by == pytest.approx(against.by, abs=1e-6)
        assert [ours.judged.change.low, ours.judged.change.high] == pytest.approx(against.ci95)
        assert ours.words == against.words
    assert [r.key[0] for r in later.loads] == [r.measure for r in changes.loads] == ["cadence"] * 2


def test_the_screens_show_the_nodes_difference(marked: Ridden) -> None:
    model = TableModel(shipped())
    model.apply_snapshot(marked.snapshot(), 0.0)
    changes = decode(Changes, encode(marked.changes()))
    model.apply_changes(changes)
    shown = next(r for r in model.rows if r.measure == "ankle_angle").cells[1]
    by = mark_of(row(changes, ANKLE)).by or 0.0
    against = row(changes, ANKLE).baseline
    assert against is not None
    assert shown.change_text == f"{against.by or 0.0:+.1f}°"
    assert shown.change_note == f"mark {by:+.1f}°"


def test_the_saddle_is_measured(marked: Ridden) -> None:
    """The truth: 10 mm along the seat tube, the bar where it was."""
    [mark] = marked.marks
    assert mark.part == "saddle_height"
    assert mark.amount == pytest.approx(UP_MM, abs=0.8)
    moved = {m.part: m for m in marked.snapshot().moved}
    assert moved["saddle_height"].baseline == pytest.approx(UP_MM, abs=0.8)
    for part in ("saddle_setback", "bar_height", "bar_reach"):
        assert abs(moved[part].baseline or 0.0) <= 0.8
    assert abs(moved["saddle_height"].mark or 0.0) <= 0.8
    with pytest.raises(ValueError, match=r"saddle_height was measured as moved by .* may be noth"):
        marked.ask("mark", part="saddle_height", amount="measured")
    with pytest.raises(ValueError, match="no marker on the bicycle shows how far 'saddle_tilt'"):
        marked.ask("mark", part="saddle_tilt", amount="measured")


def test_a_step_that_nobody_marked_is_offered_where_it_was(unmarked: Ridden) -> None:
    first = next(told for told in unmarked.told if told.offers)
    strokes_on = max(step.found_at - step.stroke + 1 for step in first.offers[0].rows)
    assert strokes_on <= 12
    [offer] = unmarked.told[-1].offers
    assert offer.t == pytest.approx(CHANGE_S + 0.5, abs=1.5)
    assert offer.apart_from == ["drift", "cadence"]
    assert all("no change was marked" in step.words for step in offer.rows)


def test_an_offer_taken_is_a_mark_at_that_stroke(unmarked: Ridden) -> None:
    unmarked = deepcopy(unmarked)
    [offer] = unmarked.told[-1].offers
    made = unmarked.ask("take_offer", number=offer.number, part="saddle_height", amount=10)
    assert (made["number"], made["t"]) == (1, offer.t)
    own, marks = values(unmarked, ANKLE)
    found = row(unmarked.changes(), ANKLE)
    assert (marks == 0).sum() == mark_of(found).n
    assert found.n + found.aside == (marks == 1).sum() > 15
    by = own[marks == 1][found.aside :].mean() - own[marks == 0].mean()
    assert mark_of(found).by == pytest.approx(by, abs=1e-9)
    [before] = [r.before for r in unmarked.snapshot().rows if (r.measure, r.side, r.event) == ANKLE]
    assert before == pytest.approx(own[marks == 0][-15:].mean(), abs=1e-9)
    assert unmarked.changes().offers == []
    edited = unmarked.ask("edit_mark", number=1, amount=9.5, note="as felt")
    assert (edited["part"], edited["amount"], edited["note"]) == ("saddle_height", 9.5, "as felt")
    unmarked.ask("unmark")
    own, marks = values(unmarked, ANKLE)
    assert set(marks.tolist()) == {0}
    found = row(unmarked.changes(), ANKLE)
    assert found.n + found.aside == len(own)


def test_an_offer_takes_its_amount_from_the_markers_on_the_bicycle(unmarked: Ridden) -> None:
    """The truth: 10 mm along the seat tube. Refused, where no marker shows it."""
    unmarked = deepcopy(unmarked)
    [offer] = unmarked.told[-1].offers
    with pytest.raises(ValueError, match="no marker on the bicycle shows how far 'saddle_tilt'"):
        unmarked.ask("take_offer", number=offer.number, part="saddle_tilt", amount="measured")
    assert unmarked.marks == []
    args = {"number": offer.number, "part": "saddle_height", "amount": "measured"}
    assert unmarked.ask("take_offer", **args)["amount"] == pytest.approx(UP_MM, abs=0.8)


def test_an_offer_dropped_is_not_made_again(unmarked: Ridden) -> None:
    """The same step found in a further row is the same change."""
    rest = deepcopy(unmarked)
    [offer] = rest.changes().offers
    rest.ask("drop_offer", number=offer.number)
    assert rest.changes().offers == []
    later = [m for m in messages(ride(), "one", SENSOR, 10) if (m.sent or 0.0) > rest.now]
    for message in later[:40]:
        rest.node.take(message, (message.sent or 0.0) + 0.002)
        rest.node.trials.changes()
    assert rest.changes().offers == []
    with pytest.raises(ValueError, match="there is no offer 1; open are: none"):
        rest.ask("drop_offer", number=1)


@pytest.mark.parametrize(
    ("op", "args", "said"),
    [
        ("take_offer", {"number": 9}, "there is no offer 9; open are: none"),
        ("take_offer", {"number": True}, "number must be a whole number, got True"),
        ("take_offer", {"number": 1, "part": "saddle_height"}, "amount must be a number, got None"),
        ("edit_mark", {"number": 4, "amount": 3}, "there is no mark 4; in force are: 1"),
        ("edit_mark", {"number": 1, "part": "engine"}, "no adjustment is named 'engine'"),
        ("edit_mark", {"number": 1, "amount": 0}, "amount must not be 0: nothing would have been"),
        ("edit_mark", {"number": 1, "note": 7}, "note must be text of at most 500"),
    ],
)
def test_wrong_requests_say_what_was_expected(
    marked: Ridden, op: str, args: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        marked.ask(op, **args)


def test_a_change_taken_back_is_told_there_and_back() -> None:
    """A, B, A again: B against both A, and that nothing is left of it."""
    do: Do = {
        20.0: ("mark", {"part": "saddle_height", "amount": 5}),
        40.0: ("mark", {"part": "saddle_height", "amount": -5}),
    }
    ridden = ride_through(do, until_s=47.0)
    changes = ridden.changes()
    own, marks = values(ridden, ANKLE)
    found = row(changes, ANKLE)
    assert found.there is not None
    assert found.back is not None
    a, b = own[marks == 0].mean(), own[marks == 1].mean()
    again = own[marks == 2][found.aside :].mean()
    if found.there.by is not None and found.aside == 0:
        assert found.back.by == pytest.approx(again - a, abs=1e-9)
        assert found.there.by == pytest.approx(b - (a + again) / 2, abs=1e-9)
    ridden.ask("edit_mark", number=2, amount=-3)
    assert row(ridden.changes(), KNEE).there is None


def test_two_marks_in_one_stop_are_one_change() -> None:
    """The truth: 8 mm up the tube and 5 mm back, both between the same two rides."""
    rider = RiderSimulation(bicycle=Bicycle.fitted(Body()), seed=4)
    saddle, back = rider.bicycle.saddle_height_mm, rider.bicycle.setback_mm
    rider = rider.changed("saddle_height_mm", Change(20.5, saddle + 8.0, 1.0))
    rider = rider.changed("setback_mm", Change(21.0, back + 5.0, 1.0))
    do: Do = {
        27.0: ("mark", {"part": "saddle_height", "amount": "measured"}),
        27.2: ("mark", {"part": "saddle_setback", "amount": "measured"}),
    }
    ridden = ride_through(do, frames=observe(rider, SENSOR, count=3600))
    up, along = ridden.marks
    assert [up.amount, along.amount] == pytest.approx([8.0, 5.0], abs=0.8)
    moved = {m.part: m.mark for m in ridden.snapshot().moved}
    assert abs(moved["saddle_height"] or 0.0) <= 0.8
    assert abs(moved["saddle_setback"] or 0.0) <= 0.8
    own, marks = values(ridden, ANKLE)
    found = row(ridden.changes(), ANKLE)
    assert mark_of(found).n == (marks == 0).sum() > 30
    by = own[marks == 2][found.aside :].mean() - own[marks == 0].mean()
    assert mark_of(found).by == pytest.approx(by, abs=1e-9)
    said = ridden.ask("predict", changes={"saddle_height": 5})["said_by"]
    assert said == "this rider, from 1 adjustment"
    ridden.ask("unmark")
    found = row(ridden.changes(), ANKLE)
    assert mark_of(found).by == pytest.approx(by, abs=1e-9)


def test_half_of_a_stop_taken_back_is_not_told_as_there_and_back() -> None:
    """A, two parts moved, then one of them back: the other is still where it was put."""
    do: Do = {
        10.0: ("mark", {"part": "saddle_setback", "amount": 3}),
        10.1: ("mark", {"part": "saddle_height", "amount": 5}),
        20.0: ("mark", {"part": "saddle_height", "amount": -5}),
    }
    ridden = ride_through(do, until_s=28.0)
    assert row(ridden.changes(), KNEE).there is None
    ridden.ask("edit_mark", number=2, part="saddle_height", amount=5)
    ridden.ask("edit_mark", number=1, part="saddle_height", amount=1)
    ridden.ask("edit_mark", number=3, part="saddle_height", amount=-6)
    assert row(ridden.changes(), KNEE).there is not None


def test_a_mark_before_the_first_stream_has_nothing_before_it() -> None:
    node = processing()
    answer(node, "mark", {"part": "saddle_height", "amount": 5}, 0.0)
    node.describe(description("one", SENSOR))
    ridden = Ridden(node, play(node, messages(ride(), "one", SENSOR, 50)[:24]))
    found = row(ridden.changes(), KNEE)
    assert (mark_of(found).n, mark_of(found).verdict) == (0, "unsaid")
