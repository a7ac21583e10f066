"""Trials of recordings with several captures, stops and a node that was started again.

Witness: plain means over the strokes as the node published them, by the mark in force then.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from livefit.cli.main import app
from livefit.definitions import load_definitions, shipped_dir
from livefit.session.gather import gather
from simulators import Change, RiderSimulation, Sensor, observe
from tests.cli.recorded_rides import Key, Recorded

KNEE: Key = ("knee_flexion", "R", "bdc")
BOTH = Sensor(rate_hz=100.0)
UP = ("mark", {"part": "saddle_height", "amount": 10.0})


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner(env={"COLUMNS": "180"}).invoke(app, list(arguments))
    return result.exit_code, result.stdout, result.stderr


def found(*arguments: str) -> dict[str, Any]:
    status, out, err = run(*arguments, "--json")
    assert (status, err) == (0, "")
    document: dict[str, Any] = json.loads(out)
    return document


def row(document: dict[str, Any], key: Key) -> dict[str, Any]:
    [own] = [r for r in document["rows"] if (r["measure"], r["side"], r["event"]) == key]
    return dict(own)


def higher(at_s: float) -> RiderSimulation:
    """A rider whose saddle goes up by 10 mm within a second."""
    rider = RiderSimulation(seed=4)
    height = rider.bicycle.saddle_height_mm + 10.0
    return rider.changed("saddle_height_mm", Change(at_s, height, 1.0))


@pytest.fixture(scope="module")
def stopped(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """The cranks rest from 21 to 24 s; saddle up and back are marked meanwhile.

    At 34 s the node is started again, and knows of no mark any more.
    """
    rider = higher(21.5)
    rider = rider.changed("cadence_rpm", Change(20.0, 0.0, 1.0))
    rider = rider.changed("cadence_rpm", Change(24.0, 90.0, 1.0))
    live = Recorded(tmp_path_factory.mktemp("stopped"))
    back = ("mark", {"part": "saddle_setback", "amount": -5.0})
    do = {23.0: UP, 23.4: back, 34.0: ("node_restarted", {})}
    live.ride(observe(rider, BOTH, count=4200), "one", BOTH, do)
    live.close()
    return live


@pytest.fixture(scope="module")
def sides(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """The left side for 30 s, then the right; there the saddle goes up, marked at 17 s."""
    live = Recorded(tmp_path_factory.mktemp("sides"))
    left, right = Sensor(rate_hz=100.0, side="left"), Sensor(rate_hz=100.0, side="right")
    live.ride(observe(RiderSimulation(seed=3), left, count=3000), "left", left, {})
    live.ride(observe(higher(16.0), right, count=3400), "right", right, {17.0: UP})
    live.close()
    return live


def test_the_cranks_rest_before_the_mark(stopped: Recorded) -> None:
    """No stroke from before the stop counts after it; the node's second start cuts nothing."""
    compared = found("compare", str(stopped.writer.path), "--trials", "0", "1")
    for key in (KNEE, ("knee_flexion", "L", "bdc"), ("hip_angle", "R", "tdc")):
        n, mean = stopped.mean(0, key)
        own = row(compared, key)["before"]
        assert (own["n"] + own["aside"], own["aside"]) == (n, 0)
        assert own["mean"] == pytest.approx(mean, abs=1e-9)
        now = row(compared, key)["now"]
        assert now["n"] + now["aside"] > 22
    assert row(compared, KNEE)["by"] < -1.0


def test_both_marks_of_one_stop_are_named(stopped: Recorded) -> None:
    path = str(stopped.writer.path)
    compared = found("compare", path, "--trials", "0", "1")
    made = [("saddle_height", 10.0), ("saddle_setback", -5.0)]
    assert [(m["part"], m["amount"]) for m in compared["changed"]] == made
    trials = found("analyse", path)["trials"]
    assert [[(m["part"], m["amount"]) for m in t["marks"]] for t in trials] == [[], made]
    said = " ".join(run("compare", path, "--trials", "0", "1")[1].split())
    assert "Changed in between: saddle height 10 mm up, saddle setback 5 mm forward." in said
    said = " ".join(run("analyse", path)[1].split())
    assert "Trials: 0; 1 after saddle height 10 mm up, saddle setback 5 mm forward. The" in said


