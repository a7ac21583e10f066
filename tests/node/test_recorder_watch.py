"""What the recorder says reaches every snapshot, and is not believed once it has gone."""

from __future__ import annotations

import pytest

from livefit.definitions import load_definitions
from livefit.node.processing import Processing
from livefit.node.recorder_watch import STALE_S
from livefit.node.requests import answer
from livefit.node.settings import Settings

SAID = {
    "name": "a.mcap", "seconds": 754.0, "size": 61_000_000, "frames": 150_600, "lost": 12,
    "left_s": 11_000.0,
}  # fmt: skip


@pytest.fixture
def node() -> Processing:
    return Processing(load_definitions(), Settings())


def test_a_recording_is_in_the_snapshot_until_its_recorder_is_silent(node: Processing) -> None:
    assert node.snapshot(0.0).recording is None
    answer(node, "recording", dict(SAID), 10.0)
    snapshot = node.snapshot(10.0 + STALE_S)
    assert snapshot.recording == "a.mcap"
    assert snapshot.recorded is not None
    assert {"name": "a.mcap", **snapshot.recorded.model_dump()} == SAID
    assert snapshot.warnings == []
    late = node.snapshot(10.1 + STALE_S)
    assert late.recording is None
    assert late.recorded is None
    assert "the recorder fell silent: nothing is recorded" in late.warnings[0]
    answer(node, "recording", dict(SAID), 20.0)
    assert node.snapshot(20.0).warnings == []


def test_an_end_that_was_meant_is_no_warning(node: Processing) -> None:
    answer(node, "recording", dict(SAID), 10.0)
    answer(node, "recording", {"name": None}, 10.5)
    assert node.snapshot(10.6).recording is None
    assert node.snapshot(20.0).warnings == []


def test_why_it_ended_is_told(node: Processing) -> None:
    answer(node, "recording", dict(SAID), 10.0)
    answer(node, "recording", {"name": None, "ended": "the disk is nearly full"}, 10.5)
    assert node.snapshot(60.0).warnings == ["nothing is recorded: the disk is nearly full"]


@pytest.mark.parametrize("wrong", [{"size": "large"}, {"seconds": None}, {"frames": 1.5}])
def test_what_cannot_be_read_is_refused(node: Processing, wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="recording"):
        answer(node, "recording", {**SAID, **wrong}, 10.0)
    assert node.snapshot(10.0).recording is None
