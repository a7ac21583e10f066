"""The fitter's window: Qt's part of the dashboard."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtGui import QKeyEvent, QMouseEvent

from livefit.dashboard import theme
from livefit.dashboard.canvas_window import TICK_MS, CanvasWindow
from livefit.dashboard.fitter_view import FitterView
from livefit.dashboard.keys import key_name
from livefit.dashboard.layer import Area
from livefit.dashboard.link import SLOW, Answered, Commander, Receiver
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.picture import write_png
from livefit.view import words
from livefit.view.asking import Ask
from livefit.view.hands import Command, Hands
from livefit.view.told import done_words, refused_words

SMALLEST = (960, 540)
PAST = "history"
"""The request for past strokes: the program's own, not the fitter's."""


class FitterWindow(CanvasWindow):
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
        super().__init__(
            words.WINDOW_TITLE, size=(1600, 900), smallest=SMALLEST, threads=[receiver, commander]
        )
        self.model = model
        self._receiver = receiver
        self._commander = commander
        self.picture_dir = picture_dir
        self.hands = Hands(model)
        self.view = FitterView(self.canvas, model, self.hands)
        self.surface.widget.installEventFilter(self)
        self.surface.widget.setFocus()
        self.begin(self.tick, tick_ms)

    def tick(self) -> list[Area] | None:
        """Take the newest messages and bring the scene up to them."""
        now = time.monotonic()
        fault = self._receiver.fault
        for message, arrived in self._receiver.take():
            try:
                self.model.apply(message, arrived)
            except ValueError as error:
                fault = str(error)
        for answered in self._commander.take():
            try:
                self._hear(answered)
            except ValueError as error:
                fault = str(error)
        self.model.fault = fault
        past = self.model.past_wanted(now)
        if past:
            self._commander.send(PAST, {"rows": past})
        self.model.apply_silence(now)
        return self.view.refresh()

    def press(self, key: str) -> None:
        """Do what a key asks for."""
        self._do(self.hands.press(key))

    def click(self, x: float, y: float) -> None:
        """Do what a click at a point of the canvas asks for."""
        asked = self.hands.sheet is not None or self.hands.help_shown
        what = self.view.click(x, y)
        if isinstance(what, int):
            self.model.select(what)
        elif what is not None:
            self._do(self.hands.press(what) if asked else self.hands.tap(what))

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Take keys and clicks before the canvas does: to Qt, Tab and arrows mean other things."""
        if isinstance(event, QKeyEvent) and event.type() == QEvent.Type.KeyPress:
            key = key_name(event, typing=self.hands.typing)
            if key is not None:
                self.press(key)
            return True
        if isinstance(event, QMouseEvent):
            # The second press of a double click comes as one of its own kind.
            presses = (QEvent.Type.MouseButtonPress, QEvent.Type.MouseButtonDblClick)
            if event.type() in presses and event.button() == Qt.MouseButton.LeftButton:
                self.click(*self.surface.at(event.position().x(), event.position().y()))
            return True
        return super().eventFilter(watched, event)

    def save_picture(self) -> None:
        """Write what the canvas shows as a PNG file named by the time of day."""
        path = self.picture_dir / f"livefit-{datetime.now():%Y%m%d-%H%M%S-%f}.png"
        try:
            write_png(self.canvas.render(alpha=False), path)
        except OSError as error:
            self._say(words.PICTURE_FAILED.format(error=error))
        else:
            self._say(words.PICTURE_SAVED.format(path=path.name))

    def _do(self, what: Ask | Command | None) -> None:
        if isinstance(what, Ask):
            self._commander.send(what.op, what.args)
        elif what is not None:
            self._commands()[what]()

    def _commands(self) -> dict[Command, Callable[[], object]]:
        model = self.model
        return {
            "hold": model.toggle_hold,
            "views": model.next_views,
            "sides": model.next_sides,
            "chart": model.charts.next_kind,
            "longer": lambda: model.charts.zoom(1),
            "shorter": lambda: model.charts.zoom(-1),
            "theme": theme.toggle,
            "picture": self.save_picture,
            "full_screen": self.toggle_full_screen,
            "quit": self.close,
        }

    def _hear(self, answered: Answered) -> None:
        """Say what came of a request; past strokes go to the charts without a word."""
        ask, error = answered.ask, answered.error
        if ask.op == PAST:
            if error is None:
                self.model.apply_history(answered.result)
            else:
                self.model.past_refused(ask.args["rows"])
        elif ask.op in SLOW:
            self.hands.hear(ask, answered.result, error)
        elif error is None:
            self._say(done_words(ask, self.model.definitions))
        else:
            self.hands.hear(ask, answered.result, error)
            self._say(refused_words(ask, error))

    def _say(self, text: str) -> None:
        self.model.notify(text, time.monotonic())
