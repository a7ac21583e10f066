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
    "left_out": Verdict("unknown", "marker?", "none", " "),
}

MEANINGS = {
    "below": "mean and its interval below the band",
    "within": "mean and its interval inside the band",
    "above": "mean and its interval above the band",
    "unsure": "the interval still reaches over an edge",
}

COLUMN_MEASURE = "measure, crank position"
ROWS_SHOWN = "{first} to {last} of {count}: Up, Down"
COLUMN_SCALE = "band, mean, 95 %"
COLUMN_MEAN = "rolling mean"
COLUMN_BAND = "band"
COLUMN_SPREAD = "±"
COLUMN_COUNT = "n"
COLUMN_VERDICT = "against the band"
COLUMN_CHANGE = "change"
COLUMN_CHANGE_BASELINE = "from baseline"
COLUMN_CHANGE_MARK = "since mark"
CHANGE_AT_MARK = "mark {change}"
MAY_BE_CHANCE = "chance?"
NO_SURE_CHANGE = "{side}: no sure change, under {smallest}"
CHANGE_SHORT, NO_CHANGE_SHORT = "{side} {by} {half}", "{side} under {smallest}, if any"
MARKERS_STAYED = "Markers anew: under {smallest}"
MARKERS_COUNTED = "Markers anew: counted"
MARKERS_NOT_COUNTED = "Markers anew: not counted"
TOO_SHORT, HOLDS = "short", "holds"
STROKES_NEEDED = "+{count} strokes"

CADENCE = "cadence"
WORKLOAD = "workload"
STROKES = "strokes averaged"
BATTERY = "battery"
RATE = "stream"
LOST = "frames lost"
DELAY = "delay"
RECORDING = "recording"
ON, OFF = "on", "off"
LEFT = "{time} left"
AGE = "age of data"
DISCIPLINE = "target bands"
EDITED = "target bands, edited"
MARK = "latest mark"
MOVED = "{part}, measured"
MARK_MEASURED = "{since} {amount} ±{half}"
SINCE_MARK, SINCE_BASELINE = "since mark", "baseline"
LEAD = {
    BATTERY: "battery", LOST: "lost", DELAY: "delay", RECORDING: "rec", MARK: "mark",
    STROKES: "strokes",
}  # fmt: skip
"""The same in one word, for a line without captions."""
CRANK = "crank"

AGE_WORD = {"fresh": "fresh", "old": "old", "lost": "no data", "held": "held"}
AGE_SIGN = {"fresh": "●", "old": "◆", "lost": "▲", "held": "◆"}

MISSING = "{count} missing: {names}"
MISSING_SHORT = ("missing {name} {share} {more}", "missing {name} {more}", "{name} {more}")
"""The first of them that fits."""
FIGURE_SIDE = "{side} in front"
FIGURE_ONLY = "{side} alone"
FIGURE_OLD = "Figure {age} old"
FIGURE_BASELINE = "dashed: baseline"


def span(seconds: float) -> str:
    """``45 s``, ``12 min``, ``3 h``: no more digits than matter.

    >>> span(45.2), span(754.0), span(11_000.0)
    ('45 s', '12 min', '3 h')
    """
    if seconds < 60:
        return f"{seconds:.0f} s"
    return f"{seconds // 60:.0f} min" if seconds < 7200 else f"{seconds // 3600:.0f} h"


def window_words(window: dict[str, float]) -> str:
    """``last 15`` or ``last 30 s``: how far back the averages reach."""
    if "strokes" in window:
        return f"last {window['strokes']:.0f}"
    if "seconds" in window:
        return f"last {window['seconds']:.0f} s"
    return ""


def needed_words(needed: int | None, too_short: bool = False) -> str:
    """``+3`` strokes until a mean holds, or that it does; nothing where that cannot be said."""
    if too_short:
        return TOO_SHORT
    if needed is None:
        return ""
    return HOLDS if needed <= 0 else f"+{needed}"


def all_hold_words(needed: int | None) -> str:
    """The same of all rows at once."""
    if needed is None:
        return ""
    return "all hold" if needed <= 0 else f"+{needed} to hold"


def marker_words(label: str) -> str:
    """``right ankle`` for ``R_LM``; a marker without a plain name keeps its label."""
    side, _, landmark = label.partition("_")
    if side not in ("L", "R") or landmark not in LANDMARK:
        return label
    return f"{'left' if side == 'L' else 'right'} {LANDMARK[landmark]}"


def marker_short(label: str) -> str:
    """``ankle R`` for ``R_LM``."""
    side, _, landmark = label.partition("_")
    if side not in ("L", "R") or landmark not in LANDMARK:
        return label
    return f"{LANDMARK[landmark]} {side}"


def marker_letter(label: str) -> str:
    """``R ankle`` for ``R_LM``."""
    side, _, landmark = label.partition("_")
    if side not in ("L", "R") or landmark not in LANDMARK:
        return label
    return f"{side} {LANDMARK[landmark]}"


def sentence(text: str) -> str:
    """The text with a capital first."""
    return text[:1].upper() + text[1:]


@dataclass(frozen=True)
class Message:
    """What the fitter must know at once."""

    level: Level
    title: str
    detail: str
    short: str = ""
    """The detail where there is room for a few words; empty: as it is."""


