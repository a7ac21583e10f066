"""The rider's window: Qt's part of it."""

from __future__ import annotations

import time

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QCloseEvent, QKeySequence, QShortcut, QShowEvent
from PySide6.QtWidgets import QMainWindow
from vispy.scene import SceneCanvas

from livefit.dashboard import theme
from livefit.dashboard.link import Receiver
from livefit.dashboard.rider_view import RiderView
from livefit.definitions.models import Screen
from livefit.view import rider_words
from livefit.view.rider import RiderModel
from livefit.wire.messages import Snapshot

TICK_MS = 16
SMALLEST = (640, 360)


class RiderWindow(QMainWindow):
    """Canvas, keys and the tick that moves the newest snapshot onto the screen.

    Parameters
    ----------
    model
        What is shown.
    receiver
        The thread to the node; the window starts it, and stops it when it closes.
    screen
        How large the screen is and how far from the rider.
    tick_ms
        Time between two looks at the newest snapshot.
    """

    def __init__(
        self, model: RiderModel, receiver: Receiver, screen: Screen, *, tick_ms: int = TICK_MS
    ) -> None:
        super().__init__()
        self.model = model
        self._receiver = receiver
        self.canvas = SceneCanvas(app="pyside6", size=(1280, 720), dpi=96, keys=None, show=False)
        self.view = RiderView(self.canvas, model, screen)
        self.setWindowTitle(rider_words.WINDOW_TITLE)
        self.setMinimumSize(*SMALLEST)
        self.setCentralWidget(self.canvas.native)
        self._screen_followed = False
        self._open = True
        for keys, action in {
            "Q": self.close, "Ctrl+Q": self.close, "T": theme.toggle,
            "F": self.toggle_full_screen, "Escape": self.showNormal,
        }.items():  # fmt: skip
            QShortcut(QKeySequence(keys), self, action)
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self.tick)
        receiver.start()
        self._timer.start(tick_ms)

    def tick(self) -> None:
        """Take the newest snapshot and bring the screen up to it."""
        for message, arrived in self._receiver.take():
            if isinstance(message, Snapshot):
                self.model.apply_snapshot(message, arrived)
        self.model.fault = self._receiver.fault
        self.model.apply_silence(time.monotonic())
        size = self.screen().size()
        self.view.screen_px = (size.width(), size.height())
        self.view.refresh()

    def toggle_full_screen(self) -> None:
        """Fill the screen, or become a window again."""
        if self.isFullScreen():
            self.showNormal()
        else:
            self.showFullScreen()

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802
        """Tell the canvas when the window moves to a screen of another pixel density."""
        super().showEvent(event)
        handle = self.windowHandle()
        if handle is not None and not self._screen_followed:
            handle.screenChanged.connect(self.canvas.native.screen_changed)
            self._screen_followed = True

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        """Stop the tick and the thread, and close the canvas."""
        if self._open:
            self._open = False
            self._timer.stop()
            self._receiver.stop()
            self.canvas.close()
        super().closeEvent(event)
