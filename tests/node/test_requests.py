"""Control requests: what they change, and what they answer when they cannot."""

from __future__ import annotations

from typing import Any

import pytest

from livefit.frames import MarkerBlock
from livefit.kernel.rolling import Rolling
from livefit.node.requests import answer
from livefit.node.settings import Settings
from tests.node.streams import (
    STARTED,
    Played,
    block,
    description,
    messages,
    play,
    played,
    processing,
    row,
)


@pytest.fixture(scope="module")
def ridden() -> Played:
    """A node after a whole ride; not to be changed."""
    return played()


def ask(ride: Played, op: str, **args: Any) -> dict[str, Any]:
    return answer(ride.node, op, args, ride.now)


def test_set_window() -> None:
    ride = played()
    before = row(ride.snapshot(), "knee_flexion", "R", "bdc")
    assert ask(ride, "set_window", strokes=5) == {"window": {"strokes": 5.0}}
    assert ride.snapshot().window == {"strokes": 5.0}
    after = row(ride.snapshot(), "knee_flexion", "R", "bdc")
    assert (after.n, after.last) == (5, before.last)
    assert ask(ride, "set_window", seconds=2.5) == {"window": {"seconds": 2.5}}
    assert row(ride.snapshot(), "knee_flexion", "R", "bdc").n in (3, 4, 5)


def test_a_window_in_seconds_survives_a_refused_stroke() -> None:
    node = processing(Settings(window=Rolling(seconds=60.0)))
    node.describe(description())
    whole = block()
    kept = (whole.t < 6.0) | (whole.t >= 6.4)
    holed = MarkerBlock(whole.numbers[kept], whole.t[kept], whole.positions[kept])
    now = play(node, messages(holed))
    snapshot = node.snapshot(now)
    assert snapshot.refused == {"frames or feet lost for too long": 2}
    assert row(snapshot, "knee_flexion", "R", "bdc").n >= 14


def test_set_window_before_a_stroke_and_before_a_stream() -> None:
    node = processing()
    assert answer(node, "set_window", {"seconds": 30.0}, 0.0) == {"window": {"seconds": 30.0}}
    node.describe(description())
    assert answer(node, "set_window", {"seconds": 20}, 0.0) == {"window": {"seconds": 20.0}}
    play(node, messages(block()))
    assert row(node.snapshot(STARTED), "knee_flexion", "R", "bdc").n > 15


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ({}, "takes either strokes or seconds, got []"),
        ({"strokes": 5, "seconds": 2.0}, "takes either strokes or seconds, got"),
        ({"strokes": 2.5}, "strokes must be a whole number, got 2.5"),
        ({"strokes": "five"}, "strokes must be a whole number, got 'five'"),
        ({"strokes": True}, "strokes must be a whole number, got True"),
        ({"strokes": 1e30}, "strokes must be at most 3000, got 1e\\+30"),
        ({"strokes": 0}, "a window holds at least one stroke, got 0"),
        ({"strokes": float("nan")}, "strokes must be a whole number, got nan"),
        ({"strokes": float("inf")}, "strokes must be a whole number, got inf"),
        ({"seconds": "long"}, "seconds must be a number, got 'long'"),
        ({"seconds": -1}, "a window lasts longer than 0 s, got -1.0"),
        ({"seconds": float("nan")}, "seconds must be finite, got nan"),
    ],
)
def test_a_wrong_window_says_what_was_expected(
    ridden: Played, args: dict[str, Any], said: str
) -> None:
    before = ridden.snapshot().window
    with pytest.raises(ValueError, match=said.replace("[", r"\[").replace("]", r"\]")):
        answer(ridden.node, "set_window", args, ridden.now)
    assert ridden.snapshot().window == before


def test_restart_window() -> None:
    ride = played()
    assert ask(ride, "restart_window") == {}
    empty = ride.snapshot()
    assert all(r.n == 0 for r in empty.rows)
    assert empty.strokes == {"L": 0, "R": 0}
    # The bicycle is not lost with the numbers.
    assert (empty.state, len(empty.cranks)) == ("riding", 2)


def test_baseline() -> None:
    ride = played()
    means = {(r.measure, r.side, r.event): r.mean for r in ride.snapshot().rows if r.n > 1}
    assert ask(ride, "set_baseline") == {"rows": len(means)}
    for r in ride.snapshot().rows:
        assert r.baseline == means.get((r.measure, r.side, r.event))
    ask(ride, "restart_window")
    assert row(ride.snapshot(), "knee_flexion", "R", "bdc").baseline is not None
    with pytest.raises(ValueError, match="nothing to keep as a baseline yet: ride at least two"):
        ask(ride, "set_baseline")
    assert row(ride.snapshot(), "knee_flexion", "R", "bdc").baseline is not None
    assert ask(ride, "clear_baseline") == {}
    assert all(r.baseline is None for r in ride.snapshot().rows)


def test_no_baseline_before_a_stream() -> None:
    with pytest.raises(ValueError, match="nothing to keep as a baseline yet"):
        answer(processing(), "set_baseline", {}, 0.0)


def test_set_discipline_judges_the_same_values_by_other_bands() -> None:
    ride = played()
    endurance = row(ride.snapshot(), "trunk_inclination", "R", "mean")
    assert ask(ride, "set_discipline", name="time_trial") == {"discipline": "time_trial"}
    snapshot = ride.snapshot()
    time_trial = row(snapshot, "trunk_inclination", "R", "mean")
    assert snapshot.discipline == "time_trial"
    assert time_trial.mean == endurance.mean
    assert (endurance.band, time_trial.band) == ([45.0, 55.0], [5.0, 25.0])
    assert time_trial.verdict == "above"


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ({"name": "nobodys"}, "no discipline is named 'nobodys'; expected one of: "),
        ({"name": 3}, "takes a name as text, got 3"),
        ({}, "takes a name as text, got None"),
    ],
)
def test_a_wrong_discipline_says_what_was_expected(
    ridden: Played, args: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        answer(ridden.node, "set_discipline", args, ridden.now)
    assert ridden.snapshot().discipline == "road_endurance"


def test_an_unknown_operation_lists_those_there_are(ridden: Played) -> None:
    with pytest.raises(ValueError, match="there is no operation 'fly'; known are status, ") as told:
        answer(ridden.node, "fly", {}, ridden.now)
    for op in ("set_window", "restart_window", "set_baseline", "clear_baseline", "set_discipline"):
        assert op in str(told.value)


def test_status_is_the_snapshot_without_its_rows(ridden: Played) -> None:
    status = answer(ridden.node, "status", {}, ridden.now)
    assert (status["state"], status["stream"]) == ("riding", "one")
    assert "rows" not in status
    assert answer(processing(), "status", {}, 1.0)["state"] == "waiting"
