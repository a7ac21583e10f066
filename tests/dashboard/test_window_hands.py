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
    desk.click("undo mark")
    desk.until(lambda: mark_shown(desk) == "–", "the mark to go")
    assert desk.asked() == [
        ("mark", {"part": "saddle_height", "amount": 5}),
        ("unmark", {}),
        ("mark", {"part": "saddle_setback", "amount": 2}),
        ("unmark", {}),
    ]


def mark_shown(desk: Desk) -> str:
    return next(r.value for r in desk.window.model.header if r.caption == "latest mark")


def test_rows_and_bands_by_keys_and_mouse(desk: Desk) -> None:
    model = desk.window.model
    desk.node.publishing.set()
    desk.until(lambda: model.message is None, "the ride")
    desk.click("Trunk inclination")
    assert model.selected == 4
    assert model.charts.selected == ("trunk_inclination", "mean")
    desk.press(Qt.Key.Key_Down)
    desk.press(Qt.Key.Key_Up)
    assert model.selected == 4
    desk.type("e")
    for key in (Qt.Key.Key_Up, Qt.Key.Key_Tab, Qt.Key.Key_Down, Qt.Key.Key_Return):
        desk.press(key)
    desk.notice("Band edited")
    for text in ("edit band", "all bands as defined"):
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
