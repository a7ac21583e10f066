"""One run of processing, from messages to snapshots, without a socket or a clock."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from livefit.frames import MarkerBlock
from livefit.node.processing import SILENT_S, Processing
from livefit.node.settings import Settings
from livefit.wire.messages import Snapshot
from simulators import Change, Ride, RiderSimulation, Sensor, Style, observe, stream_info
from simulators.markers import LABELS
from simulators.truth import truth_at
from tests.node.streams import (
    SECONDS,
    SENSOR,
    STARTED,
    Played,
    block,
    description,
    messages,
    play,
    played,
    processing,
    row,
    shipped,
)


@pytest.fixture(scope="module")
def ridden() -> Played:
    """A node after a whole ride; not to be changed."""
    return played()


def test_the_state_follows_the_rider() -> None:
    sensor = Sensor(rate_hz=100.0)
    changes = Ride(cadence_rpm=(Change(7.0, 0.0), Change(12.0, 90.0)))
    simulation = RiderSimulation(style=Style(cadence_rpm=90.0), ride=changes)
    node = processing()
    node.describe(description("one", sensor))
    states = {}
    for message in messages(observe(simulation, sensor, count=1800), "one", sensor, size=50):
        now = (message.sent or 0.0) + 0.001
        node.take(message, now)
        snapshot = node.snapshot(now)
        assert snapshot.t is not None
        states[round(snapshot.t, 1)] = snapshot.state
    assert states[0.5] == "searching"
    assert {states[t] for t in (2.0, 4.0, 6.0)} == {"riding"}
    assert {states[t] for t in (9.5, 11.0)} == {"still"}
    assert {states[t] for t in (15.0, 17.5)} == {"riding"}
    assert node.snapshot(now + SILENT_S / 2).state == "riding"
    silent = node.snapshot(now + SILENT_S + 0.1)
    assert silent.state == "silent"
    assert silent.problem == "no frames come: check the sensor system and the capture process"
    assert len(silent.rows) > 50


def test_rows_are_the_truth_within_their_own_interval(ridden: Played) -> None:
    """Three standard errors of a mean of 15 strokes, and 0.1 deg for what does not average out."""
    snapshot = ridden.snapshot()
    for side in "LR":
        for event, angle in (("tdc", 0.0), ("forward", 90.0), ("bdc", 180.0), ("rearward", 270.0)):
            found = row(snapshot, "knee_flexion", side, event)
            times, true = truth_at(
                RiderSimulation(seed=1), "knee_flexion", side, angle, 0.0, SECONDS
            )
            assert found.n == 15
            assert found.mean is not None
            assert found.se is not None
            tail = true[times < SECONDS - 0.1][-15:]
            assert found.mean == pytest.approx(tail.mean(), abs=3 * found.se / 15 + 0.1)
            assert found.crank_deg == angle
            assert found.sd is not None
            assert found.ci95 is not None
            # At least what 15 independent strokes would have: Student's t, scipy.stats.
            low, high = stats.t.interval(0.95, 14, found.mean, found.sd / np.sqrt(15))
            assert found.ci95[0] <= low + 0.1
            assert found.ci95[1] >= high - 0.1
            assert np.mean(found.ci95) == pytest.approx(found.mean)


def test_a_snapshot_is_whole(ridden: Played) -> None:
    snapshot = ridden.snapshot()
    assert (snapshot.stream, snapshot.source) == ("one", "a simulated rider")
    assert snapshot.frame == 1199
    assert snapshot.t == pytest.approx(11.99)
    assert snapshot.cadence_rpm == pytest.approx(90.0, abs=4.0)
    assert snapshot.strokes == {"L": 15, "R": 15}
    assert snapshot.problem is None
    assert [crank.side for crank in snapshot.cranks] == ["L", "R"]
    for crank in snapshot.cranks:
        assert crank.length_mm == pytest.approx(172.5, abs=0.5)
    health = snapshot.health
    assert (health.frames, health.lost, health.gaps) == (1200, 0, 0)
    assert health.rate_hz == pytest.approx(100.0, rel=1e-6)
    assert health.delay_ms == pytest.approx(2.0)
    assert Snapshot.model_validate(snapshot.model_dump()) == snapshot
    wanted = {(m.name, e) for m in shipped().measures for e in m.events}
    assert {(r.measure, r.event) for r in snapshot.rows} == wanted
    band = row(snapshot, "knee_flexion", "R", "bdc").band
    assert band == [33.0, 43.0]
    assert row(snapshot, "knee_flexion", "R", "tdc").verdict == "unknown"


def test_the_moving_figure(ridden: Played) -> None:
    pose = ridden.node.pose(ridden.now)
    assert pose is not None
    assert (pose.frame, pose.labels) == (1199, list(stream_info(SENSOR).labels))
    xyz = np.frombuffer(pose.xyz, "<f4").reshape(-1, 3)
    true = RiderSimulation(seed=1)
    at = true.positions(np.array([11.99]))[0, [LABELS.index(name) for name in pose.labels]]
    # Marker noise of 0.5 mm, and the crank axis as well as it is known.
    assert np.abs(xyz - at).max() < 4 * 0.5 + 0.5
    crank = np.degrees(true.pedalling.phase(np.array([11.99])))[0] % 360.0
    assert pose.crank_deg == pytest.approx(crank, abs=1.0)
    knee = {live.side: live.value for live in pose.live if live.measure == "knee_flexion"}
    assert knee.keys() == {"L", "R"}
    assert all(0 < value < 120 for value in knee.values() if value is not None)
    assert pose.crank_mm.keys() == {"L", "R"}


def test_a_missing_marker_shows_in_health_and_as_nil() -> None:
    whole, info = block(2), stream_info(SENSOR)
    positions = whole.positions.copy()
    positions[:, info.labels.index("L_US")] = np.nan
    positions[::4, info.labels.index("R_EL")] = np.nan
    node = processing()
    node.describe(description())
    now = play(node, messages(MarkerBlock(whole.numbers, whole.t, positions)))
    snapshot = node.snapshot(now)
    assert snapshot.health.missing == {"L_US": 1.0, "R_EL": pytest.approx(0.25, abs=0.01)}
    nothing = row(snapshot, "elbow_flexion", "L", "mean")
    assert (nothing.n, nothing.mean, nothing.last, nothing.sd, nothing.ci95) == (0, *(None,) * 4)
    assert nothing.verdict == "unknown"
    assert row(snapshot, "elbow_flexion", "R", "mean").n == 15
    pose = node.pose(now)
    assert pose is not None
    live = {(each.measure, each.side): each.value for each in pose.live}
    assert live["elbow_flexion", "L"] is None


def has_news(node: Processing) -> bool:
    return node.changed


def test_changed_says_when_there_is_something_to_publish() -> None:
    node = processing()
    node.snapshot(STARTED)
    assert not has_news(node)
    node.describe(description())
    assert has_news(node)
    node.snapshot(STARTED)
    news = 0
    for message in messages(block()):
        node.take(message, STARTED)
        if has_news(node):
            news += 1
            node.snapshot(STARTED)
    # In 11 s at 90 rpm each foot passes 16 times 5 angles: 100 instants at the least, of which
    # some share one of the 120 messages.
    assert 40 < news < len(messages(block()))


def test_the_seat_tube_angle_places_its_event() -> None:
    """Crank 90 deg + seat-tube angle on the side's own crank."""
    flat = played(Settings(seat_tube_deg=60.0))
    found = row(flat.snapshot(), "knee_flexion", "L", "seat_tube")
    assert found.crank_deg == 150.0
    times, true = truth_at(RiderSimulation(seed=1), "knee_flexion", "L", 150.0, 0.0, SECONDS)
    assert found.mean == pytest.approx(true[times < SECONDS - 0.1][-15:].mean(), abs=0.1)
    with pytest.raises(ValueError, match="between 45 and 90 degrees from horizontal, got 95"):
        Settings(seat_tube_deg=95.0)


