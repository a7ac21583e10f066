"""What the rider is shown, without a screen."""

from __future__ import annotations

import itertools
import math
import re
from typing import Any

import numpy as np
import pytest

from livefit.definitions.models import Definitions
from livefit.view import rider_words
from livefit.view.rider import GLIDE_S, RiderModel, SideView, whole
from livefit.wire.messages import Mark
from tests.dashboard.dashboard_examples import make_row, make_snapshot
from tests.dashboard.rider_examples import RAISED, THREE, knee, ride, seen


def left(model: RiderModel) -> SideView:
    return model.measures[0].sides[0]


def test_before_anything_has_come(definitions: Definitions) -> None:
    model = RiderModel(definitions)
    model.apply_silence(5.0)
    assert model.message.title == "Waiting for the first numbers"
    (view,) = model.measures
    assert (view.title, view.when) == ("How far your knee is bent", "pedal at the bottom")
    assert [(side.head, side.value, side.place.word) for side in view.sides] == [
        ("Left", "–", ""),
        ("Right", "–", ""),
    ]
    assert model.cadence == "–"
    assert model.stale


def test_the_fitter_chooses_up_to_three(definitions: Definitions) -> None:
    def titles(chosen: dict[str, list[list[str]]]) -> list[str]:
        return [v.title for v in seen(definitions, knee(34.0, chosen=chosen)).measures]

    bent = "How far your knee is bent"
    assert titles({}) == titles({"rider": []}) == titles({"fitter": THREE}) == [bent]
    assert titles({"rider": THREE}) == [bent, bent, "How far your knee is ahead of the pedal"]
    assert len(titles({"rider": [*THREE, *THREE]})) == 3
    strange = [
        ["knee_flexion", "bdc"],
        ["wing_span", "bdc"],
        ["knee_flexion"],
        ["knee_flexion", "x"],
    ]
    assert titles({"rider": strange}) == [bent]
    own = RiderModel(definitions, [("cadence", "mean")])
    assert [view.title for view in own.measures] == ["How fast you pedal"]


def test_a_value_at_the_half_does_not_flicker() -> None:
    shown, values = None, 34.5 + np.random.default_rng(7).uniform(-0.24, 0.24, 500)
    history = []
    for value in values:
        shown = whole(float(value), shown)
        history.append(shown)
    assert len(set(history)) == 1
    assert len({round(float(value)) for value in values}) == 2


def test_a_moving_value_is_followed(definitions: Definitions) -> None:
    # Up and down by hand: the next whole number from 3/4 of the way on.
    shown = None
    seen_numbers = []
    for value in (34.4, 34.7, 34.8, 34.4, 34.2, 41.0, -0.4, -0.8):
        shown = whole(value, shown)
        seen_numbers.append(shown)
    assert seen_numbers == [34, 34, 35, 35, 34, 41, 0, -1]
    assert left(seen(definitions, knee(-0.4))).value == "0"
    assert left(seen(definitions, knee(-12.3))).value == "−12"


def test_figures_change_at_most_twice_a_second(definitions: Definitions) -> None:
    model = seen(definitions, knee(30.0))
    shown = [left(model).value]
    for i in range(1, 101):
        now = 100.0 + i / 20
        model.apply_snapshot(knee(30.0 + i, sent=now), now)
        model.apply_silence(now)
        shown.append(left(model).value)
    changes = sum(a != b for a, b in itertools.pairwise(shown))
    assert 8 <= changes <= 10
    # The last one is not lost when no other follows it.
    model.apply_silence(105.6)
    assert left(model).value == "130"


def test_a_change_of_state_is_shown_at_once(definitions: Definitions) -> None:
    model = seen(definitions, knee(34.0))
    model.apply_snapshot(knee(34.0, sent=100.1, state="still"), 100.1)
    assert model.message.title == "Resting"
    model.apply_snapshot(knee(None, sent=100.2, marks=[RAISED], row_before=34.0), 100.2)
    assert (left(model).value, left(model).before) == ("–", "before 34°")


