"""Which strokes and which measures a marker that moved puts in doubt."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from livefit.analysis import analyse
from livefit.change.doubts import NOTICED_WITHIN, Doubts
from livefit.frames import FloatArray
from livefit.kernel.cycles import GridPoses
from livefit.kernel.events import EventValues
from livefit.kernel.measuring import VIRTUAL_POINTS, MeasureTable, markers_of
from simulators import RiderSimulation, Sensor, observe, stream_info
from simulators.frame_faults import Slipped
from simulators.markers import LABELS
from simulators.scene import Scene
from tests.node.streams import shipped

SLIPPED, BACK, COUNT = 20, 27, 36
"""Turns."""


@cache
def turns() -> FloatArray:
    """True positions (COUNT, 36, m, 3) every 10 deg of the right crank.

    In some turns the right knee's marker is 9 mm off.
    """
    rider = RiderSimulation(seed=4)
    phases = np.radians(10.0 * np.arange(36 * COUNT))
    times = rider.pedalling.times_of(phases, np.zeros(len(phases)), np.full(len(phases), 60.0))
    positions: FloatArray = rider.positions(times).reshape(COUNT, 36, len(LABELS), 3)
    positions[SLIPPED:BACK, :, LABELS.index("R_LE"), 1] += 9.0
    return positions


def watched(count: int) -> Doubts:
    """After so many turns."""
    doubts = Doubts(shipped().measures, LABELS)
    for k, half in enumerate(turns()[:count].reshape(-1, 18, len(LABELS), 3)):
        doubts.take([GridPoses(18 * k, half)])
    return doubts


def left_out(doubts: Doubts, measure: str, side: str) -> list[int]:
    """Strokes of those ridden whose value is NaN."""
    strokes = np.arange(COUNT)
    whole = np.zeros((COUNT, 1))
    values = EventValues(side, "bdc", (measure,), strokes, whole[:, 0], whole, whole)
    [found] = doubts.without([values])
    return np.flatnonzero(np.isnan(found.values[:, 0])).tolist()


def test_strokes_are_in_doubt_from_ten_before_the_notice_on() -> None:
    doubts = watched(SLIPPED + 4)
    first, *_, last = left_out(doubts, "knee_flexion", "R")
    assert SLIPPED - NOTICED_WITHIN < first <= SLIPPED + 4 - NOTICED_WITHIN
    assert last == COUNT - 1
    assert doubts.now("knee_flexion", "R")
    assert left_out(doubts, "knee_flexion", "L") == left_out(doubts, "trunk_inclination", "B") == []


def test_strokes_after_it_is_back_count_again() -> None:
    doubts = watched(COUNT)
    strokes = left_out(doubts, "ankle_angle", "R")
    assert set(range(SLIPPED, BACK)) < set(strokes)
    assert BACK <= strokes[-1] < BACK + 5
    assert not doubts.now("ankle_angle", "R")
    [words] = doubts.words()
    assert words.startswith("the right knee marker moved: ")
    assert words.endswith(f"left out in strokes {strokes[0]} to {strokes[-1]}")


def test_a_marker_elsewhere_for_a_moment_costs_the_strokes_around_it() -> None:
    """A few frames in which right knee and ankle are exchanged."""
    positions = turns()[:SLIPPED].copy()
    one, other = LABELS.index("R_LE"), LABELS.index("R_LM")
    positions[12, 20:26, [one, other]] = positions[12, 20:26, [other, one]]
    doubts = Doubts(shipped().measures, LABELS)
    for k, half in enumerate(positions.reshape(-1, 18, len(LABELS), 3)):
        doubts.take([GridPoses(18 * k, half)])
    assert left_out(doubts, "knee_flexion", "R") == [11, 12, 13]
    assert left_out(doubts, "knee_flexion", "L") == []
    assert not doubts.now("knee_flexion", "R")
    [words] = doubts.words()
    assert "R_LE" in words
    assert "in 1 turn of the crank" in words


def test_a_marker_accepted_is_right_where_it_is() -> None:
    doubts = watched(SLIPPED + 6)
    assert doubts.accept()
    assert not doubts.now("knee_flexion", "R")
    assert SLIPPED + 4 < left_out(doubts, "knee_flexion", "R")[-1] < SLIPPED + 8


def test_nothing_is_touched_where_nothing_moved() -> None:
    doubts = watched(SLIPPED - 1)
    whole = np.zeros((3, 1))
    values = EventValues("R", "bdc", ("knee_flexion",), np.arange(3), whole[:, 0], whole, whole)
    assert not doubts
    assert next(doubts.without([values])) is values
    assert doubts.words() == []


@pytest.mark.parametrize("side", ["L", "R", "B"])
def test_a_measure_rests_on_the_markers_that_move_it(side: str) -> None:
    """Each marker is moved a little; the witness are the measures' own values."""
    pelvis = ("L_ASIS", "R_ASIS", "L_PSIS", "R_PSIS")
    labels = list(dict.fromkeys([*LABELS, *pelvis]))
    measures = [m for m in shipped().measures if (m.sides == "once") == (side == "B")]
    table = MeasureTable([m for m in measures if m.kind != "cadence"], side, labels)
    rng = np.random.default_rng(5)
    points = rng.normal(0.0, 300.0, (1, len(labels) + len(VIRTUAL_POINTS), 3))
    before = table.evaluate(points)[0]
    assert len(before)
    for column, label in enumerate(labels):
        moved = points.copy()
        moved[0, column] += rng.normal(0.0, 10.0, 3)
        changed = np.abs(table.evaluate(moved)[0] - before) > 1e-9
        for measure, is_so in zip(table.measures, changed.tolist(), strict=True):
            if is_so:
                assert label in markers_of(measure, side)
            elif label[2:] not in ("CA", "VM", "PED"):
                assert label not in markers_of(measure, side)


