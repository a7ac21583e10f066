"""The fitter's window on a real display, driven by real key presses."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication, QWidget

from livefit.dashboard import window as window_module
from livefit.dashboard.canvas_window import CanvasWindow
from livefit.dashboard.fitter_window import FitterWindow
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.picture import render
from livefit.dashboard.window import (
    WindowError,
    check_window_possible,
    run_dashboard,
    show_until_closed,
)
from livefit.definitions.models import Definitions
from tests.dashboard.window_desk import ANY, Desk, Node, open_desk


@pytest.fixture
def desk(app: QApplication, definitions: Definitions, tmp_path: Path) -> Iterator[Desk]:
    with open_desk(definitions, tmp_path) as opened:
        yield opened


def test_a_ride_comes_to_the_screen_and_every_key_does_its_job(desk: Desk) -> None:
    window, model = desk.window, desk.window.model
    assert model.message is not None
    assert model.message.title == "No data yet"
    desk.node.publishing.set()
    desk.until(lambda: model.message is None and model.figure, "the ride")
    assert model.rows[0].cells[0].value_text == "36°"

    desk.press(Qt.Key.Key_B)
    desk.notice("Baseline set")
    desk.press(Qt.Key.Key_R)
    desk.notice("Averages started anew")
    desk.press(Qt.Key.Key_C)
    desk.notice("Clear baseline refused: there is no baseline to clear")
    assert [op for op, _ in desk.asked()] == ["set_baseline", "restart_window", "clear_baseline"]

    for key in (Qt.Key.Key_H, Qt.Key.Key_F1):
        desk.press(key)
        assert window.hands.help_shown
        desk.press(key)
        assert not window.hands.help_shown

    desk.press(Qt.Key.Key_F)
    desk.until(window.isFullScreen, "full screen")
    desk.press(Qt.Key.Key_F)
    desk.until(lambda: not window.isFullScreen(), "the window")

    desk.press(Qt.Key.Key_Space)
    assert model.held
    figure = model.figure
    window.tick()
    assert model.figure is figure
    desk.press(Qt.Key.Key_S)
    desk.notice("Picture saved: livefit-")
    (path,) = desk.pictures.glob("*.png")
    with Image.open(path) as image:
        assert image.size == tuple(window.canvas.size)
        assert len(image.getcolors(1 << 20) or ()) > 50
    desk.press(Qt.Key.Key_Space)
    desk.until(lambda: model.figure is not figure, "the ride going on")


def test_a_node_that_falls_silent_and_returns(desk: Desk) -> None:
    model = desk.window.model
    desk.node.publishing.set()
    desk.until(lambda: model.age.state == "fresh", "fresh data")
    desk.node.publishing.clear()
    desk.until(lambda: model.age.state == "lost", "the loss")
    assert model.message is not None
    assert model.message.level == "bad"
    assert all(row.stale for row in model.rows)
    desk.node.publishing.set()
    desk.until(lambda: model.message is None, "the return")


@pytest.mark.parametrize("modifier", ["none", "control"])
def test_quit_closes_window_and_threads(desk: Desk, modifier: str) -> None:
    control = Qt.KeyboardModifier.ControlModifier
    none = Qt.KeyboardModifier.NoModifier
    desk.press(Qt.Key.Key_Q, control if modifier == "control" else none)
    desk.until(lambda: not desk.window.isVisible(), "the close")
    names = {thread.name for thread in threading.enumerate()}
    assert not names & {"receiver", "commander"}


def test_the_window_shows_what_a_picture_shows(
    desk: Desk, riding: Callable[[], DashboardModel]
) -> None:
    desk.window.view.model = riding()
    desk.window.resize(1000, 600)
    desk.until(lambda: tuple(desk.window.canvas.size) == (1000, 600), "the new size")
    desk.window.view.refresh()
    shown = desk.window.canvas.render(alpha=False).astype(int)
    apart = np.abs(shown - render(riding(), (1000, 600)).astype(int)).max(axis=2) > 16
    assert apart.mean() <= 0.005


def test_pictures_that_cannot_be_written_are_told(desk: Desk) -> None:
    desk.window.picture_dir = desk.pictures / "taken"
    desk.window.picture_dir.write_text("a file, not a directory")
    desk.press(Qt.Key.Key_S)
    desk.notice("Picture not saved:")


def test_run_dashboard_opens_and_ends_with_the_window(
    app: QApplication, definitions: Definitions
) -> None:
    from PySide6.QtCore import QTimer

    def close_it() -> None:
        for widget in QApplication.topLevelWidgets():
            if isinstance(widget, FitterWindow) and widget.isVisible():
                widget.close()

    timer = QTimer()
    timer.timeout.connect(close_it)
    timer.start(200)
    node = Node(definitions)
    try:
        assert run_dashboard(node.results, node.control, definitions) == 0
    finally:
        timer.stop()
        node.stop()
    with pytest.raises(WindowError, match="screen 9 does not exist; there are 0 to 0"):
        run_dashboard(ANY, ANY, definitions, screen=9)


@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_in_the_middle_of_a_picture_waits_for_its_end(
    app: QApplication, end: signal.Signals
) -> None:
    """Qt's ``quit`` closes the windows before it returns, canvas and all."""
    whole: list[bool] = []

    def tick() -> None:
        if whole:
            return
        size = window.canvas.size
        signal.raise_signal(end)
        whole.append(window.isVisible() and window.canvas.size == size)

    window = CanvasWindow("test", size=(64, 48), smallest=(64, 48), threads=[])
    window.begin(tick, 16)
    assert show_until_closed(app, window, None, full_screen=False) == 0
    assert whole == [True]
    assert not window.isVisible()


def test_a_missing_library_is_named_with_its_cure(
    display: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not sys.platform.startswith("linux"):
        pytest.skip("the libraries are those of a Linux system")
    check_window_possible()
    monkeypatch.setattr(window_module, "LIBRARIES", ("libEGL.so.1", "libxcb-nowhere.so.0"))
    with pytest.raises(
        WindowError, match=r"needs libxcb-nowhere\.so\.0.*apt-get install .*cursor0"
    ):
        check_window_possible()


def test_no_screen_is_told(display: None, monkeypatch: pytest.MonkeyPatch) -> None:
    if not sys.platform.startswith("linux"):
        pytest.skip("other systems always have a screen")
    monkeypatch.delenv("DISPLAY")
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    with pytest.raises(WindowError, match="no screen: expected DISPLAY or WAYLAND_DISPLAY"):
        check_window_possible()


def test_void_calls_of_qt_keep_the_count_of_none(app: QApplication) -> None:
    # PySide6 6.12.0 drops one reference to None a call on Python 3.10 and 3.11, and the process
    # aborts after some ten thousand of them.
    widget = QWidget()
    before = sys.getrefcount(None)
    for _ in range(3000):
        widget.update()
        app.processEvents()
    assert abs(sys.getrefcount(None) - before) < 300
    widget.deleteLater()
