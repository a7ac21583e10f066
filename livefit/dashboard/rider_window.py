"""The rider's window: Qt's part of it."""

from __future__ import annotations

import time

from PySide6.QtGui import QKeySequence, QShortcut

from livefit.dashboard import theme
from livefit.dashboard.canvas_window import TICK_MS, CanvasWindow
from livefit.dashboard.link import Receiver
from livefit.dashboard.rider_view import RiderView
from livefit.definitions.models import Screen
from livefit.view import rider_words
from livefit.view.rider import RiderModel
from livefit.wire.messages import Snapshot

SMALLEST = (640, 360)


class RiderWindow(CanvasWindow):
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
        super().__init__(
            rider_words.WINDOW_TITLE, size=(1280, 720), smallest=SMALLEST, threads=[receiver]
        )
        self.model = model
        self._receiver = receiver
        self.view = RiderView(self.canvas, model, screen)
        for keys, action in {
            "Q": self.close, "Ctrl+Q": self.close, "T": theme.toggle,
            "F": self.toggle_full_screen, "Escape": self.showNormal,
        }.items():  # fmt: skip
            QShortcut(QKeySequence(keys), self, action)
        self.begin(self.tick, tick_ms)

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
