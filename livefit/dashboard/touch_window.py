"""The window of guided touching: Qt's part of it."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol

from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtGui import QCloseEvent, QKeyEvent, QMouseEvent

from livefit.dashboard import theme
from livefit.dashboard.canvas_window import TICK_MS, CanvasWindow
from livefit.dashboard.keys import key_name
from livefit.dashboard.sound import Sound
from livefit.dashboard.touch_view import TouchView
from livefit.definitions.models import Screen
from livefit.view import touch_words as words
from livefit.view.touching import TouchModel
from livefit.wire.messages import Message

SMALLEST = (960, 540)


class Frames(Protocol):
    """Where frames come from; it never waits."""

    def poll(self, timeout_s: float = 0.0) -> list[tuple[str, Message]]:
        """What has come."""


class TouchWindow(CanvasWindow):
    """Canvas, keys, sound, and the tick that brings frames to the model.

    Parameters
    ----------
    model
        What is shown.
    frames
        Where frames come from; whoever made it closes it.
    screen
        How large the screen is and how far from the person with the pointer.
    save
        Called after each touch; returns in words what became of the file.
    beside
        Called with each tick; a simulated hand follows there.
    tick_ms
        Time between two looks at what has come.
    """

    def __init__(
        self,
        model: TouchModel,
        frames: Frames,
        screen: Screen,
        *,
        save: Callable[[TouchModel], str] = lambda _: "",
        beside: Callable[[TouchModel], None] = lambda _: None,
        tick_ms: int = TICK_MS,
    ) -> None:
        super().__init__(words.WINDOW_TITLE, size=(1600, 900), smallest=SMALLEST, threads=[])
        self.model = model
        self.sound = Sound()
        self._frames, self._save, self._beside = frames, save, beside
        self._told, self._measured = model.told, 0
        self.view = TouchView(self.canvas, model, screen)
        self.surface.widget.installEventFilter(self)
        self.surface.widget.setFocus()
        self.begin(self.tick, tick_ms)

    def tick(self) -> None:
        """Take what has come, say by ear what became of a touch, and show it."""
        now = time.monotonic()
        self.model.pass_time(now)
        for _, message in self._frames.poll():
            self.model.take(message, now)
        if self.model.told != self._told:
            self._told = self.model.told
            self.sound.play(self.model.last_good)
        if self.model.measured_times != self._measured:
            self._measured = self.model.measured_times
            self.view.saved = self._save(self.model)
        self._beside(self.model)
        size = self.screen().size()
        self.view.screen_px = (size.width(), size.height())
        self.view.refresh()

    def press(self, key: str) -> None:
        """Do what a key asks for."""
        command = self.model.press(key)
        if command == "theme":
            theme.toggle()
        elif command == "full_screen":
            self.toggle_full_screen()
        elif command == "quit":
            self.close()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Take keys and clicks before the canvas does."""
        if isinstance(event, QKeyEvent) and event.type() == QEvent.Type.KeyPress:
            key = key_name(event)
            if key is not None:
                self.press(key)
            return True
        if isinstance(event, QMouseEvent):
            presses = (QEvent.Type.MouseButtonPress, QEvent.Type.MouseButtonDblClick)
            if event.type() in presses and event.button() == Qt.MouseButton.LeftButton:
                where = self.surface.at(event.position().x(), event.position().y())
                key = self.view.key_at(*where)
                if key is not None:
                    self.press(key)
            return True
        return super().eventFilter(watched, event)

    def closeEvent(self, event: QCloseEvent) -> None:
        """Give the sounds back as well."""
        self.sound.close()
        super().closeEvent(event)