@pytest.mark.parametrize(
    ("mean", "changes", "word", "shape"),
    [
        (35.0, {"row_verdict": "within"}, "in the target", "disc"),
        (28.0, {"row_verdict": "below"}, "a little low", "down"),
        (24.0, {"row_verdict": "below"}, "low", "down"),
        (42.0, {"row_verdict": "above"}, "a little high", "up"),
        (46.0, {"row_verdict": "above"}, "high", "up"),
        (39.9, {"row_verdict": "unsure", "row_needed": 4}, "settling", "diamond"),
        (39.9, {"row_verdict": "unsure", "row_needed": None}, "settling", "diamond"),
        (39.9, {"row_verdict": "unsure", "row_needed": 0}, "at the edge", "diamond"),
        (35.0, {"row_verdict": "unknown", "row_n": 1, "row_ci95": None}, "settling", "diamond"),
        (35.0, {"row_verdict": "unknown", "row_band": None}, "no target", "none"),
        (None, {}, "", "none"),
    ],
)
def test_words_for_where_the_rider_is(
    definitions: Definitions, mean: float | None, changes: dict[str, Any], word: str, shape: str
) -> None:
    place = left(seen(definitions, knee(mean, **changes))).place
    assert (place.word, place.shape) == (word, shape)


def test_a_side_that_is_not_measured_says_so(definitions: Definitions) -> None:
    right = seen(definitions, knee(34.0)).measures[0].sides[1]
    assert (right.value, right.place.word, right.hold) == ("–", "not measured", "")


@pytest.mark.parametrize(
    ("needed", "words"),
    [(None, "keep pedalling"), (31, "keep pedalling"), (30, "30 more strokes"),
     (1, "1 more stroke"), (0, "steady")],
)  # fmt: skip
def test_strokes_to_go(definitions: Definitions, needed: int | None, words: str) -> None:
    side = left(seen(definitions, knee(34.0, row_needed=needed)))
    assert side.note(stale=False) == words
    assert side.note(stale=True) == ""


def test_before_and_after_a_change(definitions: Definitions) -> None:
    model = seen(definitions, knee(30.6, marks=[RAISED], row_before=34.4, row_needed=2))
    side = left(model)
    assert (side.value, side.unit, side.before) == ("31", "°", "before 34°")
    assert side.note(stale=False) == "2 more strokes"
    assert model.message.title == "Changed"
    assert model.message.detail == "Saddle height: 5 mm up"
    held = seen(definitions, knee(30.6, marks=[RAISED], row_before=34.4, row_needed=0))
    assert left(held).note(stale=False) == "before 34°"
    (spots,) = held.spots
    # The scale reaches one width beyond the target, 20 to 50: 10.6/30 and 14.4/30.
    assert spots[0].now == pytest.approx(10.6 / 30)
    assert spots[0].before == pytest.approx(14.4 / 30)
    assert held.measures[0].target == pytest.approx((1 / 3, 2 / 3))
    undone = left(seen(definitions, knee(30.6, row_before=34.4, row_needed=0)))
    assert (undone.before, undone.note(stale=False)) == ("", "steady")


@pytest.mark.parametrize(
    ("part", "amount", "words"),
    [
        ("saddle_setback", -2.5, "Saddle setback: 2.5 mm forward"),
        ("saddle_tilt", 0.5, "Saddle tilt: 0.5° nose up"),
        ("bar_height", 0.0, "Bar height"),
        ("bell", 3.0, "The bike was changed"),
    ],
)
def test_words_for_a_change(definitions: Definitions, part: str, amount: float, words: str) -> None:
    marks = [RAISED, Mark(number=2, t=60.0, part=part, amount=amount)]
    assert seen(definitions, knee(34.0, marks=marks)).message.detail == words


def test_the_rider_reads_no_note_and_no_problem_meant_for_the_fitter(
    definitions: Definitions,
) -> None:
    model = seen(definitions, knee(34.0, marks=[RAISED], problem="R_GT out of sight"))
    said = f"{model.message} {model.measures}"
    assert "felt low" not in said
    assert "R_GT" not in said


def test_a_lost_node_is_told_within_a_second_and_its_return_too(definitions: Definitions) -> None:
    model = seen(definitions, knee(34.0))
    model.apply_silence(100.99)
    assert (model.stale, model.message.title) == (False, "You can stop at any time")
    model.apply_silence(101.0)
    assert (model.stale, model.message.title) == (True, "No new numbers")
    assert left(model).value == "34"
    model.apply_silence(1000.0)
    assert model.message.title == "No new numbers"
    model.apply_snapshot(knee(33.0, sent=1000.1), 1000.1)
    assert not model.stale
    assert left(model).value == "33"
    model.fault = "the address is taken"
    assert model.message.title == "This screen is cut off"


