"""The rider's window on a real display, driven by real key presses."""

from __future__ import annotations

import gc
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from PySide6.QtCore import Qt, QTimer
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from livefit.dashboard import theme
from livefit.dashboard.link import Receiver
from livefit.dashboard.rider_window import RiderWindow
from livefit.dashboard.window import WindowError, run_rider
from livefit.definitions.models import DefinitionError, Definitions
from livefit.view.rider import RiderModel
from livefit.wire.messages import Snapshot
from livefit.wire.sockets import Publisher
from tests.dashboard.rider_examples import ride

ANY = "tcp://127.0.0.1:0"
DEADLINE_S = 15.0


@pytest.fixture(scope="module")
def app(display: None) -> Iterator[QApplication]:
    """The one Qt application of the process."""
    there = QApplication.instance() or QApplication(["livefit"])
    assert isinstance(there, QApplication)
    yield there
    # Before the display goes: Qt ends the process when it loses its connection.
    there.shutdown()
    gc.collect()


@pytest.fixture(autouse=True)
def _dark_again() -> Iterator[None]:
    yield
    theme.use("dark")


class Node:
    """Publishes snapshots in a thread until it is stopped."""

    def __init__(self, snapshot: Snapshot) -> None:
        self.publishing = threading.Event()
        self._snapshot = snapshot
        self._stop = threading.Event()
        self._publisher = Publisher(ANY, cached=("results",), display=True)
        self.results = self._publisher.endpoint
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        self._publisher.close()

    def _run(self) -> None:
        while not self._stop.wait(0.02):
            if self.publishing.is_set():
                now = {"sent": time.monotonic()}
                self._publisher.publish(self._snapshot.model_copy(update=now))


@dataclass
class Room:
    """An open window and the node that it listens to."""

    window: RiderWindow
    node: Node

    def press(self, key: Qt.Key, modifier: Qt.KeyboardModifier | None = None) -> None:
        none = Qt.KeyboardModifier.NoModifier
        QTest.keyClick(self.window.surface.widget, key, none if modifier is None else modifier)


def until(there: Callable[[], object], what: str) -> None:
    end = time.monotonic() + DEADLINE_S
    while not there():
        if time.monotonic() > end:
            pytest.fail(f"{what} did not happen within {DEADLINE_S:g} s")
        QTest.qWait(5)


@pytest.fixture
def room(app: QApplication, definitions: Definitions) -> Iterator[Room]:
    node = Node(ride(definitions, 2))
    window = RiderWindow(
        RiderModel(definitions), Receiver(node.results), definitions.screen("rider")
    )
    window.resize(960, 540)
    window.show()
    window.activateWindow()
    try:
        assert QTest.qWaitForWindowActive(window, int(1000 * DEADLINE_S))
        yield Room(window, node)
    finally:
        window.close()
        node.stop()
        window.deleteLater()
        del window
        QTest.qWait(1)
        gc.collect()


def test_a_ride_comes_to_the_screen_and_every_key_does_its_job(room: Room) -> None:
    window, model = room.window, room.window.model
    assert model.message.title == "Waiting for the first numbers"
    room.node.publishing.set()
    until(lambda: not model.stale, "the ride")
    assert len(model.measures) == 2
    assert [side.value for side in model.measures[0].sides] == ["36", "42"]
    until(lambda: "36°" in {box.text for box in window.view.boxes()}, "the figure")
    assert window.view.screen_px == pytest.approx(window.screen().size().toTuple())

    room.press(Qt.Key.Key_F)
    until(window.isFullScreen, "full screen")
    for leave in (Qt.Key.Key_Escape, Qt.Key.Key_F):
        room.press(leave)
        until(lambda: not window.isFullScreen(), "the window")
        room.press(Qt.Key.Key_F)
        until(window.isFullScreen, "full screen again")
    room.press(Qt.Key.Key_Escape)
    until(lambda: not window.isFullScreen(), "the window")
    room.press(Qt.Key.Key_Escape)
    assert window.isVisible()

    dark = np.asarray(window.canvas.render(alpha=False))[0, 0].mean()
    room.press(Qt.Key.Key_T)
    assert theme.in_use == "light"
    window.tick()
    light = np.asarray(window.canvas.render(alpha=False))[0, 0].mean()
    assert dark < 60 < 200 < light
    room.press(Qt.Key.Key_T)
    assert theme.in_use == "dark"


def test_a_node_that_falls_silent_and_returns(room: Room) -> None:
    model = room.window.model
    room.node.publishing.set()
    until(lambda: not model.stale, "the ride")
    room.node.publishing.clear()
    until(lambda: model.message.title == "No new numbers", "the loss")
    assert model.stale
    room.node.publishing.set()
    until(lambda: not model.stale, "the return")


@pytest.mark.parametrize("modifier", ["none", "control"])
def test_quit_closes_window_and_thread(room: Room, modifier: str) -> None:
    room.press(Qt.Key.Key_Q, Qt.KeyboardModifier.ControlModifier if modifier == "control" else None)
    until(lambda: not room.window.isVisible(), "the close")
    assert "receiver" not in {thread.name for thread in threading.enumerate()}


def test_run_rider_opens_in_a_window_on_the_only_screen(
    app: QApplication, definitions: Definitions
) -> None:
    seen: list[bool] = []

    def close_it() -> None:
        for widget in QApplication.topLevelWidgets():
            if isinstance(widget, RiderWindow) and widget.isVisible():
                seen.append(widget.isFullScreen())
                widget.close()

    timer = QTimer()
    timer.timeout.connect(close_it)
    timer.start(200)
    node = Node(ride(definitions, 1))
    try:
        assert run_rider(node.results, definitions) == 0
        assert run_rider(node.results, definitions, full_screen=True, theme_name="light") == 0
    finally:
        timer.stop()
        node.stop()
    assert seen == [False, True]
    assert theme.in_use == "light"


def test_what_cannot_be_shown_is_told(app: QApplication, definitions: Definitions) -> None:
    with pytest.raises(WindowError, match="screen 9 does not exist; there are 0 to 0"):
        run_rider(ANY, definitions, screen=9)
    with pytest.raises(ValueError, match="expected a theme of dark, light, got 'sepia'"):
        run_rider(ANY, definitions, theme_name="sepia")
    without = definitions.model_copy(update={"screens": []})
    with pytest.raises(DefinitionError, match="no screen is named 'rider'"):
        run_rider(ANY, without)
