"""What is wrong with markers and rider, put in by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livefit.checking import StreamHeard, Wanted
from livefit.checking.missing import BINS, hidden_at
from livefit.frames import Channel, FloatArray
from simulators import RiderSimulation, Sensor, observe, stream_info
from simulators.settings import Bicycle, Body, Style
from simulators.truth import crank_angle
from tests.checking.checked_examples import (
    INFO,
    SENSOR,
    arrivals,
    changed,
    column,
    heard,
    judged,
    names,
    ride,
    serious,
    shipped,
    the,
)

HALF = 700


def test_labels_that_nobody_knows() -> None:
    info = replace(INFO, labels=tuple(f"marker {k}" for k in range(len(INFO.labels))))
    report = judged(heard(ride(), info))
    assert names(report) == {"labels_unknown"}
    assert the(report, "labels_unknown").level == "fault"


def test_a_marker_of_the_set_that_no_label_gives() -> None:
    labels = tuple({"L_LE": "left knee"}.get(label, label) for label in INFO.labels)
    report = judged(heard(ride(), replace(INFO, labels=labels)))
    assert names(report) == {"labels_unknown"}
    found = the(report, "labels_unknown")
    assert found.level == "warning"
    assert "L_LE" in found.text
    assert "left knee" in found.text


def test_no_foot_has_both_markers() -> None:
    labels = tuple(label.replace("_CA", "_heel") for label in INFO.labels)
    report = judged(heard(ride(), replace(INFO, labels=labels)))
    assert names(report) == {"labels_unknown"}
    assert the(report, "labels_unknown").level == "fault"


def test_one_side_that_is_said_to_be_both() -> None:
    sensor = Sensor(rate_hz=100.0, side="left")
    report = judged(heard(ride(sensor), stream_info(sensor), side="right"))
    assert "labels_unknown" in names(report)


def test_a_marker_set_that_does_not_exist() -> None:
    stream = StreamHeard(INFO, arrivals(ride()), "both", marker_set="nonesuch")
    report = judged(replace(heard(ride()), streams=[stream]))
    assert names(report) == {"labels_unknown"}


def test_no_description_came() -> None:
    report = judged(replace(heard(ride()), streams=[], undescribed=50))
    assert names(report) == {"description_incomplete", "silent"}


def test_a_description_that_came_late() -> None:
    report = judged(replace(heard(ride()), described_after_s=5.0))
    assert names(report) == {"description_incomplete"}


def test_a_channel_in_another_unit() -> None:
    info = replace(INFO, channels=(Channel("workload", "kW"),))
    block = replace(ride(), channels=np.ones((len(ride()), 1)))
    report = judged(heard(block, info))
    assert names(report) == {"description_incomplete"}
    assert the(report, "description_incomplete").subject == "workload"


def test_a_crank_sensor_that_turns_backward() -> None:
    sensor = Sensor(rate_hz=100.0, crank_sensor=True)
    block = ride(sensor)
    report = judged(heard(replace(block, channels=-block.channels), stream_info(sensor)))
    assert names(report) == {"description_incomplete"}


@pytest.mark.parametrize(
    ("factor", "word"), [(0.001, "metres"), (0.1, "centi"), (1 / 25.4, "inch")]
)
def test_another_unit(factor: float, word: str) -> None:
    block = ride()
    report = judged(replace(block, positions=factor * block.positions))
    assert names(report) == {"units"}
    assert word in the(report, "units").text


@pytest.mark.parametrize("said", ["+x", "-z", "+y"])
def test_another_axis_points_up(said: str) -> None:
    report = judged(heard(ride(), replace(INFO, up=said)))  # type: ignore[arg-type]
    assert names(report) == {"up_axis"}
    assert "'+z'" in the(report, "up_axis").remedy


def test_a_marker_often_missing() -> None:
    def hide(positions: FloatArray, t: FloatArray) -> None:
        gone = np.random.default_rng(3).random(len(t)) < 0.2
        positions[gone, column("R_EL")] = np.nan
        hide.share = gone.mean()  # type: ignore[attr-defined]

    report = judged(changed(hide))
    assert names(report) == {"missing_marker"}
    found = the(report, "missing_marker")
    assert found.subject == "R_EL"
    assert found.numbers["share"] == pytest.approx(hide.share)  # type: ignore[attr-defined]


def test_old_positions_of_a_marker_that_is_not_seen() -> None:
    def hold(positions: FloatArray, t: FloatArray) -> None:
        for start in range(100, 1300, 200):
            positions[start : start + 15, column("R_LM")] = positions[start - 1, column("R_LM")]

    report = judged(changed(hold))
    assert "missing_marker" in names(report)
    assert the(report, "missing_marker").numbers["held"] == 90


def test_many_markers_with_the_same_trouble_are_one_finding() -> None:
    report = judged(heard(ride(Sensor(rate_hz=100.0, dropout=0.2)), INFO))
    assert len([f for f in report.findings if f.name == "missing_marker"]) == 1


def test_zeros_for_missing() -> None:
    stream = StreamHeard(INFO, arrivals(ride()), "both", zeros={"L_LE": 12})
    report = judged(replace(heard(ride()), streams=[stream]))
    assert names(report) == {"zero_positions"}
    assert the(report, "zero_positions").numbers["zeros"] == 12


def test_a_marker_hidden_at_one_place_of_the_stroke() -> None:
    def hide(positions: FloatArray, t: FloatArray) -> None:
        crank = np.degrees(crank_angle(RiderSimulation(seed=1), "L", t)) % 360.0
        positions[(crank > 90) & (crank < 150), column("L_GT")] = np.nan

    report = judged(changed(hide))
    assert names(report) == {"missing_at_crank", "missing_marker"}
    found = the(report, "missing_at_crank")
    assert found.subject == "L_GT"
    # To a bin of 15 deg.
    assert found.numbers["from_deg"] == pytest.approx(90.0, abs=15.0)
    assert found.numbers["to_deg"] == pytest.approx(150.0, abs=15.0)


def test_chance_gaps_are_not_taken_for_the_crank() -> None:
    rng = np.random.default_rng(5)
    phase = np.linspace(0.0, 40 * 2 * np.pi, 5_320)
    small = 0
    for _ in range(60):
        missing = np.zeros(len(phase), dtype=bool)
        for start in rng.integers(0, len(phase) - 40, 40):
            missing[start : start + 40] = True
        hidden = hidden_at(missing, phase)
        assert hidden is not None
        assert len(hidden.shares) == BINS
        small += hidden.chance <= 0.05
    # 5 % of 60 are 3; ten and more have a chance of 0.0005 (binomial).
    assert small < 10


@pytest.mark.parametrize(("one", "other"), [("L_LE", "L_LM"), ("R_GT", "L_GT"), ("R_CA", "R_VM")])
def test_two_labels_that_change_places(one: str, other: str) -> None:
    def swap(positions: FloatArray, t: FloatArray) -> None:
        pair = [column(one), column(other)]
        positions[HALF : HALF + 150, pair] = positions[HALF : HALF + 150, pair[::-1]]

    report = judged(changed(swap))
    assert names(report) == {"labels_swapped"}
    found = the(report, "labels_swapped")
    assert found.subject == ", ".join(sorted((one, other)))
    assert (found.numbers["times"], found.numbers["frames"]) == (2, 150)


def test_left_and_right_exchanged_throughout() -> None:
    labels = tuple({"L": "R", "R": "L"}[label[0]] + label[1:] for label in INFO.labels)
    report = judged(heard(ride(), replace(INFO, labels=labels)))
    assert names(report) == {"labels_swapped"}
    assert "left-handed" in the(report, "labels_swapped").remedy


@pytest.mark.parametrize(("one", "other"), [("L_LE", "L_LM"), ("L_LE", "R_LE")])
def test_two_labels_exchanged_throughout(one: str, other: str) -> None:
    labels = [{one: other, other: one}.get(label, label) for label in INFO.labels]
    report = judged(heard(ride(), replace(INFO, labels=tuple(labels))))
    assert "labels_swapped" in names(report)
    told = [f.subject for f in report.findings if f.name == "labels_swapped"]
    assert any({one, other} == set(str(subject).split(", ")) for subject in told)


def toward(positions: FloatArray, marker: str, other: str) -> FloatArray:
    way = positions[:, column(other)] - positions[:, column(marker)]
    unit: FloatArray = way / np.linalg.norm(way, axis=1)[:, None]
    return unit


@pytest.mark.parametrize(
    ("marker", "other"),
    [("R_LE", "R_GT"), ("L_GT", "L_LE"), ("R_LM", "R_LE"), ("L_CA", "L_VM"), ("R_US", "R_EL")],
)
def test_a_marker_that_slips(marker: str, other: str) -> None:
    def slip(positions: FloatArray, t: FloatArray) -> None:
        step = 8.0 * (t[:, None] >= 7.0)
        positions[:, column(marker)] += step * toward(positions, marker, other)

    found = the(judged(changed(slip)), "marker_slipped")
    assert found.subject == marker
    assert abs(found.numbers["mm"]) == pytest.approx(8.0, abs=0.5)
    assert found.numbers["at_s"] == pytest.approx(7.0, abs=1.0)
    assert not found.numbers["slow"]


def test_a_marker_that_creeps() -> None:
    def creep(positions: FloatArray, t: FloatArray) -> None:
        slid = t[:, None] / t[-1] * 12.0
        positions[:, column("R_LE")] += slid * toward(positions, "R_LE", "R_LM")

    report = judged(changed(creep))
    assert names(report) == {"marker_slipped"}
    assert the(report, "marker_slipped").subject == "R_LE"
    assert the(report, "marker_slipped").numbers["slow"]


def test_a_shoulder_marker_that_slips_takes_no_arm_along() -> None:
    def slip(positions: FloatArray, t: FloatArray) -> None:
        step = 20.0 * (t[:, None] >= 7.0)
        positions[:, column("R_AC")] += step * toward(positions, "R_AC", "R_GT")

    found = the(judged(changed(slip)), "marker_slipped")
    assert found.subject == "R_AC"
    assert found.numbers["mm"] == pytest.approx(-20.0, abs=1.0)


def test_a_trunk_that_bends_is_no_slip() -> None:
    def bend(positions: FloatArray, t: FloatArray) -> None:
        drawn = np.clip((t[:, None] - 5.0) / 2.0, 0.0, 1.0) * 20.0
        way = drawn * toward(positions, "R_AC", "R_GT")
        for marker in ("R_AC", "R_EL", "R_US"):
            positions[:, column(marker)] += way

    report = judged(changed(bend))
    assert names(report) == set()
    found = the(report, "posture")
    assert (found.level, found.subject) == ("note", "R_AC")
    assert found.numbers["mm"] == pytest.approx(-20.0, abs=1.0)


def test_a_length_that_changes() -> None:
    def swing(positions: FloatArray, t: FloatArray) -> None:
        positions[:, column("R_LE"), 2] += 15.0 * np.sin(2 * np.pi * 4.3 * t)

    report = judged(changed(swing))
    assert "segment_length" in names(report)
    assert {f.subject for f in serious(report) if f.name == "segment_length"} <= {
        "R thigh",
        "R shank",
    }


def test_a_ghost_in_some_frames() -> None:
    def jump(positions: FloatArray, t: FloatArray) -> None:
        positions[20::100, column("R_EL")] += [0.0, 90.0, 90.0]

    report = judged(changed(jump))
    assert "segment_length" in names(report)


def test_a_foot_that_goes_round_no_circle() -> None:
    def loose(positions: FloatArray, t: FloatArray) -> None:
        for label in ("L_VM", "R_VM", "L_CA", "R_CA"):
            positions[:, column(label), 2] += 40.0 * np.sin(2 * np.pi * 2.1 * t)

    report = judged(changed(loose))
    assert the(report, "foot_path").level == "fault"


@pytest.mark.parametrize(("factor", "level"), [(1.2, "warning"), (1.4, "fault")])
def test_cranks_too_long(factor: float, level: str) -> None:
    block = ride()
    report = judged(replace(block, positions=factor * block.positions))
    assert names(report) == {"crank_length"}
    found = [f for f in report.findings if f.name == "crank_length"]
    assert {f.level for f in found} == {level}
    for each in found:
        assert each.numbers["length_mm"] == pytest.approx(172.5 * factor, abs=0.5)


def test_cranks_that_differ() -> None:
    def larger(positions: FloatArray, t: FloatArray) -> None:
        left = [k for k, label in enumerate(INFO.labels) if label.startswith("L_")]
        positions[:, left] *= 1.03

    assert names(judged(changed(larger))) == {"crank_length"}


def test_nobody_pedals() -> None:
    still = RiderSimulation(style=Style(cadence_rpm=0.0))
    report = judged(observe(still, SENSOR, count=1400))
    assert names(report) == {"no_pedalling"}
    assert the(report, "no_pedalling").level == "fault"


def test_too_few_strokes() -> None:
    report = judged(heard(ride(seconds=4.0), INFO))
    assert names(report) == {"no_pedalling"}
    assert the(report, "no_pedalling").level == "warning"


def test_a_child_on_short_cranks_is_sound() -> None:
    body = Body(stature_mm=1300.0)
    child = RiderSimulation(body, Bicycle.fitted(body, 140.5))
    assert names(judged(observe(child, SENSOR, count=1400))) == set()


def test_a_measure_whose_markers_are_not_there() -> None:
    labels = tuple({"L_AC": "a", "R_AC": "b"}.get(label, label) for label in INFO.labels)
    wanted = Wanted("hip_angle", "tdc", 1.0)
    report = judged(heard(ride(), replace(INFO, labels=labels)), wanted)
    assert the(report, "precision").level == "fault"
    assert shipped().measure("hip_angle").points == ["AC", "GT", "LE"]
