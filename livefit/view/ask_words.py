"""The words of the sheets."""

from __future__ import annotations

CLOSE = "close"
BACK = "back"

MARK_TITLE = "What was adjusted?"
MARK_LEAD = "The averages begin anew with the mark."
AMOUNT_TITLE = "{part}: how far, which way?"
AMOUNT_LEAD = "Small steps, one at a time. Cranks stopped before hands come near."

MEASURED = "measured: {way} {amount}"
WITH_NOTE = "with a note"
NOTE_TITLE = "A note to the mark"
NOTE_LEAD = "Type, then Enter. The averages begin anew with it."
CURSOR = "_"
NOTE_SEND, NOTE_ERASE = "send", "erase"

AMEND_TITLE = "Which mark says something wrong?"
AMEND_LEAD = "What it says is put right; the strokes stay where they are."
ONE_MARK = "Mark {number}: {mark}"
OTHER_NOTE, OTHER_PART, TAKE_BACK = "note", "another part", "take it back"
AMENDED_NOTE = "Type, then Enter. Nothing at all takes the note away."
NO_MARKS = "Nothing has been marked yet."
MARK_FIRST = "mark an adjustment"

OFFER_TITLE = "What was changed?"
OFFER_LEAD = "{what}."
UNKNOWN_PART = "nobody knows"
DROP = "nothing: drop it"

WINDOW_TITLE = "Average over how much?"
WINDOW_LEAD = "More strokes: surer, but slower to follow a change."
DISCIPLINE_TITLE = "Which target bands?"
DISCIPLINE_LEAD = "Bands that were edited stay as they are."

CHOOSE_TITLE = "What is shown?"
CHOOSE_LEAD = "Square: in this table. Ring: on the rider's screen, one to three."
FITTER, RIDER = "in the table, or not", "for the rider, or not"
FULL_TABLE = "The table holds {most} rows: take one out first"
LAST_ROW = "One row must stay"
FULL_RIDER = "The rider sees {most} at most: take one out first"

BAND_TITLE = "Band: {measure}, {event}"
BAND_LEAD = "From {low} to {high}"
LOW, HIGH = "low edge", "high edge"
LESS, MORE = "−1", "+1"
SEND, RESET, OTHER_EDGE = "use this band", "all bands as defined", "other edge"


def span_words(span: dict[str, float]) -> str:
    """``15 strokes`` or ``30 s``."""
    if "strokes" in span:
        return f"{span['strokes']:g} strokes"
    return f"{span['seconds']:g} s"
