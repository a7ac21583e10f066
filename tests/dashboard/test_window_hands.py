"""What a fitter does at the window, by keys and by mouse, on a real display."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication

from livefit.dashboard import theme
from livefit.definitions.models import Definitions
from tests.dashboard.window_desk import Desk, open_desk


@pytest.fixture
def desk(app: QApplication, definitions: Definitions, tmp_path: Path) -> Iterator[Desk]:
    with open_desk(definitions, tmp_path) as opened:
        yield opened


def test_an_adjustment_is_marked_and_taken_back(desk: Desk) -> None:
    model = desk.window.model
    desk.node.publishing.set()
    desk.until(lambda: model.message is None, "the ride")
    desk.type("m13")
    desk.notice("Marked: saddle up 5 mm")
    desk.until(lambda: mark_shown(desk) == "saddle up 5 mm", "the mark in the header")
    desk.press(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    desk.notice("Mark taken back")
    # The same by mouse, by way of a wrong turn.
    for text in ("mark", "Saddle tilt", "back", "Saddle setback", "back 2 mm"):
        desk.click(text)
    desk.notice("Marked: setback back 2 mm")
    desk.click("undo")
    desk.until(lambda: mark_shown(desk) == "–", "the mark to go")
    assert desk.asked() == [
        ("mark", {"part": "saddle_height", "amount": 5}),
        ("unmark", {}),
        ("mark", {"part": "saddle_setback", "amount": 2}),
        ("unmark", {}),
    ]


def test_a_mark_is_put_right(desk: Desk) -> None:
    model = desk.window.model
    desk.node.publishing.set()
    desk.until(lambda: model.message is None, "the ride")
    desk.type("m13")
    desk.until(lambda: mark_shown(desk) == "saddle up 5 mm", "the mark")
    desk.type("a12")
    desk.notice("Mark edited")
    desk.until(lambda: mark_shown(desk) == "saddle up 3 mm", "the other amount")
    for text in ("amend", "saddle up 3 mm", "down 2 mm"):
        desk.click(text)
    desk.until(lambda: mark_shown(desk) == "saddle down 2 mm", "the other way")
    desk.type("a1n")
    desk.type("loose bolt")
    desk.press(Qt.Key.Key_Return)
    desk.until(lambda: desk.node.marks[0].note == "loose bolt", "the note")
    desk.type("a1x")
    desk.notice("Mark taken back")
    edit = {"number": 1, "part": "saddle_height"}
    assert desk.asked() == [
        ("mark", {"part": "saddle_height", "amount": 5}),
        ("edit_mark", {**edit, "amount": 3}),
        ("edit_mark", {**edit, "amount": -2}),
        ("edit_mark", {"number": 1, "note": "loose bolt"}),
        ("unmark", {}),
    ]


def test_the_next_change_is_estimated_by_keys_and_by_mouse(desk: Desk) -> None:
    model = desk.window.model
    desk.node.publishing.set()
    desk.until(lambda: model.message is None, "the ride")

    def said() -> set[str]:
        desk.window.view.refresh()
        return {box.text for box in desk.window.view.ask_boxes()}

    desk.type("n13")
    desk.until(lambda: "34.7°" in said(), "the estimate")
    assert {"Estimate: saddle up 5 mm", "±0.8", "this rider", "published"} <= said()
    desk.type("i")
    desk.until(lambda: any("First step" in text for text in said()), "the way inside")
    desk.press(Qt.Key.Key_Tab)
    desk.until(lambda: "32.2°" in said(), "all of it together")
    # The ride goes on behind the sheet; a click ends it, and a node without a stroke says so.
    pose = model.figure
    desk.until(lambda: model.figure is not pose, "the ride going on")
    desk.node.ridden = False
    for text in ("another change", "Bar height", "down 5 mm"):
        desk.click(text)
    desk.until(lambda: any("before the first whole stroke" in text for text in said()), "the no")
    for text in ("back", "back", "close"):
        desk.click(text)
    assert desk.window.hands.sheet is None
    assert [op for op, _ in desk.asked()] == ["predict", "into_bands", "predict"]


def test_rows_that_have_no_room_are_reached_by_key_and_by_mouse(desk: Desk) -> None:
    model, events = desk.window.model, ("tdc", "forward", "bdc", "rearward", "maximum")
    desk.node.chosen["fitter"] = [
        [measure, event] for measure in ("knee_flexion", "hip_angle") for event in events
    ]
    desk.node.publishing.set()
    desk.until(lambda: len(model.rows) == 10, "ten rows")
    desk.click("1 to 7 of 10: Up, Down")
    assert model.selected == 7
    desk.window.view.refresh()
    desk.click("2 to 8 of 10: Up, Down")
    desk.press(Qt.Key.Key_Down)
    assert model.selected == 9
    desk.window.view.refresh()
    desk.click("4 to 10 of 10: Up, Down")
    assert model.selected == 0


def mark_shown(desk: Desk) -> str:
    return next(r.value for r in desk.window.model.header if r.caption == "latest mark")


def test_rows_and_bands_by_keys_and_mouse(desk: Desk) -> None:
    model = desk.window.model
    desk.node.publishing.set()
    desk.until(lambda: model.message is None, "the ride")
    desk.click("Trunk")
    assert model.selected == 4
    assert model.charts.selected == ("trunk_inclination", "mean")
    desk.press(Qt.Key.Key_Down)
    desk.press(Qt.Key.Key_Up)
    assert model.selected == 4
    desk.type("e")
    for key in (Qt.Key.Key_Up, Qt.Key.Key_Tab, Qt.Key.Key_Down, Qt.Key.Key_Return):
        desk.press(key)
    desk.notice("Band edited")
    for text in ("edit", "all bands as defined"):
        desk.click(text)
    desk.notice("All bands as defined")
    edit = {"measure": "trunk_inclination", "event": "mean", "low": 31, "high": 44}
    assert desk.asked() == [("set_band", edit), ("reset_bands", {})]

    # Out of the table with the row under the cursor, and the window follows the node.
    first = model.chosen[0]
    for key in (Qt.Key.Key_P, Qt.Key.Key_Enter, Qt.Key.Key_Escape):
        desk.press(key)
    desk.until(lambda: first not in model.chosen, "the row to go")
    assert len(model.chosen) == 6

    desk.click("window")
    desk.click("30 s")
    desk.notice("Averages over 30 s")
    desk.click("bands")
    desk.click("Off road")
    desk.notice("Target bands: Off road")
    desk.click("measures")
    desk.press(Qt.Key.Key_Escape)
    assert desk.window.hands.sheet is None


def test_past_strokes_are_asked_for_and_drawn(desk: Desk) -> None:
    model = desk.window.model
    desk.node.publishing.set()
    desk.until(lambda: 30.0 in model.rows[0].cells[0].recent, "the past")
    pairs = [list(pair) for pair in model.chosen]
    assert ("history", {"rows": pairs}) in desk.node.asked


def test_theme_views_and_chart_change(desk: Desk) -> None:
    model, ground = desk.window.model, theme.GROUND
    desk.node.publishing.set()
    desk.until(lambda: model.figure, "the ride")
    desk.type("t")
    assert ground != theme.GROUND
    desk.click("theme")
    assert ground == theme.GROUND
    desk.type("vlg")
    assert (model.views, model.sides, model.charts.kind) == ("side", "left", "over_stroke")
    for text in ("view", "side", "chart"):
        desk.click(text)
    assert (model.views, model.sides, model.charts.kind) == ("front", "right", "angle_angle")
    hands = desk.window.hands
    shown = []
    for text in ("help", "help"):
        desk.click(text)
        shown.append(hands.help_shown)
    assert shown == [True, False]
    desk.click("quit")
    desk.until(lambda: not desk.window.isVisible(), "the close")
