"""Guided touching without a screen: a simulated hand, from calibration to dimensions."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pytest

from livefit.bicycle.change import ONLY
from livefit.bicycle.dimensions import DIMENSIONS
from livefit.bicycle.pointer import Calibration
from livefit.session.models import Adjustment
from livefit.view import touch_words as words
from livefit.wire.blocks import describe
from simulators.standing_bicycle import Design
from tests.view.touch_examples import TODAY, Bench, new_model, shipped, whole

WHEN = datetime(2025, 3, 1, 12, tzinfo=UTC)
EXTRA = ("bar_end", "bar_front", "drops", "pad", "extension", "stem", "saddle_wide", "tyre")
"""What points are called that are touched with everything alone, without a twin in the list."""
SADDLE = tuple(name for name in ONLY["saddle"] if not name.startswith(EXTRA))


def calibration() -> Calibration:
    found = whole().calibration
    assert found is not None
    return found


def test_from_the_hollow_to_the_dimensions() -> None:
    model = whole()
    assert model.geometry is not None
    assert model.sign == "through"
    assert not model.findings
    true = Design().dimensions()
    for name, measured in model.geometry.measured.items():
        assert abs(measured.value - true[name]) < 4 * measured.se, name
    document = model.document(WHEN)
    assert document is not None
    assert set(true) - set(document.set_up.dimensions) == {
        dimension.name
        for dimension in DIMENSIONS
        if any(need.startswith(EXTRA) for need in dimension.needs)
    }
    assert document.calibrated == TODAY
    assert set(document.markers) == {"BIKE_HEAD", "BIKE_FRONT", "BIKE_REAR"}


def test_a_new_calibration_is_kept_and_the_hollow_is_no_touch() -> None:
    kept: list[Calibration] = []
    bench = Bench(new_model(None, keep=kept.append), order="none")
    assert bench.model.sign == "silent"
    bench.source.control("source.turn", {"seconds": 40})
    bench.run(lambda model: model.turning is None, led=False)
    assert kept == [bench.model.calibration]
    assert bench.model.notice.startswith("Tip found")
    # The hand goes on turning the pointer in its hollow: the tip rests there.
    bench.run(lambda model: model.sign == "lift", led=False)
    bench.run(lambda _: bench.now > 30.0, led=False)
    assert bench.model.guide.index == 0
    bench.run(lambda model: model.guide.index == 1)
    assert set(bench.model.guide.touches) == {"crank_axis_left"}


def test_the_signs_of_a_touch_follow_one_another() -> None:
    bench = Bench(new_model(calibration()), order="asked")
    signs: list[str] = []

    def noted(model: object) -> bool:
        sign = bench.model.sign
        if not signs or signs[-1] != sign:
            signs.append(sign)
        return bench.model.guide.index == 2

    bench.run(noted, led=False)
    assert signs[-5:] == ["set down", "told", "away", "set down", "told"]
    bench.model.pass_time(bench.now + 5.0)
    assert bench.model.sign == "silent"
    assert bench.model.detail == words.SIGN_DETAIL["silent"]


def test_a_slip_is_refused_and_touched_again() -> None:
    bench = Bench(new_model(calibration()), order="none", slip="pedal_left")
    bench.run(lambda model: not model.last_good)
    assert bench.model.guide.index == 1
    assert bench.model.sign == "slipped"
    assert bench.model.detail.startswith("The tip slipped by")
    bench.run(lambda model: model.guide.index == 2)
    assert bench.model.last_good


def test_back_skip_and_retake_by_keys() -> None:
    bench = Bench(new_model(calibration()), order="none")
    model = bench.model
    bench.run(lambda model: model.guide.index == 2)
    assert model.press("b") is None
    assert model.guide.index == 2
    model.press("B")
    assert model.guide.index == 1
    first = model.guide.touches["pedal_left"]
    bench.run(lambda model: model.guide.index == 2)
    assert model.guide.touches["pedal_left"] is not first
    model.press("S")
    assert model.guide.skipped == {"seat_tube_left"}
    model.press("R")
    assert model.guide.index == 2
    assert not model.guide.skipped
    model.press("Right")
    model.press("Left")
    assert model.guide.index == 2
    assert [model.press(key) for key in ("T", "F", "Q", "X")] == [
        "theme", "full_screen", "quit", None,
    ]  # fmt: skip
    model.press("C")
    assert model.sign == "turning"
    assert model.instruction == words.CALIBRATE


def test_points_in_the_wrong_order_are_found_and_touched_again() -> None:
    bench = Bench(new_model(calibration()), order="wrong")
    bench.run(lambda model: model.complete, led=False)
    model = bench.model
    assert any("Pedal axle, left" in text for text in model.findings)
    for _ in range(2):
        model.press("A")
        assert bench.model.guide.now is not None
        bench.run(lambda model: model.complete)
    assert not model.findings


def test_the_saddle_alone_after_it_was_raised() -> None:
    before = whole().document(WHEN)
    noted = (Adjustment(part="saddle_height", amount=8, unit="mm"),)
    bench = Bench(
        new_model(calibration(), SADDLE, before=before, noted=noted),
        order="none", saddle="728", seed="7",
    )  # fmt: skip
    bench.run(lambda model: model.complete)
    found = bench.model.differences["saddle_height"]
    assert abs(found.value - 8) < 4 * found.se
    assert bench.model.differences["stack"].se < 1e-9
    document = bench.model.document(WHEN)
    assert document is not None
    assert document.adjustments[0].amount == 8
    measured = document.adjustments[0].measured
    assert measured is not None
    assert measured.value == pytest.approx(found.value, abs=1e-3)
    assert len(document.touches) == 14


def test_a_moved_bicycle_is_found_again() -> None:
    before = whole().document(WHEN)
    assert before is not None
    names = ("rear_axle_left", "front_axle_left", "seat_tube_left", "head_top_left")
    options = {"order": "none", "heading": "-40", "place": "250", "seed": "3"}
    bench = Bench(new_model(calibration(), names, moved=before), **options)
    bench.run(lambda model: model.complete)
    now = bench.model.document(WHEN)
    assert now is not None
    assert now.set_up == before.set_up
    for name, touch in now.touches.items():
        assert np.linalg.norm(touch.point - bench.source.places[name]) < 3.0, name
    assert "turned by 65." in bench.model.notice or "turned by 64." in bench.model.notice

    raised = Bench(new_model(calibration(), names, moved=before), **options)
    raised.run(lambda model: model.guide.index == 3)
    raised.source.control("source.touch", {"points": ["head_bottom_left"]})
    raised.run(lambda model: model.guide.now is None, led=False)
    assert raised.model.document(WHEN) is None
    assert raised.model.problem.startswith("Not found again: expected the points to lie")


def test_what_was_left_off_goes_on() -> None:
    bench = Bench(new_model(calibration()), order="none")
    bench.run(lambda model: model.guide.index == 3)
    left = bench.model.document(WHEN)
    assert left is not None
    assert set(left.touches) == {"crank_axis_left", "pedal_left", "seat_tube_left"}
    assert not left.set_up.dimensions
    bench = Bench(new_model(calibration(), begun=left.all_touches()), order="none")
    assert bench.model.guide.index == 3
    bench.run(lambda model: model.complete)
    assert {name for op, args in bench.asked for name in args["points"]} == {
        point.name for point in bench.model.guide.points[3:]
    }
    assert not bench.model.findings


def test_a_stream_without_the_pointer() -> None:
    model = new_model(calibration())
    bench = Bench(model, order="none")
    info = bench.source.describe()
    renamed = type(info)(("a", "b", *info.labels[2:]), info.rate_hz, info.up)
    model.take(describe(renamed, stream="two", source="x"), 1.0)
    assert "found no POINTER_1, POINTER_2 among a, b" in model.problem


def test_an_old_calibration_is_flagged() -> None:
    model = new_model(calibration(), today=date(2025, 5, 1))
    assert "61 days ago: older than 30 days" in model.notice
    assert "older" not in new_model(calibration()).notice


def test_every_point_asked_for_is_on_the_drawing() -> None:
    from livefit.view.bicycle_drawing import TYPICAL

    assert {point.name for point in shipped().touch_points} == set(TYPICAL)
