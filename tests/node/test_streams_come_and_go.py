"""Streams that come, go, change, or cannot be used."""

from __future__ import annotations

import pytest

from livefit.definitions import DefinitionError
from livefit.frames import MarkerBlock, StreamInfo
from livefit.node.requests import answer
from livefit.node.settings import Settings
from livefit.wire.blocks import describe, pack_block
from livefit.wire.codec import WireError
from livefit.wire.messages import Description
from simulators import stream_info
from tests.node.streams import (
    SENSOR,
    STARTED,
    block,
    description,
    messages,
    play,
    played,
    processing,
    row,
)


def test_a_snapshot_before_anything_came() -> None:
    node = processing()
    snapshot = node.snapshot(5.0)
    assert snapshot.state == "waiting"
    assert (snapshot.stream, snapshot.source, snapshot.frame, snapshot.t) == (None,) * 4
    assert (snapshot.problem, snapshot.cadence_rpm) == (None, None)
    assert (snapshot.rows, snapshot.cranks, snapshot.strokes, snapshot.refused) == ([], [], {}, {})
    assert snapshot.window == {"strokes": 15.0}
    assert snapshot.health.frames == 0
    assert node.pose(5.0) is None
    assert node.source_control is None
    assert node.snapshot(6.0).number == snapshot.number + 1


def test_frames_before_their_description_are_left_out() -> None:
    node = processing()
    play(node, messages(block())[:20])
    assert node.snapshot(STARTED).state == "waiting"
    node.describe(description("another"))
    play(node, messages(block())[:20])
    snapshot = node.snapshot(STARTED)
    assert (snapshot.stream, snapshot.health.frames) == ("another", 0)
    assert snapshot.state == "silent"


@pytest.mark.parametrize(
    ("labels", "said"),
    [
        (["a", "b", "c"], "no marker set knows at least 3 of the stream's labels"),
        (["R_GT", "R_GT", "R_LE"], "unique labels, at least one"),
        ([], "unique labels, at least one"),
        (["rgt", "R_GT", "rlfc", "rlmal", "rcal", "rmt5"], "expected one marker for R_GT"),
    ],
)
def test_a_description_that_cannot_be_used_is_a_problem_and_no_crash(
    labels: list[str], said: str
) -> None:
    node = processing()
    node.describe(
        Description(
            stream="bad", source="a sensor", labels=labels, unit="mm", up="+y", rate_hz=100.0,
            side="right",
        )
    )  # fmt: skip
    snapshot = node.snapshot(STARTED)
    assert snapshot.state == "waiting"
    assert snapshot.problem is not None
    assert snapshot.problem.startswith("the stream of a sensor cannot be used: ")
    assert said in snapshot.problem
    node.describe(description())
    play(node, messages(block())[:5])
    after = node.snapshot(STARTED + 0.1)
    assert (after.stream, after.health.frames) == ("one", 50)
    assert after.problem is not None
    assert "cannot be used" not in after.problem


def test_a_marker_set_that_does_not_exist_is_a_problem_that_lists_those_there_are() -> None:
    node = processing(Settings(marker_set="nobodys"))
    node.describe(description())
    problem = node.snapshot(STARTED).problem
    assert problem is not None
    assert "no marker set is named 'nobodys'; expected one of: both_sides" in problem


def test_a_discipline_that_does_not_exist_is_refused_at_once() -> None:
    with pytest.raises(DefinitionError, match="no discipline is named 'nobodys'; expected one of"):
        processing(Settings(discipline="nobodys"))


def test_a_stream_without_foot_markers_says_what_is_missing() -> None:
    labels = ("R_AC", "R_EL", "R_US", "R_GT", "R_LE", "R_LM")
    info = StreamInfo(labels=labels, rate_hz=100.0, up="+z")
    node = processing()
    node.describe(describe(info, stream="feetless", source="a sensor"))
    whole = block()
    columns = [stream_info(SENSOR).labels.index(name) for name in labels]
    fewer = MarkerBlock(whole.numbers, whole.t, whole.positions[:, columns])
    described = describe(info, stream="feetless", source="a sensor")
    for message in pack_block(fewer, described, sent=STARTED):
        node.take(message, STARTED)
    snapshot = node.snapshot(STARTED)
    assert snapshot.state == "searching"
    assert snapshot.problem is not None
    assert "no foot markers: heel (CA) and fifth metatarsal head (VM)" in snapshot.problem
    assert node.pose(STARTED) is not None


def test_a_new_stream_starts_everything_but_the_baseline_anew() -> None:
    ride = played()
    answer(ride.node, "set_baseline", {}, ride.now)
    ride.node.describe(description())
    assert ride.snapshot().strokes == {"L": 15, "R": 15}
    ride.node.describe(description("two"))
    fresh = ride.snapshot()
    assert (fresh.stream, fresh.frame, fresh.strokes, fresh.refused) == ("two", None, {}, {})
    assert all(r.n == 0 for r in fresh.rows)
    assert fresh.health.frames == 0
    now = play(ride.node, messages(block(3), "two"))
    again = ride.node.snapshot(now)
    assert again.strokes == {"L": 15, "R": 15}
    knee = row(again, "knee_flexion", "R", "bdc")
    assert knee.baseline is not None
    assert knee.mean is not None
    assert 0 < abs(knee.baseline - knee.mean) < 5


def test_messages_of_a_stream_that_is_gone_are_left_out() -> None:
    ride = played()
    ride.node.describe(description("two"))
    late = messages(block(), "one")[-1]
    ride.node.take(late, ride.now)
    assert ride.snapshot().health.frames == 0


def test_a_message_that_does_not_fit_its_description_is_refused() -> None:
    node = processing()
    node.describe(description())
    whole = messages(block())[0]
    with pytest.raises(WireError, match="xyz"):
        node.take(whole.model_copy(update={"xyz": whole.xyz[:-8]}), STARTED)
    assert node.snapshot(STARTED).health.frames == 0
