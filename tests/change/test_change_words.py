"""What a fitter says to a rider: whole sentences, and a word for every shipped measure."""

from __future__ import annotations

import numpy as np
import pytest

from livefit.change import Change, Judged, Step, settled
from livefit.change.words import WAYS, Markers, change_words, settled_words, step_words
from livefit.definitions import load_definitions

DEFINITIONS = load_definitions()
NAN = float("nan")


def judged(
    low: float, high: float, *, told: bool, smallest: float = 1.42, p: float = 0.01
) -> Judged:
    change = Change((low + high) / 2, 1.0, 20.0, low, high, p, (high - low) / 2, NAN)
    return Judged(change, p, told, smallest)


@pytest.mark.parametrize(
    ("measure", "side", "event", "low", "high", "sentence"),
    [
        ("knee_flexion", "L", "crank", -4.1, -2.2, "the left knee is 2 to 4 degrees straighter"),
        ("knee_flexion", "R", "crank", 2.6, 3.4, "the right knee is about 3 degrees more bent"),
        ("knee_flexion", "R", "crank", 0.7, 1.3, "the right knee is about 1 degree more bent"),
        ("hip_angle", "L", "crank", 0.2, 1.7, "the left hip is up to 2 degrees more open"),
        ("hip_angle", "L", "crank", 0.1, 0.4, "the left hip is up to 1 degree more open"),
        ("hip_height", "R", "range", -9, -4,
         "the right hip moves 4 to 9 millimetres less in each turn"),
        ("pelvic_obliquity", "B", "crank", 0.31, 1.24,
         "the pelvis is 0.3 to 1.2 degrees higher on the right"),
        ("cadence", "B", "mean", 1.6, 3.6, "the cadence is 2 to 4 turns a minute faster"),
    ],
)  # fmt: skip
def test_a_change_that_is_told(
    measure: str, side: str, event: str, low: float, high: float, sentence: str
) -> None:
    found = judged(low, high, told=True)
    assert change_words(found, DEFINITIONS.measure(measure), side, event) == sentence


def test_what_is_not_told_says_what_would_be_hidden() -> None:
    knee = DEFINITIONS.measure("knee_flexion")
    assert change_words(judged(-1, 1.8, told=False), knee, "L", "crank") == (
        "left knee: no change that this measurement could tell from chance: "
        "anything under 1.5 degrees would be hidden"
    )
    assert change_words(judged(0.2, 2.8, told=False, smallest=2.0), knee, "L", "crank") == (
        "left knee: perhaps up to 3 degrees more bent, but among so many measures chance alone "
        "does as much: anything under 2 degrees would be hidden"
    )
    unsaid = judged(NAN, NAN, told=False, p=NAN)
    assert change_words(unsaid, knee, "L", "crank") == "left knee: too few strokes to say"


@pytest.mark.parametrize(
    ("markers", "end"),
    [
        (Markers(anew=False, other=None), "1.5 degrees would be hidden"),
        (Markers(anew=False, other=judged(-4, 5, told=False, smallest=4.31)),
         "1.5 degrees would be hidden; under 4.4 degrees, had the markers been put on anew"),
        (Markers(anew=True, other=judged(-1, 1, told=False, smallest=0.3)),
         "1.5 degrees would be hidden, the markers having been put on anew"),
        (Markers(anew=True, other=None),
         "1.5 degrees would be hidden, not counting that the markers were put on anew"),
    ],
)  # fmt: skip
def test_what_is_hidden_says_what_the_markers_have_to_do_with_it(
    markers: Markers, end: str
) -> None:
    knee = DEFINITIONS.measure("knee_flexion")
    said = change_words(judged(-1, 1.8, told=False), knee, "L", "crank", markers)
    assert said.endswith(f": anything under {end}")
    assert "markers" not in change_words(judged(1, 2, told=True), knee, "L", "crank", markers)


def test_a_step() -> None:
    step = Step(100, 104, 5.0, 0.8, 3.4, 6.6, 5.0)
    assert step_words(step, DEFINITIONS.measure("knee_flexion"), "R", "crank") == (
        "the right knee is suddenly 3 to 7 degrees more bent, and no change was marked: "
        "look at saddle and markers"
    )


def test_settling() -> None:
    rng = np.random.default_rng(1)
    noise = rng.normal(0.0, 1.0, 60)
    said = {
        half: settled_words(settled(noise[:n], half), "deg", 90.0)
        for n, half in ((60, 1.0), (12, 0.05))
    }
    assert said[1.0] == "settled"
    assert said[0.05] == "the strokes differ too much for the number to hold"
    one_short = settled(noise[:9] * 0.01, 1.0)
    assert settled_words(one_short, "deg", 90.0) == "1 more stroke before anything can be said"


def test_every_shipped_measure_has_its_words() -> None:
    loads = {"workload"}
    assert {measure.name for measure in DEFINITIONS.measures} | loads == set(WAYS)


def test_a_measure_of_the_fitters_own_has_plain_ones() -> None:
    own = DEFINITIONS.measure("knee_flexion").model_copy(update={"name": "own", "short": "own"})
    assert change_words(judged(2, 4, told=True), own, "L", "crank") == (
        "the left own is 2 to 4 degrees larger"
    )
