"""The simulated source: paced by the clock it is given, steered by its control."""

from __future__ import annotations

import json
from importlib.metadata import entry_points
from typing import Any

import numpy as np
import pytest

from livefit.frames import MarkerBlock
from simulators import RiderSimulation, Sensor, observe
from simulators.options import OPTIONS, STYLES
from simulators.source import SimulatedSource, open_simulated
from simulators.truth import crank_angle, spindle_in_foot, truth_at


class Clock:
    """Time that passes only when somebody sleeps."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        if seconds < 0:
            raise ValueError(f"cannot sleep {seconds} s")
        self.now += seconds


def opened(
    sensor: Sensor | None = None, *, seconds: float | None = None
) -> tuple[SimulatedSource, Clock]:
    clock = Clock()
    source = SimulatedSource(
        RiderSimulation(), sensor or Sensor(), seconds=seconds, clock=clock, sleep=clock.sleep
    )
    return source, clock


def read_until(source: SimulatedSource, clock: Clock, end: float) -> list[MarkerBlock]:
    """Read one frame after another until the fake time `end` s after the first read."""
    blocks = []
    while clock.now < 1000.0 + end:
        block = source.read(0.1)
        if block is not None:
            blocks.append(block)
    return blocks


def test_frames_come_when_they_are_due_and_none_is_left_out() -> None:
    source, clock = opened()
    for k in range(300):
        block = source.read(0.1)
        assert block is not None
        np.testing.assert_array_equal(block.numbers, [k])
        assert clock.now - 1000.0 == pytest.approx(k / 200.0, abs=1e-6)
        np.testing.assert_allclose(block.t, k / 200.0)


def test_frames_are_those_that_the_sensor_makes() -> None:
    sensor = Sensor(lost=0.1, dropout=0.1)
    source, clock = opened(sensor)
    blocks = read_until(source, clock, 2.0)
    positions = np.concatenate([block.positions for block in blocks])
    numbers = np.concatenate([block.numbers for block in blocks])
    whole = observe(RiderSimulation(), sensor, count=int(numbers[-1]) + 1)
    np.testing.assert_array_equal(numbers, whole.numbers)
    np.testing.assert_array_equal(positions, whole.positions)


def test_nothing_due_within_the_timeout_is_none() -> None:
    source, clock = opened(Sensor(rate_hz=10.0))
    assert source.read(0.0) is not None
    assert source.read(0.02) is None
    assert clock.now == pytest.approx(1000.02)
    assert source.read(0.0) is None
    block = source.read(0.5)
    assert block is not None
    assert clock.now == pytest.approx(1000.1)


def test_a_late_reader_gets_every_frame() -> None:
    source, clock = opened()
    source.read(0.0)
    clock.now += 3.0
    numbers: list[int] = []
    while len(numbers) < 600:
        block = source.read(0.0)
        assert block is not None
        numbers += block.numbers.tolist()
    assert numbers == list(range(1, 601))


def test_the_ride_ends() -> None:
    source, _ = opened(seconds=0.5)
    blocks = [source.read(0.1) for _ in range(100)]
    assert [len(block) for block in blocks if block is not None] == [1] * 100
    with pytest.raises(EOFError, match="ended after 100 frames"):
        source.read(1.0)
    source.close()


def test_a_saddle_move_counts_from_the_next_frame_on() -> None:
    source, clock = opened()
    read_until(source, clock, 3.1)
    state = source.control("source.saddle", {"height_mm": 5.0, "setback_mm": -3.0})
    assert state["saddle_height_mm"] == pytest.approx(721.0)
    assert state["setback_mm"] == pytest.approx(-23.0)
    blocks = read_until(source, clock, 20.0)
    positions = np.concatenate([block.positions for block in blocks])
    numbers = np.concatenate([block.numbers for block in blocks])
    assert (np.diff(numbers) == 1).all()
    unmoved = observe(RiderSimulation(), Sensor(), first=int(numbers[0]), count=len(numbers))
    hip = source.describe().labels.index("R_GT")
    moved = (positions - unmoved.positions)[:, hip]
    np.testing.assert_allclose(moved[0], 0.0, atol=1e-9)
    # 5 mm along a seat tube of 73 deg of which the pelvis gives back 0.3, and 3 mm forward
    # (capture x is forward at heading 0 and up +z).
    tube = np.radians(73.0)
    settled = moved[-200:].mean(axis=0)
    assert settled[2] == pytest.approx(5 * np.sin(tube) - 1.5, abs=0.05)
    assert settled[0] == pytest.approx(3 - 5 * np.cos(tube), abs=0.05)
    state = source.control("source.saddle", {"to_height_mm": 710})
    assert state["saddle_height_mm"] == pytest.approx(710.0)


def test_cadence_and_riding_follow_the_control() -> None:
    source, clock = opened()
    read_until(source, clock, 1.0)
    source.control("source.cadence", {"rpm": 70})

    def turned(seconds: float) -> float:
        begin = clock.now - 1000.0
        read_until(source, clock, begin + seconds)
        angle = crank_angle(source.simulation, "R", np.array([begin, begin + seconds]))
        return float(np.diff(angle)[0] / (2 * np.pi) / seconds * 60)

    turned(2.5)
    assert turned(20.0) == pytest.approx(70, abs=2)
    assert source.control("source.ride", {"state": "stop"})["riding"] == "stop"
    turned(2.5)
    assert turned(2.0) == pytest.approx(0, abs=1e-6)
    source.control("source.cadence", {"rpm": 100})
    assert turned(2.0) == pytest.approx(0, abs=1e-6)
    source.control("source.ride", {"state": "back"})
    turned(2.5)
    assert turned(5.0) == pytest.approx(-60, abs=2)
    source.control("source.ride", {"state": "pedal"})
    turned(2.5)
    assert turned(20.0) == pytest.approx(100, abs=2)


def test_the_bicycle_turns_on_the_spot() -> None:
    source, clock = opened(Sensor(noise_mm=0.0))
    read_until(source, clock, 0.5)
    assert source.control("source.turn", {"by_deg": 180})["heading_deg"] == 180.0
    blocks = read_until(source, clock, 4.0)
    at = source.describe().labels.index
    shoe = blocks[-1].positions[-1, at("R_VM")] - blocks[-1].positions[-1, at("R_CA")]
    # At heading 0 and up +z the toe is ahead of the heel along +x.
    assert shoe[0] < -150


def test_the_truth_is_that_of_the_last_complete_stroke() -> None:
    source, clock = opened()
    assert source.control("source.truth", {}) == {}
    read_until(source, clock, 5.0)
    told: dict[str, Any] = source.control("source.truth", {})
    assert set(told) == {"L", "R"}
    for side, stroke in told.items():
        end = source.control("source.state", {})["t_s"]
        assert isinstance(end, float)
        assert end - 60 / 85 < stroke["end_s"] <= end
        assert stroke["cadence_rpm"] == pytest.approx(90, abs=4)
        for k, crank_deg in enumerate(stroke["crank_deg"]):
            instants, values = truth_at(
                source.simulation, "knee_flexion", side, crank_deg, 0.0, stroke["end_s"] - 1e-6
            )
            assert stroke["begin_s"] - 1e-6 <= instants[-1] < stroke["end_s"]
            assert stroke["measures"]["knee_flexion"][k] == pytest.approx(values[-1], abs=1e-6)
    json.dumps(told)


def test_the_state_tells_the_crank() -> None:
    source, _ = opened()
    state = source.control("source.state", {})
    assert state["crank_mm"] == 172.5
    assert state["spindle_mm"] == list(spindle_in_foot(source.simulation))
    json.dumps(state)


@pytest.mark.parametrize(
    ("op", "args", "text"),
    [
        ("source.fly", {}, r"unknown operation 'source.fly'; known are source.saddle"),
        ("source.saddle", {"heigth_mm": 3}, r"unknown argument heigth_mm; known: height_mm"),
        ("source.saddle", {"height_mm": "3"}, r"height_mm must be a number, got '3'"),
        ("source.saddle", {"height_mm": 200}, r"lower .* saddle"),
        ("source.cadence", {"rpm": -3}, r"above 0 and up to 200, got -3"),
        ("source.cadence", {}, r"rpm must be a number, got None"),
        ("source.ride", {"state": "fly"}, r"one of pedal, stop, back, got 'fly'"),
    ],
)
def test_a_wrong_request_says_why_and_changes_nothing(
    op: str, args: dict[str, object], text: str
) -> None:
    source, _ = opened()
    before = source.simulation
    with pytest.raises(ValueError, match=text):
        source.control(op, args)
    assert source.simulation == before


def test_options_make_rider_and_sensor() -> None:
    source = open_simulated(
        {"side": "left", "rate": "100", "noise": "1", "cadence": "70", "up": "-y",
         "extra": "hf+ped", "stature": "1650", "crank": "165", "saddle": "640", "style": "unsteady"}
    )  # fmt: skip
    info = source.describe()
    assert info.rate_hz == 100.0
    assert info.up == "-y"
    assert {label[:2] for label in info.labels} == {"L_"}
    assert {"L_HF", "L_PED"} < set(info.labels)
    state = source.control("source.state", {})
    assert state["saddle_height_mm"] == 640.0
    assert state["cadence_rpm"] == 70.0
    assert state["crank_mm"] == 165.0
    assert state["stature_mm"] == 1650.0


@pytest.mark.parametrize("style", list(STYLES))
@pytest.mark.parametrize("stature", ["1550", "1780", "2000"])
def test_every_style_rides_on_for_minutes(style: str, stature: str) -> None:
    simulation = open_simulated({"style": style, "stature": stature}).simulation
    assert np.isfinite(simulation.positions(np.linspace(0, 900, 40_000))).all()


def test_an_unknown_option_lists_the_known_ones() -> None:
    with pytest.raises(ValueError, match="unknown option sadle") as caught:
        open_simulated({"sadle": "700"})
    for name, option in OPTIONS.items():
        assert f"{name}={option.default}" in str(caught.value)


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("noise", "much", r"noise .*marker noise, mm.*expected a number from 0 to 100, got 'much'"),
        ("up", "z", r"expected one of \+x, -x"),
        ("seed", "-1", r"expected a whole number from 0 up"),
        ("saddle", "900", r"lower .* saddle"),
    ],
)
def test_a_wrong_option_says_what_was_expected(name: str, value: str, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        open_simulated({name: value})


def test_the_source_is_registered_by_name() -> None:
    (entry,) = entry_points(group="livefit.sources", name="simulated")
    assert entry.load() is open_simulated
