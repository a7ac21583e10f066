"""Source, node and screen as real processes: numbers, killing, starting again, ending."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator

import pytest

from livefit.wire.messages import Row, Snapshot
from livefit.wire.sockets import ControlClient, RefusedError, Subscriber
from tests.end_to_end.running import Fit, strokes, wait_for

pytestmark = pytest.mark.timeout(180)


@pytest.fixture
def fit() -> Iterator[Fit]:
    running = Fit()
    yield running
    running.close()


@pytest.fixture
def results(fit: Fit) -> Iterator[Subscriber]:
    with Subscriber(fit.results, ["results"]) as subscriber:
        yield subscriber


def row(snapshot: Snapshot, measure: str, side: str, event: str) -> Row:
    [found] = [r for r in snapshot.rows if (r.measure, r.side, r.event) == (measure, side, event)]
    return found


def value(snapshot: Snapshot) -> float:
    mean = row(snapshot, "knee_flexion", "R", "bdc").mean
    assert mean is not None
    return mean


def test_each_process_is_killed_and_started_again(fit: Fit, results: Subscriber) -> None:
    fit.start_node()
    waiting = wait_for(results, lambda s: True)
    assert waiting.state == "waiting"
    fit.start_source("simulated", "seed=3")
    fit.start_watch()
    before = wait_for(results, lambda s: strokes(s) >= 5)
    assert before.state == "riding"
    assert before.health.lost == 0
    assert 25.0 < value(before) < 50.0

    fit.kill("source")
    wait_for(results, lambda s: s.state == "silent")
    fit.start_source("simulated", "seed=3")
    again = wait_for(results, lambda s: s.stream != before.stream and strokes(s) >= 5)
    assert value(again) == pytest.approx(value(before), abs=3.0)

    fit.kill("node")
    fit.start_node()
    anew = wait_for(results, lambda s: s.node != again.node and strokes(s) >= 5)
    assert anew.stream == again.stream
    assert value(anew) == pytest.approx(value(again), abs=3.0)

    fit.kill("watch")
    fit.start_watch()
    wait_for(results, lambda s: s.node == anew.node and s.number > anew.number + 4)
    assert {name: p.poll() for name, p in fit.processes.items()} == dict.fromkeys(fit.processes)
    assert {name: fit.interrupt(name) for name in ("watch", "node", "source")} == {
        "watch": 0,
        "node": 0,
        "source": 0,
    }


def test_the_saddle_moves_through_the_node(fit: Fit, results: Subscriber) -> None:
    """Twenty millimetres straighten the knee by about 4 to 5 degrees.

    Derived from Ferrer-Roca et al. 2014, J Strength Cond Res 28:784-791: 7 deg for 4 % of the
    saddle height.
    """
    fit.start_source("simulated", "seed=5")
    fit.start_node("--strokes", "10")
    before = wait_for(results, lambda s: strokes(s) >= 10)
    with ControlClient(fit.control, timeout_s=5.0) as control:
        wanted = a_straighter_knee(fit, value(before))
        assert wanted["saddle_height"] > 0
        control.request("set_baseline")
        control.request("source", {"op": "source.saddle", "args": {"height_mm": 20.0}})
        moved = before.strokes["R"] + 22
        cadence = before.cadence_rpm or 90.0
        end = (before.t or 0.0) + moved * 60.0 / cadence
        after = wait_for(results, lambda s: (s.t or 0.0) > end and strokes(s) >= 10)
        baseline = row(after, "knee_flexion", "R", "bdc").baseline
        assert baseline == pytest.approx(value(before), abs=1.5)
        assert 2.0 < value(before) - value(after) < 9.0
        with pytest.raises(RefusedError, match="no operation 'fly'"):
            control.request("fly")


def a_straighter_knee(fit: Fit, knee_deg: float) -> dict[str, float]:
    """What the command would change for it, asked of the node."""
    band = {"measure": "knee_flexion", "event": "bdc", "low": knee_deg - 5, "high": knee_deg - 2}
    asked = ["--into-bands", "knee_flexion:bdc", "--permit", "saddle_height", "--json"]
    command = [sys.executable, "-m", "livefit", "predict", fit.control, *asked]
    with ControlClient(fit.control, timeout_s=20.0) as control:
        control.request("set_band", band)
        told = subprocess.run(command, capture_output=True, timeout=60, check=True)
        control.request("reset_bands")
    changes: dict[str, float] = json.loads(told.stdout)["changes"]
    return changes


def test_ctrl_c_ends_processes_that_wait_for_each_other(fit: Fit) -> None:
    fit.start_node()
    with Subscriber(fit.results, ["results"]) as results:
        wait_for(results, lambda s: s.state == "waiting")
    assert fit.interrupt("node") == 0