def test_spindle_and_axle_rest_on_the_feet() -> None:
    by_name = {measure.name: measure for measure in shipped().measures}
    own = {"R_CA", "R_VM", "R_PED"}
    assert markers_of(by_name["knee_over_spindle"], "R") == {"R_LE", *own}
    both = own | {f"L{marker[1:]}" for marker in own}
    assert markers_of(by_name["hip_height"], "L") == {"L_GT", *both}
    assert markers_of(by_name["cadence"], "L") == set()


def test_another_capture_of_the_trial_is_not_in_doubt() -> None:
    """The stream sees the right side; the left one's strokes are numbered by another."""
    labels = [label for label in LABELS if label.startswith("R_")]
    columns = [LABELS.index(label) for label in labels]
    doubts = Doubts(shipped().measures, labels)
    positions = turns().copy()
    positions[SLIPPED:, :, LABELS.index("R_VM"), 0] += 15.0
    for k, half in enumerate(positions[:, :, columns].reshape(-1, 18, len(columns), 3)):
        doubts.take([GridPoses(18 * k, half)])
    assert left_out(doubts, "hip_height", "R")
    assert left_out(doubts, "hip_height", "L") == []


def test_a_recording_leaves_out_the_same_strokes_at_any_rate() -> None:
    """At 30 and at 240 Hz the same ride is cut into different blocks."""
    found = []
    for rate_hz in (30.0, 240.0):
        sensor = replace(Sensor(), rate_hz=rate_hz, noise_mm=0.0)
        rider = RiderSimulation(seed=2)
        slip = Slipped(kind="slipped", marker="L_LE", toward="L_GT", mm=12.0, at_s=30.0)
        block = observe(rider, sensor, count=int(60 * rate_hz))
        block = slip.apply(block, Scene(rider, stream_info(sensor)))
        found.append(
            analyse(stream_info(sensor), block, shipped(), discipline="road_endurance").moved
        )
    assert found[0] == found[1]
    assert found[0][0].startswith("the left knee marker moved")