NO_DATA_YET = "No data yet"
NO_DATA_YET_DETAIL = (
    "Nothing has come from {endpoint}. Start the processing node, or check the address."
)
NO_DATA = "No data for {age}"
NO_DATA_DETAIL = "All numbers shown are old. Check that the processing node is running."
NO_DATA_YET_SHORT = "Is the node running?"
NO_DATA_SHORT = "All numbers are old."
CANNOT_RECEIVE = "Cannot receive"
IN_FULL = "H: all"
"""Behind a message that goes on."""
PLEASE_CHECK = "Please check"
HELD = "Picture held"
HELD_DETAIL = "Space: go on."

STATES: dict[str, Message] = {
    "waiting": Message("bad", "No marker stream yet", "Start the source of the markers."),
    "silent": Message(
        "bad",
        "Stream stopped",
        "Check the capture system; the averages are old.",
        "Averages are old.",
    ),
    "searching": Message("care", "Looking for the crank", "Let the rider pedal steadily."),
    "still": Message(
        "note",
        "Not pedalling",
        "The averages are those of the last strokes.",
        "Averages of the last strokes.",
    ),
}

OFFER = "A change nobody marked"
OFFER_DETAIL = "O: mark or drop it. {what}."
OFFER_SHORT = "O: mark or drop it."
CHANGED_SINCE_BASELINE = "From the baseline"
CHANGED_SINCE_MARK = "Since the mark"

LOADS = "{loads} than before: not allowed for"
LOAD = "{what} {by} {unit} {way}"
LOAD_SHORT = "{what} {by} {unit}"
HIGHER, LOWER = "higher", "lower"

PICTURE_SAVED = "Picture saved: {path}"
PICTURE_FAILED = "Picture not saved: {error}"
REQUEST_FAILED = "{request} refused: {error}"
REQUESTED = {
    "mark": "Mark",
    "unmark": "Take the mark back",
    "set_baseline": "Set baseline",
    "clear_baseline": "Clear baseline",
    "restart_window": "Start averages anew",
    "set_window": "Average over another span",
    "set_discipline": "Other target bands",
    "set_band": "Edit the band",
    "reset_bands": "Reset the bands",
    "choose": "Choose what is shown",
    "edit_mark": "Edit the mark",
    "take_offer": "Take the change as a mark",
    "drop_offer": "Drop the change",
}
DONE = {
    "mark": "Marked: {mark}",
    "unmark": "Mark taken back",
    "set_baseline": "Baseline set",
    "clear_baseline": "Baseline cleared",
    "restart_window": "Averages started anew",
    "set_window": "Averages over {span}",
    "set_discipline": "Target bands: {discipline}",
    "set_band": "Band edited",
    "reset_bands": "All bands as defined",
    "choose": "Choice sent",
    "edit_mark": "Mark edited",
    "take_offer": "Marked where it was found",
    "drop_offer": "Change dropped",
}

WINDOW_TITLE = "livefit: fitter"
HELP_TITLE = "Keys"
HELP_SIGNS_TITLE = "Signs"
HELP_NOW_TITLE = "Now, in full"
HELP_MISSING, HELP_LOADS = "markers missing", "other loads"
HELP_SIGNS = (
    ("ring on a scale", "the baseline"),
    ("thin marks on a scale", "the last strokes, one by one"),
    ("±, +3, holds, short", "95 % of the mean; strokes until it holds; the window is too short"),
    ("marker?", "a marker it rests on is not where its label says"),
    ("dashed figure", "the baseline, with the crank where it is now"),
    ("ring in the figure", "where a lost marker was seen last"),
    ("change", "from the baseline, or from before the mark; ?: it may be chance"),
    (
        "other loads",
        "what cadence makes of the changes is still in them; livefit compare tells",
    ),
)
ACTIONS: tuple[tuple[str, ...], ...] = (
    ("M", "mark", "mark an adjustment: part, then how far", "ask mark"),
    ("O", "offer", "take or drop a change that nobody marked", "ask offer"),
    ("A", "amend", "put right what one of the last marks says", "ask amend"),
    ("Z", "undo", "take the latest mark back", "unmark", "Ctrl+Z"),
    ("N", "next", "estimate what the next change would do", "ask estimate"),
    ("B", "baseline", "set the baseline to the present averages", "set_baseline"),
    ("C", "clear", "clear the baseline", "clear_baseline"),
    ("R", "restart", "start the averages anew", "restart_window"),
    ("W", "window", "average over more or fewer strokes", "ask window"),
    ("P", "measures", "choose what is shown here and to the rider", "ask rows"),
    ("D", "bands", "choose the target bands", "ask discipline"),
    ("E", "edit", "edit the band of the selected row", "ask band"),
    ("Space", "hold", "hold the picture, go on", "hold"),
    ("V", "view", "figure from the side, the front, both", "views"),
    ("L", "side", "left side, right side, both", "sides"),
    ("G", "chart", "next chart", "chart"),
    ("+", "longer", "chart: reach farther back", "longer", "="),
    (MINUS, "shorter", "chart: reach less far", "shorter", "-"),
    ("T", "theme", "dark or light", "theme"),
    ("S", "picture", "save a picture", "picture"),
    ("F", "full", "full screen, window", "full_screen"),
    ("H", "help", "this help", "help", "F1"),
    ("Q", "quit", "quit", "quit", "Ctrl+Q"),
)
"""Key, word, meaning, what it does, and other keys that do the same."""
SELECT_KEYS = ("Up, Down", "select a row; the chart follows")
