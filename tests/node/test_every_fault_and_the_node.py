"""Every faulty sensor in front of the node: right numbers, no numbers, or a word of warning.

The witness is the simulator's truth of the very strokes in the window.
"""

from __future__ import annotations

from functools import cache

import pytest

from livefit.wire.messages import Row
from simulators.faults import fault_names, read_fault
from tests.node.faulty import CRANK_DEG, MARKERS, Faced, faced

WITHIN_DEG = 0.2

NO_NUMBERS = {
    "description_incomplete", "labels_unknown", "metres", "millimetres", "no_pedalling", "silent",
    "upside_down", "wrong_up",
}  # fmt: skip
"""The crank cannot be found, or turns backward: there is nothing to show."""

INTERVAL = {"coarse", "loose_forefoot", "loose_knee", "noise", "strays"}
"""Fifteen strokes are too few for 0.2 deg; the interval of the mean says so and holds the truth."""

MOVED = {
    "creeping_hip": {"L_GT", "L_LE"},
    "slipped_heel": {"R_CA"},
    "slipped_knee": {"R_LE"},
    "swapped_hips": {"L_GT", "R_GT"},
    "swapped_labels": {"R_LE", "R_LM"},
    "swapped_sides": {"L_LE", "R_LE"},
}
"""Markers that are no longer where their labels say; which of two moved may be left open."""

HIDDEN = {
    "hidden_bottom": ("R_LM", 150.0, 210.0),
    "hidden_hip": ("R_GT", 320.0, 400.0),
    "hidden_knee": ("L_LE", 330.0, 390.0),
    "missing_marker": ("R_LE", 0.0, 360.0),
}
"""Marker, and between which angles of its own crank it is out of sight."""

AHEAD_S = {"clock_offset": 86_400.0, "restart": -9.0, "restart_unsaid": -9.0}
"""The device's clock less the ride's, in the end."""

FEWEST = {"flicker": 0}
"""Strokes in every row; 8 unless the fault leaves little."""

NUMBERS = sorted(set(fault_names()) - NO_NUMBERS - INTERVAL - set(MOVED))


@cache
def met(name: str) -> Faced:
    """A node that faced a fault; not to be changed."""
    fault = read_fault(name)
    one_by_one = fault.way or fault.source.get("sampling") == "stamped"
    return faced(fault, 1 if one_by_one else 10)


def hidden(name: str, row: Row) -> bool:
    """Whether a fault hides what the row is measured from."""
    if name not in HIDDEN:
        return False
    marker, begin, end = HIDDEN[name]
    crank = CRANK_DEG[row.event]
    return (
        row.side == marker[0]
        and marker[2:] in MARKERS[row.measure]
        and (crank - begin) % 360.0 < end - begin
    )


@pytest.mark.parametrize("name", NUMBERS)
def test_numbers_are_right_or_there_is_none(name: str) -> None:
    told = met(name)
    rows = list(told.rows())
    assert rows
    for row in rows:
        if hidden(name, row):
            assert (row.n, row.mean) == (0, None), row
        else:
            assert row.n >= FEWEST.get(name, 8), row
            assert row.n == 0 or abs(told.error_deg(row, AHEAD_S.get(name, 0.0))) < WITHIN_DEG, row


@pytest.mark.parametrize("name", sorted(INTERVAL))
def test_where_the_strokes_do_not_suffice_the_interval_says_so(name: str) -> None:
    """A 95 % interval misses one row in twenty: of 56, more than 7 in one ride of a hundred."""
    told = met(name)
    missed = 0
    for row in told.rows():
        assert row.ci95 is not None
        assert row.mean is not None
        missed += not row.ci95[0] < row.mean - told.error_deg(row) < row.ci95[1]
    assert missed <= 7


@pytest.mark.parametrize("name", sorted(NO_NUMBERS))
def test_no_number_where_there_cannot_be_one(name: str) -> None:
    for _, snapshot in met(name).looks:
        assert all(row.mean is None for row in snapshot.rows if row.measure in MARKERS)


@pytest.mark.parametrize("name", sorted(NO_NUMBERS))
def test_the_node_says_why_there_is_no_number(name: str) -> None:
    told = met(name)
    assert told.last.problem or told.last.warnings or told.refused


def rests_on(row: Row, markers: set[str]) -> bool:
    """Whether a sagittal angle is measured from one of these markers."""
    return any(f"{row.side}_{marker}" in markers for marker in MARKERS[row.measure])


@pytest.mark.parametrize("name", sorted(MOVED))
def test_markers_that_moved_are_told_of_within_ten_strokes(name: str) -> None:
    told = met(name)
    ten_strokes = told.fault.shows_s + 10 * 60 / 90
    looks = [s for t, s in told.looks if told.fault.shows_s < t < ten_strokes]
    assert any("marker" in text for s in looks for text in s.warnings)


@pytest.mark.parametrize("name", sorted(MOVED))
def test_from_then_on_there_is_no_number_rather_than_a_wrong_one(name: str) -> None:
    told = met(name)
    first = next(
        k for k, (_, s) in enumerate(told.looks) if any("left out" in w for w in s.warnings)
    )
    assert len(told.looks) - first > 10
    for _, snapshot in told.looks[first:]:
        for row in snapshot.rows:
            if row.measure in MARKERS and rests_on(row, MOVED[name]):
                assert (row.n, row.mean, row.last, row.verdict) == (0, None, None, "unknown"), row
    others = [row for row in told.rows() if not rests_on(row, MOVED[name])]
    assert len(others) >= 8
    for row in others:
        assert row.n >= FEWEST.get(name, 8)
        assert abs(told.error_deg(row)) < WITHIN_DEG, row


def test_a_restart_that_is_not_said_is_noticed_before_the_old_numbers_are_reached() -> None:
    told = met("restart_unsaid")
    fewest = [(t, s) for t, s in told.looks if 11.0 < t < 16.0]
    assert any(
        s.problem or s.warnings or s.state != "riding" or s.health.frames > 810 for _, s in fewest
    )


def test_stalls_and_silence_show_in_the_state() -> None:
    for name, quiet in (("stall", (9.3, 10.9)), ("falls_silent", (11.3, 12.9))):
        states = {s.state for t, s in met(name).looks if quiet[0] < t < quiet[1]}
        assert states == {"silent"}, name


def test_what_was_wrong_with_the_messages_is_counted() -> None:
    assert met("random_loss").last.health.lost > 30
    assert met("bursty_loss").last.health.gaps > 3
    assert met("missing_marker").last.health.missing == {"R_LE": 1.0}
    mangled = met("mangled")
    share = mangled.refused / len(mangled.ride.parcels)
    assert share == pytest.approx(0.04, abs=0.015)
    # A message that was cut off is a frame lost; the newest may be among them.
    assert 0 < mangled.last.health.lost < mangled.refused


@pytest.mark.parametrize("name", ["bundles", "duplicates", "slow_link", "stall"])
def test_what_comes_late_or_twice_changes_no_number(name: str) -> None:
    pairs = [(measure, event) for measure in MARKERS for event in CRANK_DEG]
    expected = met("sound").node.trials.history.rows(pairs, 40)
    found = met(name).node.trials.history.rows(pairs, 40)
    assert len(found) == len(expected) > 40
    for one, other in zip(found, expected, strict=True):
        sound = dict(zip(other["strokes"], other["values"], strict=True))
        same = [
            sound[stroke] == value
            for stroke, value in zip(one["strokes"], one["values"], strict=True)
            if stroke in sound
        ]
        assert len(same) > 10
        assert all(same)
