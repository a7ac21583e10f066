"""The window of guided touching on a real display, driven by real keys and clicks."""

from __future__ import annotations

import gc
import io
import wave
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from livefit.dashboard import theme
from livefit.dashboard.sound import RATE_HZ, TONES, tone
from livefit.dashboard.touch_window import TouchWindow
from livefit.view.touching import TouchModel
from livefit.wire.messages import Message
from tests.dashboard.window_desk import DEADLINE_S, until
from tests.view.touch_examples import Bench, new_model, shipped, whole


@dataclass
class Heard:
    """What a window was told by the bench, and what it played and saved."""

    bench: Bench
    played: list[bool] = field(default_factory=list)
    saved: list[int] = field(default_factory=list)

    def poll(self, timeout_s: float = 0.0) -> list[tuple[str, Message]]:
        del timeout_s
        return [("frames", message) for _ in range(4) for message in self.bench.messages()]

    def play(self, good: bool) -> None:
        self.played.append(good)

    def save(self, model: TouchModel) -> str:
        self.saved.append(len(model.guide.touches))
        return "Saved: here"


@dataclass
class Room:
    window: TouchWindow
    heard: Heard

    def click(self, what: str) -> None:
        self.window.view.refresh()
        box = next(b for b in self.window.view.boxes() if b.text == what)
        at = QPoint(round((box.left + box.right) / 2), round((box.top + box.bottom) / 2))
        button, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
        QTest.mouseClick(self.window.surface.widget, button, none, at)

    def press(self, key: Qt.Key) -> None:
        QTest.keyClick(self.window.surface.widget, key)


@pytest.fixture
def room(app: QApplication) -> Iterator[Room]:
    bench = Bench(new_model(whole().calibration), order="none", slip="pedal_left")
    heard = Heard(bench)
    window = TouchWindow(
        bench.model, heard, shipped().screen("fitter"), save=heard.save, beside=bench.hand.follow
    )
    window.sound.play = heard.play  # type: ignore[method-assign]
    window.resize(1280, 720)
    window.show()
    window.activateWindow()
    try:
        assert QTest.qWaitForWindowActive(window, int(1000 * DEADLINE_S))
        yield Room(window, heard)
    finally:
        theme.use("dark")
        window.close()
        window.deleteLater()
        del window
        QTest.qWait(1)
        gc.collect()


def test_a_bicycle_is_touched_with_a_sign_and_a_sound(room: Room) -> None:
    model, heard = room.window.model, room.heard
    until(lambda: model.guide.index == 2, "two touches")
    assert heard.played == [True, False, True]
    room.click("retake")
    assert model.guide.index == 1
    room.press(Qt.Key.Key_S)
    assert model.guide.skipped == {"pedal_left"}
    room.click("back")
    until(lambda: len(model.guide.touches) == 2, "the point left out")
    room.press(Qt.Key.Key_T)
    assert theme.in_use == "light"
    room.click("theme")
    assert theme.in_use == "dark"
    room.press(Qt.Key.Key_F)
    until(room.window.isFullScreen, "full screen")
    room.click("full screen")
    until(lambda: not room.window.isFullScreen(), "the window")
    until(lambda: model.complete, "the last point")
    until(lambda: "Dimensions" in {b.text for b in room.window.view.boxes()}, "the sheet")
    assert "Saved: here" in {box.text for box in room.window.view.boxes()}
    assert heard.saved[-1] == 14
    room.press(Qt.Key.Key_Down)
    until(lambda: any(b.text.startswith("Saddle height from the pedal: ")
                      for b in room.window.view.boxes()), "the next dimension")  # fmt: skip
    room.press(Qt.Key.Key_Q)
    until(lambda: not room.window.isVisible(), "the close")


def test_the_sounds_are_two_notes_up_and_a_low_one() -> None:
    """The strongest frequency of each note, by a Fourier transform."""
    for good, notes in TONES.items():
        with wave.open(io.BytesIO(tone(notes))) as file:
            assert file.getframerate() == RATE_HZ
            samples = np.frombuffer(file.readframes(file.getnframes()), "<i2")
        start = 0
        for pitch, seconds in notes:
            note = samples[start : start + round(seconds * RATE_HZ)]
            start += len(note)
            heard = np.argmax(np.abs(np.fft.rfft(note))) * RATE_HZ / len(note)
            assert heard == pytest.approx(pitch, abs=1 / seconds), good
        assert start == len(samples)