def test_metres_and_single_precision_give_the_same_numbers(ridden: Played) -> None:
    """A float of 24 bits holds a metre to 6e-5 mm, far below the marker noise of 0.5 mm."""
    described = description().model_copy(update={"unit": "m", "precision": "f4"})
    node = processing()
    node.describe(described)
    for message in messages(block()):
        xyz = (np.frombuffer(message.xyz, "<f8") / 1000).astype("<f4")
        node.take(message.model_copy(update={"xyz": xyz.tobytes()}), ridden.now)
    one, other = ridden.snapshot(), node.snapshot(ridden.now)
    for a, b in zip(one.rows, other.rows, strict=True):
        assert (a.measure, a.side, a.event, a.n) == (b.measure, b.side, b.event, b.n)
        if a.event not in ("maximum", "minimum"):
            assert b.mean == pytest.approx(a.mean, abs=1e-3), a


def test_another_sensor_of_one_side() -> None:
    sensor = replace(SENSOR, side="right")
    node = processing()
    node.describe(description("one", sensor))
    now = play(node, messages(block(4, sensor), "one", sensor))
    snapshot = node.snapshot(now)
    assert snapshot.strokes == {"R": 15}
    assert {r.side for r in snapshot.rows} == {"R"}
    assert [crank.side for crank in snapshot.cranks] == ["R"]
