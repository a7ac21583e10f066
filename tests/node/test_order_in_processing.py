"""Disorder, restarts and what a device says of itself, through a whole run of processing."""

from __future__ import annotations

import numpy as np
import pytest

from livefit.frames import MarkerBlock
from livefit.node.processing import Processing
from livefit.wire.messages import DeviceState, Frames, Row, Snapshot
from tests.node.streams import (
    STARTED,
    block,
    description,
    lost,
    messages,
    play,
    processing,
    row,
)


def begun() -> Processing:
    node = processing()
    node.describe(description())
    return node


def played(sent: list[Frames]) -> Snapshot:
    """After messages that arrive 10 ms apart in the order given."""
    node = begun()
    for k, message in enumerate(sent):
        node.take(message, STARTED + k / 100)
    return node.snapshot(STARTED + len(sent) / 100 + 1.0)


def test_frames_put_in_their_place_give_the_very_numbers_of_a_sound_stream() -> None:
    """Only the first to come out of turn is lost, before the bicycle is found."""
    sound = messages(block(), size=1)
    mixed = list(sound)
    for k in (10, 300, 301, 500, 777, 1100):
        mixed[k], mixed[k + 1] = mixed[k + 1], mixed[k]
    mixed.insert(900, mixed[880])
    disordered, without = played(mixed), played(messages(lost(block(), [10]), size=1))
    assert disordered.rows == without.rows
    assert any(r.n > 10 for r in disordered.rows)
    health = disordered.health
    # 301 and 302 both came before 300: one frame out of turn.
    assert (health.late, health.disordered, health.duplicates) == (1, 4, 1)
    assert (health.future, health.restarts) == (0, 0)
    assert (health.frames, health.lost) == (1199, 1)


def means(rows: list[Row]) -> dict[tuple[str, str, str], float | None]:
    return {(r.measure, r.side, r.event): r.mean for r in rows}


@pytest.mark.parametrize("clock_goes_on", [False, True])
def test_a_device_that_starts_again_begins_the_numbers_anew(clock_goes_on: bool) -> None:
    """Everything is as in a node that saw the second ride alone; the fit stays."""
    node = begun()
    play(node, messages(block()))
    assert node.snapshot(STARTED + 12.0).strokes == {"L": 15, "R": 15}
    node.trials.keep_baseline()
    second = block(3)
    t = second.t + (13.0 if clock_goes_on else 0.0)
    again = MarkerBlock(second.numbers, t, second.positions)
    alone = begun()
    found_at = None
    for message in messages(again):
        last = float(np.frombuffer(message.t, "<f8")[-1])
        now = STARTED + 13.0 + last % 13.0 + 0.002
        node.take(message, now)
        alone.take(message, now)
        if found_at is None and node.snapshot(now).health.restarts:
            found_at = now
            warnings = node.snapshot(now).warnings
    assert found_at is not None
    assert found_at - STARTED - 13.0 < 2.0
    assert warnings == ["the sensor began to count anew: the averages began anew as well"]
    end = STARTED + 25.1
    restarted, fresh = node.snapshot(end), alone.snapshot(end)
    assert means(restarted.rows) == means(fresh.rows)
    assert restarted.strokes == {"L": 15, "R": 15}
    assert (restarted.health.frames, restarted.health.lost) == (1200, 0)
    assert restarted.health.restarts == 1
    assert restarted.warnings == []
    assert row(restarted, "knee_flexion", "R", "bdc").baseline is not None
    clock = restarted.health.clock
    assert clock is not None
    assert clock.offset_s == pytest.approx(STARTED + 13.002 - 13.0 * clock_goes_on, abs=1e-3)


def test_the_first_frame_used_is_told_and_that_of_the_count_that_runs() -> None:
    """A node that joins late; then a device that counts anew, of which it misses the beginning."""
    node = begun()
    assert node.snapshot(STARTED).health.first is None
    sent = messages(block(), size=5)
    now = play(node, sent[3:200])
    assert node.snapshot(now).health.first == 15
    for k, message in enumerate(sent[2:100]):
        node.take(message, now + 1.0 + k / 20)
    told = node.snapshot(now + 6.0).health
    assert (told.restarts, told.first) == (1, 10)


def test_a_frame_from_the_future_changes_no_number() -> None:
    sound = messages(block(), size=1)
    wrong = sound[700].model_copy(update={"first": 2**50})
    mixed = [*sound[:700], wrong, *sound[700:]]
    snapshot = played(mixed)
    assert snapshot.rows == played(sound).rows
    assert (snapshot.health.future, snapshot.health.lost) == (1, 0)


def test_what_is_held_comes_out_when_the_stream_ends() -> None:
    sent = messages(lost(block(), [1100]), size=1)
    sent[10], sent[11] = sent[11], sent[10]
    node = begun()
    for k, message in enumerate(sent[:1102]):
        node.take(message, STARTED + k / 100)
    assert node.snapshot(STARTED + 11.1).frame == 1102


def test_the_clock_of_a_stream_is_in_its_health() -> None:
    node = begun()
    now = play(node, messages(block(), size=1))
    clock = node.snapshot(now).health.clock
    assert clock is not None
    # Sent when stamped and 2 ms under way, always.
    assert clock.offset_s == pytest.approx(STARTED + 0.002, abs=1e-5)
    assert clock.drift_ppm == pytest.approx(0.0, abs=1.0)
    assert clock.latency_ms == pytest.approx(0.0, abs=1e-3)
    assert clock.jitter_ms == pytest.approx(0.0, abs=1e-3)
    assert clock.jumps == 0


def test_what_the_device_says_of_itself_is_in_the_snapshot() -> None:
    node = begun()
    assert node.snapshot(STARTED).device is None
    node.note(DeviceState(stream="another", battery=0.02), STARTED)
    assert node.snapshot(STARTED).device is None
    said = DeviceState(stream="one", battery=0.08, link=0.5, temperature_c=31.5, lost=4)
    node.note(said, STARTED)
    snapshot = node.snapshot(STARTED)
    assert snapshot.device == said
    assert snapshot.warnings == ["the sensor's battery is down to 8 %"]
    assert Snapshot.model_validate(snapshot.model_dump()) == snapshot
    node.describe(description("two"))
    assert node.snapshot(STARTED).device is None