def test_captures_of_the_sides_are_one_trial_up_to_the_mark(sides: Recorded) -> None:
    path = sides.writer.path
    compared = found("compare", str(path), "--trials", "0", "1")
    n, mean = sides.mean(0, KNEE)
    own = row(compared, KNEE)
    assert (own["before"]["n"] + own["before"]["aside"]) == n
    assert own["before"]["mean"] == pytest.approx(mean, abs=1e-9)
    assert own["now"]["n"] + own["now"]["aside"] == sides.mean(1, KNEE)[0]
    assert own["by"] < -1.0
    assert {r["side"] for r in compared["rows"]} == {"R"}
    assert any("left side only in fit.mcap#0: not compared" in note for note in compared["notes"])
    assert any("the stream began 2 times" in note for note in compared["notes"])
    assert "as within one recording" in compared["markers_why"]
    analysed = found("analyse", str(path))
    first, second = ({r["side"] for r in t["rows"]} for t in analysed["trials"])
    assert (first, second) == ({"L", "R"}, {"R"})
    assert "this table is that of the longest" in " ".join(analysed["notes"])


def test_a_sessions_trials_are_the_same(stopped: Recorded, sides: Recorded) -> None:
    definitions = load_definitions(shipped_dir())
    for live in (stopped, sides):
        path: Path = live.writer.path
        gathered = gather(path, definitions).trials
        trials = found("analyse", str(path))["trials"]
        assert len(gathered) == len(trials) == 2
        for one, other in zip(gathered, trials, strict=True):
            assert [a.part for a in one.adjustments] == [m["part"] for m in other["marks"]]
            theirs = {(n.measure, n.side, n.event): n for n in one.numbers}
            for own in other["rows"]:
                key = (own["measure"], own["side"], own["event"])
                if own["aside"] == 0 and own["n"] == theirs[key].n:
                    assert own["mean"] == pytest.approx(theirs[key].mean, rel=1e-12)
            assert {k[1] for k in theirs} >= {own["side"] for own in other["rows"]}


def test_a_rider_is_predicted_from_the_last_trial_and_taught_by_the_marks(
    stopped: Recorded,
) -> None:
    """At the bottom the pose is the mean of the strokes that the trial's comparison counts."""
    path = str(stopped.writer.path)
    compared = row(found("compare", path, "--trials", "0", "1"), KNEE)
    by = ("--change", "saddle_height=-4")
    last, first = found("predict", path, *by), found("predict", f"{path}#0", *by)
    assert (last["trial"], first["trial"]) == (1, 0)
    for predicted, part in ((last, "now"), (first, "before")):
        assert row(predicted, KNEE)["now"] == pytest.approx(compared[part]["mean"], abs=0.3)
    assert abs(compared["by"]) > 1.0
    assert last["said_by"] == "this rider, from 1 adjustment"
    assert first["said_by"] == "published"
    again = found(
        "predict", path, *by, "--learn", f"{path}#0,{path}#1,saddle_height=10,saddle_setback=-5"
    )
    assert again["rows"] == last["rows"]
    said = " ".join(run("predict", path, *by)[1].split())
    assert "estimated from trial 1, after saddle height 10 mm up, saddle setback 5 mm" in said
    status, _, err = run("predict", f"{path}#2", *by)
    assert (status, "has the trials 0 to 1, got 2" in err) == (2, True)
    status, _, err = run("predict", path, *by, "--learn", f"{path},{path}#1,saddle_height=10")
    assert (status, "has 2 trials, 0 to 1: say which" in err) == (2, True)


def test_a_side_captured_before_and_after_the_mark_teaches(sides: Recorded) -> None:
    predicted = found("predict", str(sides.writer.path), "--change", "saddle_height=-4")
    assert predicted["said_by"] == "this rider, from 1 adjustment"
    assert set(predicted["sides"]) == {"R"}
    assert any("the stream began 2 times" in note for note in predicted["notes"])


def test_a_change_between_two_captures_teaches_nothing_and_that_is_said(tmp_path: Path) -> None:
    live = Recorded(tmp_path)
    live.ride(observe(RiderSimulation(seed=3), BOTH, count=1200), "one", BOTH, {})
    live.ask(*UP)
    live.ride(observe(higher(0.0), BOTH, count=1200), "two", BOTH, {})
    predicted = found("predict", str(live.close()), "--change", "saddle_height=-4")
    assert (predicted["trial"], predicted["said_by"]) == (1, "published")
    assert any("no stream holds strokes of both" in note for note in predicted["notes"])