@pytest.mark.parametrize(
    ("state", "title"),
    [("waiting", "Waiting for the markers"), ("silent", "The measuring has paused"),
     ("searching", "Getting to know your stroke"), ("still", "Resting")],
)  # fmt: skip
def test_states_in_calm_words(definitions: Definitions, state: str, title: str) -> None:
    model = seen(definitions, knee(34.0, state=state))
    assert model.message.title == title
    assert model.stale
    assert all(view.stale for view in model.measures)


def test_another_node_begins_with_nothing_of_the_old_one(definitions: Definitions) -> None:
    model = seen(definitions, knee(34.0))
    model.apply_snapshot(knee(34.6, sent=7.0, node="n2"), 100.1)
    assert left(model).value == "35"
    (spots,) = model.spots
    model.apply_silence(100.1)
    assert model.spots[0][0].now == pytest.approx(14.6 / 30)
    assert spots != model.spots[0]


@pytest.mark.parametrize("ticks", [1, 7, 60])
def test_the_marker_glides_whatever_the_tick(definitions: Definitions, ticks: int) -> None:
    # First-order lag: what is left of the way after t is exp(-t / tau).
    model = seen(definitions, knee(32.0), 0.6)
    model.apply_snapshot(knee(38.0, sent=100.6), 100.6)
    for i in range(1, ticks + 1):
        model.apply_silence(100.6 + 0.3 * i / ticks)
    expected = (18.0 - 6.0 * math.exp(-0.3 / GLIDE_S)) / 30
    assert model.spots[0][0].now == pytest.approx(expected)
    model.apply_silence(110.0)
    assert model.spots[0][0].now == 18.0 / 30


def test_cadence_is_steady_too(definitions: Definitions) -> None:
    model = seen(definitions, knee(34.0, cadence_rpm=90.4))
    shown = [model.cadence]
    for i, cadence in enumerate((91.2, 90.2, 91.6, 90.9, None)):
        now = 100.6 + 0.6 * i
        model.apply_snapshot(knee(34.0, sent=now, cadence_rpm=cadence), now)
        shown.append(model.cadence)
    assert shown == ["90", "90", "90", "92", "92", "–"]


def test_a_measure_taken_once_has_one_side(definitions: Definitions) -> None:
    row = make_row("pelvic_obliquity", "mean", "B", -1.2)
    chosen = {"rider": [["pelvic_obliquity", "mean"]]}
    (view,) = seen(definitions, make_snapshot([row], chosen=chosen)).measures
    assert [(side.head, side.value) for side in view.sides] == [("", "−1")]


def test_no_medical_word_and_no_shouting(definitions: Definitions) -> None:
    medical = re.compile(
        r"flexion|extension|inclination|dorsi|plantar|pelvi|trochanter|femoral|malleol|acromi"
        r"|metatars|lateral|obliquity|sagittal|trunk|shank|spindle|injur|pain|patient|clinic"
        r"|dead cent|bdc|tdc|!|danger|warning|error|wrong",
        re.IGNORECASE,
    )
    said = [
        *(rider_words.title_words(measure) for measure in definitions.measures),
        *(rider_words.when_words(event) for event in definitions.events),
        *(place.word for place in rider_words.PLACES.values()),
        *(
            f"{m.title} {m.detail}"
            for m in (rider_words.NO_DATA_YET, rider_words.NO_NEW_NUMBERS, rider_words.AT_EASE,
                      rider_words.CANNOT_RECEIVE, *rider_words.STATES.values())
        ),
        *(rider_words.change_words(part, 2.0) for part in definitions.adjustments),
    ]  # fmt: skip
    assert len(said) > 40
    assert [text for text in said if medical.search(text)] == []


def test_every_judgement_has_its_own_word_and_shape() -> None:
    judged = [rider_words.PLACES[key] for key in ("within", "below", "above", "settling")]
    assert len({place.word for place in judged}) == len({place.shape for place in judged}) == 4


def test_a_ride_with_three_measures(definitions: Definitions) -> None:
    model = seen(definitions, ride(definitions, 3, marked=True))
    assert [[side.value + side.unit for side in view.sides] for view in model.measures] == [
        ["36°", "42°"], ["110°", "111°"], ["−14 mm", "−9 mm"],
    ]  # fmt: skip
    assert model.cadence == "91"
