"""What the windows have in common: a canvas, a tick, threads that end with the window."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QCloseEvent, QShowEvent
from PySide6.QtWidgets import QMainWindow

from livefit.dashboard.layer import Area
from livefit.dashboard.link import Commander, Receiver
from livefit.dashboard.surface import new_surface

TICK_MS = 16
Tick = Callable[[], Sequence[Area] | None]
"""Returns where the scene has changed; None: anywhere."""


class CanvasWindow(QMainWindow):
    """A window filled by a vispy canvas.

    Parameters
    ----------
    title
        Of the window.
    size, smallest
        Width and height in px: to begin with, and at least.
    threads
        To the node; the window starts them, and stops them when it closes.
    """

    def __init__(
        self,
        title: str,
        *,
        size: tuple[int, int],
        smallest: tuple[int, int],
        threads: Sequence[Receiver | Commander],
    ) -> None:
        super().__init__()
        self._threads = threads
        self.surface = new_surface(size)
        self.canvas = self.surface.canvas
        self.setWindowTitle(title)
        self.setMinimumSize(*smallest)
        self.setCentralWidget(self.surface.widget)
        self._screen_followed = False
        self._open = True
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)

    def begin(self, tick: Tick, tick_ms: int) -> None:
        """Start the threads, and call ``tick`` every ``tick_ms`` to bring the scene up to them.

        A picture that takes longer is followed by the next at once: a timer left alone would let
        what remains of its next interval go by.
        """

        def show_next() -> None:
            began = time.perf_counter()
            self.surface.show_scene(tick())
            spent_ms = 1e3 * (time.perf_counter() - began)
            self._timer.setInterval(max(round(tick_ms - spent_ms), 1))

        self._timer.timeout.connect(show_next)
        for thread in self._threads:
            thread.start()
        self._timer.start(tick_ms)

    def toggle_full_screen(self) -> None:
        """Fill the screen, or become a window again."""
        if self.isFullScreen():
            self.showNormal()
        else:
            self.showFullScreen()

    def showEvent(self, event: QShowEvent) -> None:
        """Tell the canvas when the window moves to a screen of another pixel density."""
        super().showEvent(event)
        handle = self.windowHandle()
        if handle is not None and not self._screen_followed:
            handle.screenChanged.connect(self.surface.follow_screen)
            self._screen_followed = True

    def closeEvent(self, event: QCloseEvent) -> None:
        """Stop the tick and the threads, and close the canvas."""
        if self._open:
            self._open = False
            self._timer.stop()
            for thread in self._threads:
                thread.stop()
            self.surface.close_canvas()
        super().closeEvent(event)
