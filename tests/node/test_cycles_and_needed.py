"""Mean cycles, the baseline kept with its pose, and how many strokes are still needed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from livefit.node.requests import answer
from livefit.wire.numbers import table
from tests.node.streams import Played, played


def ask(ride: Played, op: str, **args: Any) -> dict[str, Any]:
    return answer(ride.node, op, args, ride.now)


@pytest.fixture(scope="module")
def ridden() -> Played:
    """A node after a whole ride; not to be changed."""
    return played()


def test_cycles_carry_the_means_of_the_rows() -> None:
    """At 0, 90, 180 and 270 deg a mean cycle is the rolling mean of the final values."""
    ride = played()
    cycles = ride.node.trials.cycles()
    assert cycles is not None
    assert ride.node.trials.cycles() is None
    assert [each.side for each in cycles.sides] == ["B", "L", "R"] or [
        each.side for each in cycles.sides
    ] == ["L", "R"]
    for own in cycles.sides:
        if own.side == "B":
            continue
        shape = (37, len(own.measures))
        mean, sd, last = (table(raw, shape) for raw in (own.mean, own.sd, own.last))
        column = own.measures.index("knee_flexion")
        values = {
            at: [
                v
                for r in ride.node.trials.history.rows([("knee_flexion", event)], 100)
                if r["side"] == own.side
                for n, v in zip(r["strokes"], r["values"], strict=True)
                if own.stroke - own.n < n <= own.stroke
            ]
            for event, at in (("tdc", 0), ("bdc", 18))
        }
        for at, kept in values.items():
            assert len(kept) == own.n
            assert mean[at, column] == pytest.approx(np.mean(kept), abs=1e-3)
            assert sd[at, column] == pytest.approx(np.std(kept, ddof=1), abs=1e-3)
            assert last[at, column] == pytest.approx(kept[-1], abs=1e-3)


def test_a_baseline_keeps_its_cycles_and_its_mean_pose() -> None:
    ride = played()
    first = ride.node.trials.cycles()
    assert first is not None
    assert ride.node.trials.baseline_pose() is None
    ask(ride, "set_baseline")
    kept, pose = ride.node.trials.cycles(), ride.node.trials.baseline_pose()
    assert kept is not None
    assert pose is not None
    assert [s.baseline for s in kept.sides] == [s.mean for s in first.sides]
    xyz = table(pose.xyz, (36, len(pose.labels), 3))
    hip, knee, ankle = (xyz[:, pose.labels.index(f"R_{name}")] for name in ("GT", "LE", "LM"))
    own = next(s for s in kept.sides if s.side == "R")
    mean = table(own.mean, (37, len(own.measures)))[:36, own.measures.index("knee_flexion")]
    thigh, shank = hip - knee, ankle - knee
    cosine = (thigh * shank).sum(1) / np.linalg.norm(thigh, axis=1) / np.linalg.norm(shank, axis=1)
    # The angle of the mean pose is the mean of the angles but for their curvature.
    assert 180 - np.degrees(np.arccos(cosine)) == pytest.approx(mean, abs=0.1)
    ask(ride, "clear_baseline")
    cleared, gone = ride.node.trials.cycles(), ride.node.trials.baseline_pose()
    assert cleared is not None
    assert gone is not None
    assert gone.xyz == b""
    assert all(s.baseline == b"" for s in cleared.sides)


def test_rows_say_how_many_strokes_are_needed(ridden: Played) -> None:
    for each in ridden.snapshot().rows:
        if each.needed == 0 and each.ci95 is not None and each.n >= 5:
            limit = {"deg": 1.0, "mm": 3.0, "rpm": 1.0}[each.unit]
            assert each.ci95[1] - each.ci95[0] <= 2 * limit + 1e-9
        assert (each.needed is None) <= (each.n < 3 or (each.sd or 0.0) > 0.0)
