"""The sheet on which a note is typed."""

from __future__ import annotations

from dataclasses import dataclass, replace

from livefit.view import ask_words as words
from livefit.view.asking import ESC, Answer, Ask, Button, Cell, SheetView

MOST = 60
"""Characters that the sheet shows in one line."""
BUTTONS = (
    Button("Enter", words.NOTE_SEND, "Enter"),
    Button("Backspace", words.NOTE_ERASE, "Backspace"),
    ESC,
)


@dataclass(frozen=True)
class NoteSheet:
    """Characters are typed, Enter sends the request with them, Esc drops it."""

    ask: Ask
    text: str = ""
    lead: str = words.NOTE_LEAD
    clears: bool = False
    """An empty text takes away the note that there is."""

    @property
    def view(self) -> SheetView:
        """The text so far, in one cell."""
        cell = Cell(self.text[-MOST:] + words.CURSOR, "", "Enter", here=True)
        return SheetView(words.NOTE_TITLE, self.lead, ((cell,),), buttons=BUTTONS)

    def press(self, key: str) -> Answer:
        """Type, erase, send or close."""
        if key == "Enter":
            note = {"note": self.text.strip()} if self.text.strip() or self.clears else {}
            return Answer(None, Ask(self.ask.op, {**self.ask.args, **note}))
        if key == "Esc":
            return Answer(None)
        if key == "Backspace":
            return Answer(replace(self, text=self.text[:-1]))
        typed = " " if key == "Space" else key
        if len(typed) == 1 and len(self.text) < MOST:
            return Answer(replace(self, text=self.text + typed))
        return Answer(self)
