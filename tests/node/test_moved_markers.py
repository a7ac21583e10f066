"""What rests on a marker that is not where its label says is left out everywhere, and comes back.

The witnesses are the simulator's truth, the same ride without the fault, and the recording's own
analysis.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from livefit.analysis import Analysis, analyse
from livefit.frames import MarkerBlock
from livefit.node.processing import Processing
from livefit.node.requests import answer
from livefit.wire.blocks import FrameReader
from livefit.wire.change_messages import Changes
from livefit.wire.messages import Description, Frames, Row
from simulators import RiderSimulation, observe, stream_info
from simulators.faults import Fault, read_fault
from simulators.frame_faults import Slipped, Swapped
from simulators.scene import Scene
from tests.node.faulty import MARKERS, Faced, faced
from tests.node.streams import SENSOR, description, messages, play, processing, shipped

WITHIN_DEG = 0.2
KNEE = ("knee_flexion", "R", "bdc")
SWAP_S, BACK_S = 6.5, 9.0


def fault(*frames: Slipped | Swapped, seconds: float = 30.0) -> Fault:
    """A sound sensor but for its markers."""
    return read_fault("sound").model_copy(update={"frames": frames, "seconds": seconds})


def swapped(until_s: float | None) -> Swapped:
    """Right knee and ankle exchange their labels."""
    return Swapped(kind="swapped", one="R_LE", other="R_LM", at_s=SWAP_S, until_s=until_s)


@cache
def met_swap_and_back() -> Faced:
    """Not to be changed."""
    whole = fault(swapped(BACK_S)).model_copy(update={"shows_s": 18.0})
    return faced(whole, 10)


def row_of(rows: list[Row], key: tuple[str, str, str]) -> Row:
    [found] = [row for row in rows if (row.measure, row.side, row.event) == key]
    return found


def frames_of(told: Faced) -> MarkerBlock:
    """What the node was sent, as one block."""
    described = told.ride.parcels[0].read()
    assert isinstance(described, Description)
    reader = FrameReader(described)
    sent = [parcel.read() for parcel in told.ride.parcels[1:]]
    return MarkerBlock.joined([reader.read(each) for each in sent if isinstance(each, Frames)])


def analysed(told: Faced) -> Analysis:
    return analyse(told.ride.info, frames_of(told), shipped(), discipline="road_endurance")


def test_labels_that_change_back_give_their_numbers_again_by_themselves() -> None:
    told = met_swap_and_back()
    shown = {round(t, 1): row_of(s.rows, KNEE) for t, s in told.looks if s.rows}
    assert shown[SWAP_S - 0.5].mean is not None
    assert {shown[t].mean for t in (8.5, 9.0, 15.0)} == {None}
    assert told.last.warnings == []
    rows = list(told.rows())
    assert len(rows) == 56
    for row in rows:
        assert row.n >= 8
        assert abs(told.error_deg(row)) < WITHIN_DEG, row


def test_strokes_ridden_meanwhile_are_left_out_of_trial_history_and_cycles() -> None:
    told = met_swap_and_back()
    [knee] = [
        each for each in told.node.trials.history.rows([KNEE[::2]], 100) if each["side"] == "R"
    ]
    t, values = np.array(knee["t"]), np.array(knee["values"], dtype=float)
    assert np.isnan(values[(t > 8.5) & (t < BACK_S)]).all()
    own = told.node.trials.present
    assert own is not None
    kept = own.strokes.strokes(KNEE)
    assert np.isnan(kept.values[(kept.t > SWAP_S) & (kept.t < BACK_S)]).all()
    assert np.nanstd(kept.values) < 3.0  # Exchanged, the angle is 125 deg off.
    assert np.isfinite(kept.values[kept.t > BACK_S + 14.0]).all()
    hip = own.strokes.strokes(("hip_angle", "L", "bdc"))
    assert np.isfinite(hip.values).all()


def test_what_is_left_out_afterwards_is_what_was_left_out_live() -> None:
    told = met_swap_and_back()
    own = told.node.trials.present
    assert own is not None
    later = analysed(told)
    [moved] = later.moved
    assert moved.startswith(
        "the labels R_LE and R_LM have exchanged their markers; what rests on that"
    )
    for group in later.strokes.groups:
        numbers, _, values = own.strokes.table(group)
        same = later.strokes.table(group)
        count = len(numbers)
        assert np.array_equal(numbers, same[0][:count])
        assert np.array_equal(values, same[2][:count], equal_nan=True)


def test_a_moving_figure_shows_no_angle_of_a_marker_that_moved() -> None:
    slipped = Slipped(kind="slipped", marker="R_LE", toward="R_GT", mm=10.0, at_s=8.0)
    told = faced(fault(slipped, seconds=16.0), 10)
    pose = told.node.pose(1e6)
    assert pose is not None
    live = {(each.measure, each.side): each.value for each in pose.live}
    assert live["knee_flexion", "R"] is None
    assert live["knee_flexion", "L"] is not None
    assert live["foot_inclination", "R"] is not None
    xyz = np.frombuffer(pose.xyz, dtype="<f4").reshape(-1, 3)
    assert np.isfinite(xyz[pose.labels.index("R_LE")]).all()


def restarting(at_s: float) -> Callable[[Processing, float], None]:
    """A fitter who restarts the averages."""

    def does(node: Processing, t: float) -> None:
        if t == at_s:
            answer(node, "restart_window", {}, 0.0)

    return does


def test_a_restart_takes_a_marker_as_it_is_and_brings_its_numbers_back() -> None:
    slipped = Slipped(kind="slipped", marker="R_LE", toward="R_GT", mm=10.0, at_s=6.0)
    before = faced(fault(slipped).model_copy(update={"shows_s": 6.0}), 10, restarting(12.0))
    mean = {t: row_of(s.rows, KNEE).mean for t, s in before.looks if s.rows}
    assert {mean[t] for t in (10.0, 11.0, 12.0)} == {None}
    assert mean[17.5] is not None
    assert before.last.warnings == []
    number = before.node.trials.comparing.placement
    assert number == 1
    stroke_of_restart = row_of(before.last.rows, KNEE).n
    assert 5 < stroke_of_restart < 10


def test_exchanged_labels_are_not_put_right_by_a_restart_or_a_mark() -> None:
    def does(node: Processing, t: float) -> None:
        if t in (13.0, 15.0):
            answer(node, "restart_window", {}, 0.0)
        if t == 17.0:
            node.trials.mark("saddle_height", 5.0, "")

    told = faced(fault(swapped(None)), 10, does)
    told_of = [s for t, s in told.looks if t > 11.0]
    assert all(row_of(s.rows, KNEE).mean is None for s in told_of)
    assert all("have exchanged" in s.warnings[0] for s in told_of)
    assert row_of(told.last.rows, ("knee_flexion", "L", "bdc")).n >= 5
    assert told.node.trials.comparing.placement == 0


def test_nothing_is_said_of_changes_in_rows_that_are_left_out() -> None:
    def does(node: Processing, t: float) -> None:
        if t == 7.5:
            node.trials.keep_baseline()
        changes.append(node.trials.changes())

    changes: list[Changes | None] = []
    slipped = Slipped(kind="slipped", marker="R_LE", toward="R_GT", mm=10.0, at_s=10.0)
    told = faced(fault(slipped), 10, does)
    [*_, last] = [each for each in changes if each is not None]
    rows = {(row.measure, row.side) for row in last.rows}
    assert ("knee_flexion", "L") in rows
    assert ("knee_flexion", "R") not in rows
    assert last.offers == []
    kept = told.node.trials.comparing.baseline
    assert kept is not None
    assert np.isfinite(kept.strokes.mean(KNEE).mean)


def assert_none_or_right(told: Faced, markers: set[str]) -> None:
    """The last rows: none where they rest on these markers, else as the simulator has them."""
    for row in told.rows():
        if any(f"{row.side}_{marker}" in markers for marker in MARKERS[row.measure]):
            assert (row.n, row.mean, row.left_out) == (0, None, True), row
        else:
            assert row.n >= 8
            assert abs(told.error_deg(row)) < WITHIN_DEG, row


@pytest.mark.parametrize(
    ("exchanges", "markers"),
    [
        ((("R_LE", "R_LM", 8.0), ("L_LE", "L_GT", 11.0)), {"R_LE", "R_LM", "L_LE", "L_GT"}),
        ((("R_LE", "R_LM", 8.0), ("R_LM", "R_GT", 8.0)), {"R_LE", "R_LM", "R_GT"}),
        ((("R_AC", "R_EL", 8.0),), {"R_AC", "R_EL"}),
        ((("L_US", "R_EL", 8.0),), set()),
    ],
    ids=["another later", "three in turn", "one length stays", "arms"],
)
def test_every_exchange_is_found(
    exchanges: tuple[tuple[str, str, float], ...], markers: set[str]
) -> None:
    frames = [Swapped(kind="swapped", one=a, other=b, at_s=s) for a, b, s in exchanges]
    told = faced(fault(*frames, seconds=22.0).model_copy(update={"shows_s": 10.0}), 10)
    assert "have exchanged their markers" in told.last.warnings[0]
    for one, other, _ in exchanges:
        assert one in told.last.warnings[0]
        assert other in told.last.warnings[0]
    assert_none_or_right(told, markers)


def test_labels_exchanged_from_the_beginning_show_no_number_until_they_are_right() -> None:
    wrong = Swapped(kind="swapped", one="R_LE", other="R_LM", at_s=0.0, until_s=8.0)
    told = faced(fault(wrong).model_copy(update={"shows_s": 17.0}), 10)
    early = [s for t, s in told.looks if 5.5 < t < 8.0]
    assert all(row_of(s.rows, KNEE).mean is None for s in early)
    assert all("R_LE and R_LM have exchanged" in s.warnings[0] for s in early)
    assert told.last.warnings == []
    assert_none_or_right(told, set())


def test_where_the_feet_are_exchanged_nothing_counts_until_the_stream_begins_anew() -> None:
    feet = Swapped(kind="swapped", one="L_VM", other="R_VM", at_s=8.0, until_s=11.0)
    told = faced(fault(feet).model_copy(update={"shows_s": 18.0}), 10)
    late = [s for t, s in told.looks if t > 11.0]
    assert all(row.mean is None for s in late for row in s.rows)
    assert all("restart the capture" in s.warnings[0] for s in late)
    answer(told.node, "restart_window", {}, 0.0)
    assert all(row.mean is None for row in told.node.snapshot(2e3).rows)


def test_a_marker_knocked_while_the_bicycle_is_changed_is_no_effect_of_the_change() -> None:
    def does(node: Processing, t: float) -> None:
        if t == 9.0:
            node.trials.mark("saddle_height", 5.0, "")
        if t == 16.0:
            node.trials.mark("saddle_height", 5.0, "")
        if t == 18.0:
            node.trials.unmark()

    slipped = Slipped(kind="slipped", marker="R_LE", toward="R_GT", mm=10.0, at_s=9.0)
    told = faced(fault(slipped).model_copy(update={"shows_s": 12.0}), 10, does)
    noticed = [s for t, s in told.looks if t > 12.5]
    assert all("right knee marker moved" in s.warnings[0] for s in noticed)
    assert all(row_of(s.rows, KNEE).mean is None for s in noticed)


def test_strokes_left_out_stay_so_when_the_other_side_is_captured() -> None:
    left, right = (replace(SENSOR, side=side) for side in ("left", "right"))
    node = processing()
    for stream, sensor in (("one", left), ("two", right)):
        rider = RiderSimulation(seed=1)
        block = observe(rider, sensor, count=1400)
        if sensor is left:
            slip = Slipped(kind="slipped", marker="L_LE", toward="L_GT", mm=20.0, at_s=8.0)
            block = slip.apply(block, Scene(rider, stream_info(sensor)))
        node.describe(description(stream, sensor))
        now = play(node, messages(block, stream, sensor))
        node.trials.strokes()
        rows = node.snapshot(now).rows
        assert row_of(rows, ("knee_flexion", "L", "bdc")).n <= 5
    assert row_of(rows, KNEE).n == 15


def test_after_a_new_stream_changes_are_told_of_every_row_again() -> None:
    node = processing()
    slip = Slipped(kind="slipped", marker="R_LE", toward="R_GT", mm=20.0, at_s=8.0)
    told: list[set[tuple[str, str]]] = []
    for stream, faults in (("one", [slip]), ("two", [])):
        rider = RiderSimulation(seed=1)
        block = observe(rider, SENSOR, count=1400)
        for each in faults:
            block = each.apply(block, Scene(rider, stream_info(SENSOR)))
        node.describe(description(stream, SENSOR))
        play(node, messages(block, stream, SENSOR))
        changes = [node.trials.changes() for _ in range(30)]
        told.append({(row.measure, row.side) for each in changes if each for row in each.rows})
    assert ("knee_flexion", "R") not in told[0]
    assert ("knee_flexion", "R") in told[1]


@pytest.mark.parametrize("lasts_s", [0.15, 0.35, 0.6])
def test_an_exchange_of_a_moment_spoils_no_mean(lasts_s: float) -> None:
    """Knee and ankle exchanged are 125 deg off at the bottom: 8 deg in a mean of 15 strokes."""
    brief = Swapped(kind="swapped", one="R_LE", other="R_LM", at_s=8.0, until_s=8.0 + lasts_s)
    shown = fault(brief).model_copy(update={"shows_s": 4.0})
    told, sound = faced(shown, 10), faced(shown.model_copy(update={"frames": ()}), 10)
    for (t, one), (_, other) in zip(told.looks, sound.looks, strict=True):
        if t < 10.0:
            continue
        for row, right in zip(one.rows, other.rows, strict=True):
            assert right.n - 4 <= row.n <= right.n, row
            if row.mean is not None and right.mean is not None and row.measure in MARKERS:
                assert abs(row.mean - right.mean) < 1.5, row
    assert told.last.warnings == []
