"""Qt's keys by the names that the rest of the program knows."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent

NAMES = {
    Qt.Key.Key_Up: "Up",
    Qt.Key.Key_Down: "Down",
    Qt.Key.Key_Left: "Left",
    Qt.Key.Key_Right: "Right",
    Qt.Key.Key_Return: "Enter",
    Qt.Key.Key_Enter: "Enter",
    Qt.Key.Key_Escape: "Esc",
    Qt.Key.Key_Backspace: "Backspace",
    Qt.Key.Key_Tab: "Tab",
    Qt.Key.Key_Backtab: "Tab",
    Qt.Key.Key_Space: "Space",
    Qt.Key.Key_F1: "F1",
}


def key_name(event: QKeyEvent, *, typing: bool = False) -> str | None:
    """``A``, ``7``, ``Enter``, ``Ctrl+Z``; None for a key that means nothing here.

    While a text is typed a letter stays small, and a held key repeats.
    """
    key = event.key()
    # A held key repeats: that moves a cursor, but must not set a baseline ten times.
    name = NAMES.get(Qt.Key(key))
    if event.isAutoRepeat() and not typing and name not in ("Up", "Down", "Left", "Right"):
        return None
    if event.modifiers() & (Qt.KeyboardModifier.AltModifier | Qt.KeyboardModifier.MetaModifier):
        return None
    if event.modifiers() & Qt.KeyboardModifier.ControlModifier:
        return f"Ctrl+{chr(key)}" if 0x21 <= key <= 0x7E else None
    if name is not None:
        return name
    if typing:
        return event.text() if event.text().isprintable() and event.text() else None
    return event.text().upper() if event.text().isprintable() and event.text() else None
