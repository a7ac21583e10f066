"""All the words of the rider's screen: plain, calm, none of them medical."""

from __future__ import annotations

from dataclasses import dataclass

from livefit.definitions.models import Adjustment, Event, Measure
from livefit.view.words import Message, Shape

WINDOW_TITLE = "livefit: rider      F or Escape: full screen, T: light or dark, Q: close"

SIDE_HEAD = {"L": "Left", "R": "Right", "B": ""}
TURNS = "turns a minute"
UNIT = {"deg": "°", "mm": " mm", "rpm": ""}

QUARTERS = {
    0.0: "pedal at the top",
    90.0: "pedal in front",
    180.0: "pedal at the bottom",
    270.0: "pedal at the back",
}
WHEN = {
    "crank": "crank at {crank_deg:g}°",
    "seat_tube": "pedal farthest away",
    "maximum": "at its largest",
    "minimum": "at its smallest",
    "range": "travel in a turn",
    "mean": "over the whole turn",
}


@dataclass(frozen=True)
class Place:
    """Where the rider is against the target: a word and a shape, so that colour is never alone."""

    key: str
    """Names the colour: below, within, above, unsure, unknown."""
    word: str
    shape: Shape


PLACES = {
    "within": Place("within", "in the target", "disc"),
    "below": Place("below", "a little low", "down"),
    "far_below": Place("below", "low", "down"),
    "above": Place("above", "a little high", "up"),
    "far_above": Place("above", "high", "up"),
    "edge": Place("unsure", "at the edge", "diamond"),
    "settling": Place("unsure", "settling", "diamond"),
    "no_target": Place("unknown", "no target", "none"),
    "nothing": Place("unknown", "", "none"),
    "not_measured": Place("unknown", "not measured", "none"),
}

STEADY = "steady"
KEEP_PEDALLING = "keep pedalling"
CHANGED_UNKNOWN = "The bike was changed"
CHANGED_TITLE = "Changed"
AT_EASE = Message("note", "You can stop at any time", "")

NO_DATA_YET = Message("note", "Waiting for the first numbers", "They come once you pedal.")
NO_NEW_NUMBERS = Message("care", "No new numbers", "Those shown are old.")
CANNOT_RECEIVE = Message("care", "This screen is cut off", "Your fitter can help.")
STATES = {
    "waiting": Message("note", "Waiting for the markers", "The measuring has not begun."),
    "silent": Message("care", "The measuring has paused", "The numbers shown are old."),
    "searching": Message("note", "Getting to know your stroke", "Pedal evenly for a moment."),
    "still": Message("note", "Resting", "The numbers are from before you stopped."),
}


def title_words(measure: Measure) -> str:
    """What a measure is, as the definition says it to a rider, without how to read its numbers."""
    return measure.plain.partition(";")[0].strip()


def when_words(event: Event) -> str:
    """Where in the stroke, without the names of the trade."""
    if event.crank_deg in QUARTERS:
        return QUARTERS[event.crank_deg]
    return WHEN[event.kind].format(crank_deg=event.crank_deg)


def hold_words(needed: int | None, most: int) -> str:
    """How long until the number holds; more than ``most`` strokes are not counted out.

    Examples
    --------
    >>> [hold_words(needed, 30) for needed in (0, 1, 3, 200, None)]
    ['steady', '1 more stroke', '3 more strokes', 'keep pedalling', 'keep pedalling']
    """
    if needed is None or needed > most:
        return KEEP_PEDALLING
    if needed <= 0:
        return STEADY
    return f"{needed} more stroke{'' if needed == 1 else 's'}"


def change_words(adjustment: Adjustment | None, amount: float) -> str:
    """``Saddle height: 5 mm up``."""
    if adjustment is None:
        return CHANGED_UNKNOWN
    if amount == 0:
        return adjustment.title
    way = adjustment.more if amount > 0 else adjustment.less
    return f"{adjustment.title}: {abs(amount):g}{UNIT[adjustment.unit]} {way}"


def before_words(value: str, unit: str) -> str:
    """``before 34°``."""
    return f"before {value}{UNIT[unit]}"
