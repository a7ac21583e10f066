"""Two captures of one trial, the bicycle turned in between, and what belongs to which."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from livefit.frames import MarkerBlock
from livefit.node.processing import Processing
from livefit.node.requests import answer
from livefit.wire.messages import Snapshot
from simulators import RiderSimulation, Sensor, observe, stream_info
from tests.node.streams import SENSOR, Played, description, messages, play, processing, row

SIDES = {side: Sensor(rate_hz=100.0, side=side) for side in ("left", "right")}
RIGHT, LEFT = ("knee_flexion", "R", "bdc"), ("knee_flexion", "L", "bdc")


@cache
def seen_from(side: str) -> MarkerBlock:
    return observe(RiderSimulation(seed=1), SIDES[side], count=1100)


def capture(node: Processing, side: str, stream: str, seconds: float = 11.0) -> Snapshot:
    sensor = SIDES[side]
    node.describe(description(stream, sensor))
    now = play(node, messages(seen_from(side), stream, sensor)[: int(seconds * 10)])
    return Played(node, now).snapshot()


def keys(snapshot: Snapshot) -> set[str]:
    return {r.side for r in snapshot.rows if r.n}


def test_the_other_side_stays_until_the_bicycle_is_changed() -> None:
    node = processing()
    right = capture(node, "right", "one")
    assert keys(right) == {"R"}
    both = capture(node, "left", "two")
    assert keys(both) == {"L", "R"}
    assert set(both.strokes) == {"L", "R"}
    kept, was = row(both, *RIGHT), row(right, *RIGHT)
    assert (kept.mean, kept.sd) == pytest.approx((was.mean, was.sd), abs=0.5)
    cycles = node.trials.cycles()
    assert cycles is not None
    assert {each.side for each in cycles.sides} == {"L", "R"}
    past = answer(node, "history", {"rows": [["knee_flexion", "bdc"]]}, 0.0)["rows"]
    assert {r["side"] for r in past if r["strokes"]} == {"L", "R"}
    answer(node, "mark", {"part": "saddle_height", "amount": 5}, 0.0)
    marked = node.snapshot(2000.0)
    assert row(marked, *LEFT).before == pytest.approx(row(both, *LEFT).mean, abs=0.5)
    assert row(marked, *LEFT).n == 0
    assert {r.side for r in marked.rows} == {"L"}


def test_two_captures_are_compared_as_one_trial() -> None:
    node = processing()
    capture(node, "right", "one")
    capture(node, "left", "two")
    answer(node, "mark", {"part": "saddle_height", "amount": 5}, 0.0)
    capture(node, "left", "three")
    again = capture(node, "right", "four")
    assert {r.side for r in again.rows if r.before is not None and r.n} == {"L", "R"}
    told = [node.trials.changes() for _ in range(20)]
    [changes] = [each for each in told if each is not None][-1:]
    compared = {r.side: r.mark for r in changes.rows if r.event == "bdc"}
    assert set(compared) == {"L", "R"}
    for side, against in compared.items():
        assert against is not None
        assert against.verdict == "hidden", side
        assert abs(against.by or 0.0) < 1.5


def test_a_new_stream_of_the_same_side_begins_anew() -> None:
    node = processing()
    capture(node, "right", "one")
    # 90 strokes a minute, and one under way.
    assert max(r.n for r in capture(node, "right", "two", 4.0).rows) <= 4 * 1.5 + 1


def test_a_restart_forgets_the_other_side_too() -> None:
    node = processing()
    capture(node, "right", "one")
    answer(node, "restart_window", {}, 0.0)
    assert keys(capture(node, "left", "two")) == {"L"}


def test_an_estimate_goes_by_both_captures() -> None:
    """The knee of the side that is not seen any more is out of the band: no "all is inside"."""
    node = processing()
    capture(node, "right", "one")
    both = capture(node, "left", "two")
    right, left = row(both, *RIGHT).mean or 0.0, row(both, *LEFT).mean or 0.0
    way = 1.0 if right > left else -1.0
    edges = sorted([left - 20.0 * way, right - way * abs(right - left) / 2])
    band = {"measure": "knee_flexion", "event": "bdc", "low": edges[0], "high": edges[1]}
    answer(node, "set_band", band, 0.0)
    found = answer(node, "into_bands", {"rows": [["knee_flexion", "bdc"]]}, 0.0)
    assert [*found["changes"]], found["said"]
    estimate = answer(node, "predict", {"changes": found["changes"]}, 0.0)
    knees = {
        r["side"]: r for r in estimate["rows"]
        if (r["measure"], r["event"]) == ("knee_flexion", "bdc")
    }  # fmt: skip
    assert set(knees) == {"L", "R"}
    assert knees["R"]["now"] == pytest.approx(right, abs=0.5)
    for each in knees.values():
        assert edges[0] <= each["now"] + each["by"] <= edges[1]
    assert estimate["not_predicted"] == []


def test_a_side_without_an_estimate_is_said() -> None:
    """The toe's marker comes off: the right knee is still measured, its chain is not whole."""
    node = processing()
    frames = observe(RiderSimulation(seed=1), SENSOR, count=1100)
    toe = stream_info(SENSOR).labels.index("R_VM")
    positions = frames.positions.copy()
    positions[300:, toe] = np.nan
    frames = MarkerBlock(frames.numbers, frames.t, positions, frames.channels)
    node.describe(description())
    sent = messages(frames)
    play(node, sent[:60])
    answer(node, "restart_window", {}, 0.0)
    play(node, sent[60:])
    found = answer(node, "into_bands", {"rows": [["knee_flexion", "bdc"]]}, 0.0)
    assert found["said"][0].startswith("Nothing is estimated of the right side")
    estimate = answer(node, "predict", {"changes": {"saddle_height": 5}}, 0.0)
    assert estimate["not_predicted"] == found["said"][:1]
