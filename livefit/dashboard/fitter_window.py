"""The fitter's window: Qt's part of the dashboard."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QCloseEvent, QKeySequence, QShortcut, QShowEvent
from PySide6.QtWidgets import QMainWindow
from vispy.scene import SceneCanvas

from livefit.dashboard.fitter_view import FitterView
from livefit.dashboard.link import Commander, Receiver
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.picture import write_png
from livefit.view import words
from livefit.wire.messages import Pose, Snapshot

TICK_MS = 16
SMALLEST = (960, 540)


class FitterWindow(QMainWindow):
    """Canvas, keys and the tick that moves the newest messages onto the screen.

    Parameters
    ----------
    model
        What is shown.
    receiver, commander
        The threads to the node; the window starts them, and stops them when it closes.
    picture_dir
        Where saved pictures go.
    tick_ms
        Time between two looks at the newest messages.
    """

    def __init__(
        self,
        model: DashboardModel,
        receiver: Receiver,
        commander: Commander,
        *,
        picture_dir: Path,
        tick_ms: int = TICK_MS,
    ) -> None:
        super().__init__()
        self.model = model
        self._receiver = receiver
        self._commander = commander
        self.picture_dir = picture_dir
        self.canvas = SceneCanvas(app="pyside6", size=(1600, 900), dpi=96, keys=None, show=False)
        self.view = FitterView(self.canvas, model)
        self.setWindowTitle(words.WINDOW_TITLE)
        self.setMinimumSize(*SMALLEST)
        self.setCentralWidget(self.canvas.native)
        self._screen_followed = False
        self._open = True
        for keys, action in self._actions().items():
            QShortcut(QKeySequence(keys), self, action)
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self.tick)
        receiver.start()
        commander.start()
        self._timer.start(tick_ms)

    def tick(self) -> None:
        """Take the newest messages and bring the screen up to them."""
        now = time.monotonic()
        fault = self._receiver.fault
        for message, arrived in self._receiver.take():
            try:
                if isinstance(message, Snapshot):
                    self.model.apply_snapshot(message, arrived)
                elif isinstance(message, Pose):
                    self.model.apply_pose(message, arrived)
            except ValueError as error:
                fault = str(error)
        self.model.fault = fault
        for op, error_text in self._commander.take():
            self._say(words.DONE[op] if error_text is None else words.REQUEST_FAILED.format(
                request=words.REQUESTED[op], error=error_text))  # fmt: skip
        self.model.apply_silence(now)
        self.view.refresh()

    def save_picture(self) -> None:
        """Write what the canvas shows as a PNG file named by the time of day."""
        path = self.picture_dir / f"livefit-{datetime.now():%Y%m%d-%H%M%S-%f}.png"
        try:
            write_png(self.canvas.render(alpha=False), path)
        except OSError as error:
            self._say(words.PICTURE_FAILED.format(error=error))
        else:
            self._say(words.PICTURE_SAVED.format(path=path.name))

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
        """Stop the tick and both threads, and close the canvas."""
        if self._open:
            self._open = False
            self._timer.stop()
            self._receiver.stop()
            self._commander.stop()
            self.canvas.close()
        super().closeEvent(event)

    def _actions(self) -> dict[str, Callable[[], object]]:
        return {
            "Q": self.close,
            "Ctrl+Q": self.close,
            "S": self.save_picture,
            "Space": self.model.toggle_hold,
            "B": lambda: self._commander.send("set_baseline"),
            "C": lambda: self._commander.send("clear_baseline"),
            "R": lambda: self._commander.send("restart_window"),
            "H": self.view.toggle_help,
            "F1": self.view.toggle_help,
            "F": self.toggle_full_screen,
        }

    def _say(self, text: str) -> None:
        self.model.notify(text, time.monotonic())
