"""What a fitter says of an estimate."""

from __future__ import annotations

import json

import pytest

from livefit.predict import Predicted, Target, into_bands, predict, words
from livefit.predict.chain import Short
from tests.predict.predict_examples import ridden, shipped


def row(by: float | None, low: float | None, high: float | None, side: str = "L") -> Predicted:
    return Predicted("knee_flexion", side, "bdc", "deg", 36.0, by, low, high, "published")


@pytest.mark.parametrize(
    ("told", "kind", "said"),
    [
        (row(-2.0, -3.0, -1.0), "crank", "left knee about 2.0 degrees straighter (1.0 to 3.0)"),
        (row(1.0, 0.4, 1.6, "R"), "crank", "right knee about 1.0 degree more bent (0.4 to 1.6)"),
        (row(1.0, -0.5, 2.5), "crank",
         "left knee perhaps 1.0 degree more bent, which way is not sure (-0.5 to 2.5)"),
        (row(0.01, -0.2, 0.22), "crank", "left knee hardly changes (-0.2 to 0.2)"),
        (row(2.0, 1.0, 3.0), "range", "left knee travel about 2.0 degrees more (1.0 to 3.0)"),
        (row(None, None, None), "crank", "left knee: cannot be said"),
    ],
)  # fmt: skip
def test_a_number(told: Predicted, kind: str, said: str) -> None:
    assert words.row_words(told, shipped().measure("knee_flexion"), kind) == said


@pytest.mark.parametrize(
    ("part", "amount", "said"),
    [
        ("saddle_height", 5.0, "saddle height 5 mm up"),
        ("saddle_setback", -3.0, "saddle setback 3 mm forward"),
        ("cleat_wedge", 1.0, "cleat wedge 1° inside raised"),
        ("spacers", -5.0, "spacers under the stem 5 mm taken out"),
        ("crank_length", 0.0, "crank length as it is"),
    ],
)
def test_a_change(part: str, amount: float, said: str) -> None:
    assert words.change_words(shipped().adjustment(part), amount) == said


def test_a_limb_too_short() -> None:
    said = words.short_words(Short("L", "leg", 12.3, 170.0))
    assert said == "The left leg is too short for this: at crank 170° it lacks 12 mm."
    assert "right arm" in words.short_words(Short("R", "arm", 0.2, 10.0))


def test_cautions_travel_with_everything() -> None:
    rider = ridden().rider
    prediction = predict(rider, {"saddle_height": 5.0}, shipped())
    plan = into_bands(rider, [Target("knee_flexion", "bdc", 10, 11)], shipped())
    for cautions in (prediction.cautions, plan.cautions):
        text = " ".join(cautions)
        for word in ("estimate", "Guidance, not diagnosis", "clinician", "One change at a time",
                     "minimum-insertion mark", "torque", "Stop the cranks"):  # fmt: skip
            assert word in text


def test_results_are_plain_values() -> None:
    rider = ridden().rider
    prediction = predict(rider, {"saddle_height": 90.0, "saddle_tilt": 1.0}, shipped())
    again = json.loads(json.dumps(prediction.document(), allow_nan=False))
    assert again["reaches"] is False
    assert again["short"][0]["limb"] in ("leg", "arm")
    assert again["rows"][0]["by"] is None
    plan = into_bands(rider, [Target("knee_flexion", "bdc", 33, 35)], shipped())
    again = json.loads(json.dumps(plan.document(), allow_nan=False))
    assert again["prediction"]["rows"][0]["measure"] == "knee_flexion"
    assert again["first"]["part"] == "saddle_height"
