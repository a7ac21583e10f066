"""A short sound for a touch taken or refused: by Qt Multimedia if it is there, else the bell."""

from __future__ import annotations

import math
import struct
import wave
from importlib import import_module
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from PySide6.QtCore import QUrl
from PySide6.QtWidgets import QApplication

RATE_HZ = 44_100
TONES = {True: ((880.0, 0.09), (1320.0, 0.12)), False: ((220.0, 0.35),)}
"""Taken, refused: pitch (Hz) and length (s) of the notes."""
_FADE_S = 0.01


def tone(notes: tuple[tuple[float, float], ...]) -> bytes:
    """A WAV file of notes one after the other."""
    samples: list[int] = []
    for pitch, length in notes:
        count = round(length * RATE_HZ)
        for k in range(count):
            fade = min(k, count - k, _FADE_S * RATE_HZ) / (_FADE_S * RATE_HZ)
            samples.append(round(12_000 * fade * math.sin(2 * math.pi * pitch * k / RATE_HZ)))
    out = BytesIO()
    with wave.open(out, "wb") as file:
        file.setparams((1, 2, RATE_HZ, 0, "NONE", ""))
        file.writeframes(struct.pack(f"<{len(samples)}h", *samples))
    return out.getvalue()


class Sound:
    """Says by ear whether a touch was taken."""

    def __init__(self) -> None:
        self._effects: dict[bool, Any] = {}
        self._folder: TemporaryDirectory[str] | None = None
        try:
            multimedia = import_module("PySide6.QtMultimedia")
        except ImportError:
            return
        self._folder = TemporaryDirectory()
        for good, notes in TONES.items():
            path = Path(self._folder.name) / ("taken.wav" if good else "refused.wav")
            path.write_bytes(tone(notes))
            self._effects[good] = multimedia.QSoundEffect()
            self._effects[good].setSource(QUrl.fromLocalFile(str(path)))

    def play(self, good: bool) -> None:
        """Two notes up for a touch taken, a low one for one refused; once or twice the bell."""
        if self._effects:
            self._effects[good].play()
            return
        QApplication.beep()
        if not good:
            QApplication.beep()

    def close(self) -> None:
        """Give back what the sounds took."""
        self._effects.clear()
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None
