"""What the node says of its stream, counted again by hand."""

from __future__ import annotations

import numpy as np
import pytest

from livefit.frames import MarkerBlock
from livefit.node.health import StreamHealth
from tests.node.streams import STARTED, block, description, lost, messages, play, processing

LABELS = ("R_GT", None, "R_LE")


def frames(numbers: list[int], missing: list[list[bool]] | None = None) -> MarkerBlock:
    """Frames at 100 Hz; missing says which of the three markers each lacks."""
    positions = np.ones((len(numbers), 3, 3))
    if missing is not None:
        positions[np.array(missing, dtype=bool)] = np.nan
    index = np.array(numbers, dtype=np.int64)
    return MarkerBlock(index, index / 100.0, positions)


def test_lost_frames_and_gaps() -> None:
    health = StreamHealth(LABELS)
    health.take(frames([100, 101, 102]))
    assert (health.frames, health.lost, health.gaps) == (3, 0, 0)
    health.take(frames([105, 106, 110]))
    assert (health.frames, health.lost, health.gaps) == (6, 2 + 3, 2)
    health.take(frames([111]))
    assert (health.frames, health.lost, health.gaps) == (7, 5, 2)


def test_the_missing_share_is_that_of_the_last_five_seconds() -> None:
    health = StreamHealth(LABELS)
    assert health.missing() == {}
    assert health.rate_hz is None
    for k in range(100):
        gone = [[k < 50, True, k >= 80]] * 10
        health.take(frames(list(range(10 * k, 10 * k + 10)), gone))
    # The newest frame came at 9.99 s: blocks that ended at 4.99 s and later count, 51 of them.
    assert health.missing() == {
        "R_GT": pytest.approx(1 / 51, abs=1e-4),
        "R_LE": pytest.approx(20 / 51, abs=1e-4),
    }
    assert health.rate_hz == pytest.approx(100.0)
    for k in range(100, 160):
        health.take(frames(list(range(10 * k, 10 * k + 10)), [[False, True, False]] * 10))
    assert health.missing() == {}


def test_the_rate_is_that_of_the_frames_that_come() -> None:
    health = StreamHealth(LABELS)
    for k in range(0, 600, 10):
        health.take(frames([n for n in range(k, k + 10) if n % 2 == 0]))
    assert health.rate_hz == pytest.approx(50.0, rel=0.01)


def test_a_clock_that_jumps_back_is_survived() -> None:
    health = StreamHealth(LABELS)
    health.take(frames([0, 1, 2]))
    later = frames([3, 4, 5])
    health.take(MarkerBlock(later.numbers, later.t - 100.0, later.positions))
    health.take(MarkerBlock(later.numbers + 3, later.t - 99.97, later.positions))
    assert health.frames == 9
    assert health.rate_hz == pytest.approx(100.0, rel=0.01)


def test_losses_repeats_and_disorder_in_a_whole_stream() -> None:
    """Frames lost on the way, messages that come twice, and two that change places."""
    sent = messages(lost(block(), range(500, 505)), size=10)
    sent = [*sent[:40], sent[39], *sent[40:]]
    sent[20], sent[21] = sent[21], sent[20]
    node = processing()
    node.describe(description())
    now = play(node, sent)
    health = node.snapshot(now).health
    # The earlier of the two that changed places comes too late and is lost.
    assert health.frames == 1200 - 5 - 10
    assert (health.lost, health.gaps) == (15, 2)
    assert node.snapshot(STARTED).rows
