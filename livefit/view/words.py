"""All the words on screen, in one place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Shape = Literal["down", "disc", "up", "diamond", "none"]
Level = Literal["note", "care", "bad"]

MINUS = "\N{MINUS SIGN}"
NOTHING = "\N{EN DASH}"
"""Stands where a number would, while there is none."""

SIDE_LETTER = {"L": "L", "R": "R", "B": ""}
SIDE_WORD = {"L": "left side", "R": "right side"}
LANDMARK = {
    "AC": "shoulder",
    "EL": "elbow",
    "US": "wrist",
    "ASIS": "front of pelvis",
    "PSIS": "back of pelvis",
    "GT": "hip",
    "LE": "knee",
    "HF": "fibula head",
    "LM": "ankle",
    "CA": "heel",
    "VM": "outer forefoot",
    "FM": "inner forefoot",
}
UNIT_WORD = {"deg": "°", "mm": " mm", "rpm": " rpm"}


@dataclass(frozen=True)
class Verdict:
    """How a value stands to its band: a word and a shape, so that colour is never alone."""

    key: str
    word: str
    shape: Shape
    sign: str
    """The shape as a character, for a terminal."""


VERDICTS = {
    "below": Verdict("below", "below", "down", "▼"),
    "within": Verdict("within", "within", "disc", "●"),
    "above": Verdict("above", "above", "up", "▲"),
    "unsure": Verdict("unsure", "unsure", "diamond", "◆"),
    "no_band": Verdict("unknown", "no band", "none", " "),
    "no_data": Verdict("unknown", "no data", "none", " "),
}

MEANINGS = {
    "below": "mean and its interval lie below the band",
    "within": "mean and its interval lie inside the band",
    "above": "mean and its interval lie above the band",
    "unsure": "the interval still reaches over an edge of the band",
}

COLUMN_MEASURE = "measure, crank position"
COLUMN_SCALE = "band, mean, 95 % interval"
COLUMN_MEAN = "rolling mean"
COLUMN_BAND = "band"
COLUMN_SPREAD = "±"
COLUMN_COUNT = "n"
COLUMN_VERDICT = "against the band"

CADENCE = "cadence"
STROKES = "strokes averaged"
RATE = "stream"
LOST = "frames lost"
DELAY = "delay"
AGE = "age of data"
DISCIPLINE = "target bands"
CRANK = "crank"

AGE_WORD = {"fresh": "fresh", "old": "old", "lost": "no data", "held": "held"}
AGE_SIGN = {"fresh": "●", "old": "◆", "lost": "▲", "held": "◆"}

ALL_SEEN = "All markers seen"
MISSING = "{count} missing: {names}"
FIGURE_SIDE = "{side} in front"
FIGURE_OLD = "Figure {age} old"
HINT = "H  help"


def window_words(window: dict[str, float]) -> str:
    """``last 15`` or ``last 30 s``: how far back the averages reach."""
    if "strokes" in window:
        return f"last {window['strokes']:.0f}"
    if "seconds" in window:
        return f"last {window['seconds']:.0f} s"
    return ""


def marker_words(label: str) -> str:
    """``right ankle`` for ``R_LM``; a marker without a plain name keeps its label."""
    side, _, landmark = label.partition("_")
    if side not in ("L", "R") or landmark not in LANDMARK:
        return label
    return f"{'left' if side == 'L' else 'right'} {LANDMARK[landmark]}"


@dataclass(frozen=True)
class Message:
    """What the fitter must know at once."""

    level: Level
    title: str
    detail: str


NO_DATA_YET = "No data yet"
NO_DATA_YET_DETAIL = (
    "Nothing has come from {endpoint}. Start the processing node, or check the address."
)
NO_DATA = "No data for {age}"
NO_DATA_DETAIL = "All numbers shown are old. Check that the processing node is running."
CANNOT_RECEIVE = "Cannot receive"
PLEASE_CHECK = "Please check"
HELD = "Picture held"
HELD_DETAIL = "Space: go on."

STATES: dict[str, Message] = {
    "waiting": Message("bad", "No marker stream yet", "Start the source of the markers."),
    "silent": Message(
        "bad", "The marker stream has stopped", "Check the capture system; the averages are old."
    ),
    "searching": Message("care", "Looking for the crank", "Let the rider pedal steadily."),
    "still": Message("note", "Not pedalling", "The averages are those of the last strokes."),
}

BASELINE_SET = "Baseline set"
BASELINE_CLEARED = "Baseline cleared"
WINDOW_RESTARTED = "Averages started anew"
PICTURE_SAVED = "Picture saved: {path}"
PICTURE_FAILED = "Picture not saved: {error}"
REQUEST_FAILED = "{request} refused: {error}"
REQUESTED = {
    "set_baseline": "Set baseline",
    "clear_baseline": "Clear baseline",
    "restart_window": "Start averages anew",
}
DONE = {
    "set_baseline": BASELINE_SET,
    "clear_baseline": BASELINE_CLEARED,
    "restart_window": WINDOW_RESTARTED,
}

WINDOW_TITLE = "livefit: fitter"
HELP_TITLE = "Keys"
HELP_SIGNS_TITLE = "Signs"
HELP_BASELINE = "hollow mark on a scale: the baseline"
HELP = [
    ("Space", "hold the picture, go on"),
    ("B", "set the baseline to the present averages"),
    ("C", "clear the baseline"),
    ("R", "start the averages anew"),
    ("S", "save a picture"),
    ("F", "full screen, window"),
    ("H or F1", "this help"),
    ("Q or Ctrl+Q", "quit"),
]
