"""Changes across placements: when a node takes the markers as put on anew, and counts it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import stats

from livefit.change.correlated import mean_of
from livefit.definitions import Definitions, Placements
from livefit.frames import FloatArray, MarkerBlock
from livefit.node.processing import Processing
from livefit.node.requests import answer
from livefit.node.settings import Settings
from livefit.wire.change_messages import Against, ChangeRow, Changes
from simulators import RiderSimulation, Sensor, observe
from simulators.frame_faults import Slipped
from simulators.scene import Scene
from simulators.sensor import stream_info
from tests.node.streams import description, messages, play, shipped

SENSOR = Sensor(rate_hz=100.0, noise_mm=0.3)
ANEW = replace(SENSOR, placement_mm=5.0, placement_seed=3)
SD, FREEDOM = 1.4, 5.5
ANKLE, KNEE = ("ankle_angle", "R", "bdc"), ("knee_flexion", "R", "bdc")


@cache
def measured() -> Definitions:
    """The shipped definitions, with what re-placing does to the ankle at the bottom."""
    ankle = Placements.model_validate(
        {
            "name": ANKLE[0], "unit": "deg", "placements": 5, "date": "2026-03-09",
            "at": {ANKLE[2]: {"sd": SD, "freedom": FREEDOM}},
        }
    )  # fmt: skip
    return shipped().model_copy(update={"replacing": [ankle]})


@cache
def ridden(sensor: Sensor, seed: int = 1) -> MarkerBlock:
    return observe(RiderSimulation(seed=seed), sensor, count=1300)


def ride(node: Processing, stream: str, sensor: Sensor, seed: int = 1, size: int = 50) -> None:
    """A stream of 13 s."""
    node.describe(description(stream, sensor))
    play(node, messages(ridden(sensor, seed), stream, sensor, size))


def told(node: Processing) -> Changes:
    found = [node.trials.changes() for _ in range(30)]
    return [each for each in found if each is not None][-1]


def row(changes: Changes, key: tuple[str, str, str]) -> ChangeRow:
    [found] = [r for r in [*changes.rows, *changes.loads]
               if (r.measure, r.side, r.event) == key]  # fmt: skip
    return found


def baseline_of(changes: Changes, key: tuple[str, str, str]) -> Against:
    found = row(changes, key).baseline
    assert found is not None
    return found


def ankles(node: Processing) -> FloatArray:
    """Every value of the ankle's row."""
    past = answer(node, "history", {"rows": [[ANKLE[0], ANKLE[2]]]}, 0.0)["rows"]
    return np.array(next(r for r in past if r["side"] == ANKLE[1])["values"], dtype=float)


def two_streams(sensor: Sensor, settings: Settings | None = None) -> Changes:
    """What has changed in a second stream against the first, of which the baseline is."""
    node = Processing(measured(), settings or Settings())
    ride(node, "one", SENSOR)
    answer(node, "set_baseline", {}, 0.0)
    ride(node, "two", sensor, seed=2)
    return told(node)


def test_within_a_stream_markers_stay_and_the_other_case_is_told_beside() -> None:
    """Welch's interval by hand: each mean's variance, and twice that between placements."""
    node = Processing(measured(), Settings())
    node.describe(description("one", SENSOR))
    sent = messages(ridden(SENSOR), "one", SENSOR, 50)
    play(node, sent[:13])
    then = len(ankles(node))
    answer(node, "set_baseline", {}, 0.0)
    play(node, sent[13:])
    changes = told(node)
    own, found = row(changes, ANKLE), baseline_of(changes, ANKLE)
    assert found.markers == "stayed"
    values = ankles(node)
    before, now = mean_of(values[then - found.n : then]), mean_of(values[own.aside :])
    parts = np.array([before.se**2, now.se**2, 2 * SD**2])
    freedom = parts.sum() ** 2 / (parts**2 / [before.freedom, now.freedom, FREEDOM]).sum()
    half = stats.t.ppf(0.975, freedom) * np.sqrt(parts.sum())
    assert found.anew_ci95 == pytest.approx([(found.by or 0) - half, (found.by or 0) + half])
    # Holm's first step among all the rows looked at, none of which has changed.
    rows = len(changes.rows)
    holm = stats.t.ppf(1 - 0.025 / rows, freedom) * np.sqrt(parts.sum())
    assert found.anew_smallest == pytest.approx(holm)
    assert found.smallest is not None
    assert found.smallest < holm
    said = np.ceil(10 * holm) / 10
    assert found.words.endswith(f"; under {said:g} degrees, had the markers been put on anew")
    other = baseline_of(changes, KNEE)
    assert (other.anew_ci95, other.anew_smallest) == (None, None)


def test_a_new_stream_with_the_same_lengths_finds_the_markers_as_they_were() -> None:
    changes = two_streams(SENSOR)
    assert {r.baseline.markers for r in changes.rows if r.baseline} == {"stayed"}


def test_a_new_stream_with_other_lengths_counts_markers_put_on_anew() -> None:
    changes = two_streams(ANEW)
    found, other = baseline_of(changes, ANKLE), baseline_of(changes, KNEE)
    assert (found.markers, other.markers) == ("anew", "anew")
    assert found.ci95 == found.anew_ci95
    assert found.smallest == found.anew_smallest
    assert (found.verdict, other.anew_smallest) == ("hidden", None)
    assert found.words.endswith("would be hidden, the markers having been put on anew")
    assert baseline_of(changes, ("cadence", "R", "mean")).markers == "stayed"


def test_what_the_fitter_says_goes_before_the_lengths() -> None:
    same = two_streams(SENSOR, Settings(markers_stayed=False))
    assert baseline_of(same, ANKLE).markers == "anew"
    other = two_streams(ANEW, Settings(markers_stayed=True))
    assert baseline_of(other, ANKLE).markers == "stayed"
    assert (baseline_of(other, ANKLE).ci95 or [0.0, 9.0]) != baseline_of(other, ANKLE).anew_ci95


def test_a_marker_that_moved_and_was_put_back_is_put_on_anew() -> None:
    """The knee's slips by 20 mm after 8 s; it is put back, and the averages restarted."""
    rider = RiderSimulation(seed=1)
    slip = Slipped(kind="slipped", marker="R_LE", toward="R_LM", mm=20.0, at_s=8.0)
    frames = slip.apply(ridden(SENSOR), Scene(rider, stream_info(SENSOR)))
    node = Processing(measured(), Settings())
    node.describe(description("one", SENSOR))
    play(node, messages(frames, "one", SENSOR, 50))
    answer(node, "set_baseline", {}, 0.0)
    assert ANKLE not in {(r.measure, r.side, r.event) for r in told(node).rows}
    assert "right knee marker moved" in node.trials.warnings()[0]
    answer(node, "restart_window", {}, 0.0)
    later = observe(rider, SENSOR, first=1300, count=900)
    play(node, messages(later, "one", SENSOR, 50))
    assert baseline_of(told(node), ANKLE).markers == "anew"


def test_the_other_side_of_the_same_trial_is_no_new_placement() -> None:
    node = Processing(measured(), Settings())
    right, left = replace(SENSOR, side="right"), replace(SENSOR, side="left")
    ride(node, "one", right)
    ride(node, "two", left)
    answer(node, "mark", {"part": "saddle_height", "amount": 5}, 0.0)
    ride(node, "three", left, seed=2)
    ride(node, "four", right, seed=2)
    found = told(node)
    assert {r.side for r in found.rows if r.mark is not None} >= {"L", "R"}
    assert {r.mark.markers for r in found.rows if r.mark is not None} == {"stayed"}
