"""What the next change would do, asked of the node while the rider pedals."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import TypeAdapter

from livefit.node.requests import answer
from livefit.predict import Prediction
from livefit.wire.codec import decode, encode
from livefit.wire.messages import Reply
from tests.node.streams import Played, block, description, messages, play, played, processing


def knee(found: dict[str, Any]) -> dict[str, Any]:
    row: dict[str, Any]
    [row] = [
        r for r in found["rows"]
        if (r["measure"], r["side"], r["event"]) == ("knee_flexion", "R", "bdc")
    ]  # fmt: skip
    return row


def ask(ride: Played, **changes: float) -> dict[str, Any]:
    found: dict[str, Any] = answer(ride.node, "predict", {"changes": changes}, ride.now)
    sent = decode(Reply, encode(Reply(ok=True, result=found))).result
    assert sent is not None
    # What `livefit predict ADDRESS` makes of the reply.
    assert TypeAdapter(Prediction).validate_python(sent).document() == found | {
        key: tuple(found[key]) for key in ("rows", "short", "not_predicted", "cautions")
    }
    return sent


def test_a_higher_saddle_straightens_the_knee_and_the_riders_own_mark_is_learned_from() -> None:
    """Of 5 mm a dynamic knee makes about 1 deg (Ferrer-Roca et al. 2014, J Strength Cond Res)."""
    node = processing()
    node.describe(description())
    sent = messages(block(seconds=60.0))
    half = len(sent) // 2
    ride = Played(node, play(node, sent[:half]))
    found = ask(ride, saddle_height=5)
    row = knee(found)
    assert row["source"] == "published"
    assert -2.5 < row["low"] < row["by"] < row["high"] < 0
    assert found["reaches"]
    assert "licensed clinician" in " ".join(found["cautions"])
    shown = next(
        r for r in ride.snapshot().rows
        if (r.measure, r.side, r.event) == ("knee_flexion", "R", "bdc")
    )  # fmt: skip
    assert row["now"] == pytest.approx(shown.mean, abs=0.5)
    answer(node, "mark", {"part": "saddle_height", "amount": 5}, ride.now)
    after = Played(node, play(node, sent[half:]))
    again = ask(after, saddle_height=5)
    assert "1" in again["said_by"]
    assert "this rider" in again["said_by"]
    # In truth nothing was moved: the rider's own strokes say so, and the estimate shrinks.
    assert abs(knee(again)["by"]) < abs(row["by"])


@pytest.mark.parametrize(
    "mark",
    [{"part": "saddle_tilt", "amount": 1}, {"part": "saddle_height", "amount": 400}, None],
)
def test_a_mark_that_cannot_be_predicted_teaches_nothing_and_spoils_nothing(
    mark: dict[str, Any] | None,
) -> None:
    """None: a part that nobody can name."""
    node = processing()
    node.describe(description())
    sent = messages(block(seconds=30.0))
    half = len(sent) // 2
    ride = Played(node, play(node, sent[:half]))
    answer(node, "mark", mark or {"part": "saddle_height", "amount": 5}, ride.now)
    if mark is None:
        node.trials.edit_mark(1, part="unknown", amount=0.0, note=None)
    ride = Played(node, play(node, sent[half:]))
    assert ask(ride, saddle_height=5)["said_by"] == "published"
    rows = {"rows": [["knee_flexion", "bdc"]]}
    assert "said" in answer(node, "into_bands", rows, ride.now)


def test_restarted_averages_leave_what_the_marks_have_taught() -> None:
    node = processing()
    node.describe(description())
    sent = messages(block(seconds=60.0))
    third = len(sent) // 3
    ride = Played(node, play(node, sent[:third]))
    answer(node, "mark", {"part": "saddle_height", "amount": 5}, ride.now)
    ride = Played(node, play(node, sent[third : 2 * third]))
    answer(node, "restart_window", {}, ride.now)
    ride = Played(node, play(node, sent[2 * third :]))
    assert ask(ride, saddle_height=5)["said_by"] == "this rider, from 1 adjustment"


def test_what_brings_a_row_inside_the_band_in_force_is_what_predict_says_does() -> None:
    ride = played()
    rows = [["knee_flexion", "bdc"]]
    assert not answer(ride.node, "into_bands", {"rows": rows}, ride.now)["changes"]
    band = {"measure": "knee_flexion", "event": "bdc", "low": 32.0, "high": 34.0}
    answer(ride.node, "set_band", band, ride.now)
    only = {"rows": rows, "permitted": {"saddle_height": [-20, 20.0]}}
    found = answer(ride.node, "into_bands", only, ride.now)
    assert decode(Reply, encode(Reply(ok=True, result=found))).result is not None
    assert [*found["changes"]] == ["saddle_height"]
    assert found["first"]["amount"] == min(found["changes"]["saddle_height"], 5)
    assert found["said"][0].startswith("First step: saddle height")
    assert "licensed clinician" in " ".join(found["cautions"])
    for side in "LR":
        [row] = [
            r for r in ask(ride, **found["changes"])["rows"]
            if (r["measure"], r["side"], r["event"]) == ("knee_flexion", side, "bdc")
        ]  # fmt: skip
        assert 32.0 <= row["now"] + row["by"] <= 34.0
    too_little = {"rows": rows, "permitted": {"saddle_height": [0, 1]}}
    found = answer(ride.node, "into_bands", too_little, ride.now)
    assert found["conflict"][0]["high"] == 34.0
    assert "None of the permitted changes" in found["said"][0]


@pytest.mark.parametrize(
    ("args", "told"),
    [
        ({"rows": []}, "1 to 12 rows"),
        ({"rows": [["hip_angle", "tdc"]]}, "hip_angle at tdc"),
        ({"rows": [["knee_flexion", "bdc"]], "permitted": {"mirror": None}}, "mirror"),
        ({"rows": [["knee_flexion", "bdc"]], "permitted": {"spacers": 5}}, "least, most"),
        ({"rows": [["knee_flexion", "bdc"]], "permitted": []}, "map of parts"),
    ],
)
def test_a_search_that_cannot_be_made_is_refused(args: dict[str, Any], told: str) -> None:
    ride = played()
    with pytest.raises(ValueError, match=told):
        answer(ride.node, "into_bands", args, ride.now)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, "predict takes changes"),
        ({"mirror": 5}, "mirror"),
        ({"saddle_height": "much"}, "saddle_height"),
    ],
)
def test_what_cannot_be_predicted_is_said(changes: dict[str, Any], told: str) -> None:
    ride = played()
    with pytest.raises(ValueError, match=told):
        answer(ride.node, "predict", {"changes": changes}, ride.now)


def test_nothing_is_predicted_before_the_first_stroke() -> None:
    node = processing()
    with pytest.raises(ValueError, match="no stream"):
        answer(node, "predict", {"changes": {"saddle_height": 5}}, 0.0)
    node.describe(description())
    with pytest.raises(ValueError, match="first whole stroke"):
        answer(node, "predict", {"changes": {"saddle_height": 5}}, 0.0)
