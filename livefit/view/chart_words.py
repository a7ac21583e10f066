"""All the words of the charts."""

from __future__ import annotations

from collections.abc import Sequence

from livefit.definitions.models import Adjustment
from livefit.view.words import MINUS, UNIT_WORD, window_words
from livefit.wire.messages import Mark

ANGLE_ANGLE = "Joint against joint"
FROM_FRONT = "Knee over the foot"

TITLE = "{measure}, {event}"

LATEST = "latest"
EACH_STROKE = "each stroke"
BASELINE = "baseline"
BAND = "band"
SPREAD = "± SD"
TOP = "top"
QUARTERS = ("top", "forward", "bottom", "rearward")
IN, OUT = "in", "out"
FROM_FOOT, FROM_FOOT_SHORT = "mm from foot", "mm"
FRONT_SIDE = {"L": "L leg", "R": "R leg"}

UNKNOWN_CHANGE = "unknown change"
NOTHING_CHOSEN = "No row is chosen"
NO_STROKES = "No strokes yet"
NO_CYCLES = "No whole stroke yet"
NOT_MEASURED = "Not measured: {names}"


def mean_words(window: dict[str, float]) -> str:
    """``mean of last 15``: what the mean line averages."""
    words = window_words(window)
    return f"mean of {words}" if words else "mean"


def time_words(before_s: float) -> str:
    """``−2 min``, ``−20 s`` for a time before the latest stroke; ``latest`` for none.

    Examples
    --------
    >>> time_words(120.0), time_words(20.0), time_words(0.0)
    ('−2 min', '−20 s', 'latest')
    """
    if before_s == 0:
        return LATEST
    return MINUS + (f"{before_s:g} s" if before_s < 60 else f"{before_s / 60:g} min")


def span_words(span_s: float) -> str:
    """``last 3 min``."""
    return f"last {span_s / 60:g} min"


def mark_words(mark: Mark, adjustments: Sequence[Adjustment]) -> str:
    """``saddle up 5 mm``; a part without a definition keeps its name and the sign of its amount.

    Examples
    --------
    >>> mark_words(Mark(number=1, t=None, part="own_part", amount=-2.5), [])
    'own part −2.5'
    """
    known = next((a for a in adjustments if a.name == mark.part), None)
    if mark.amount == 0:
        return UNKNOWN_CHANGE
    if known is None:
        return f"{mark.part.replace('_', ' ')} {mark.amount:+g}".replace("-", MINUS)
    way = known.more if mark.amount > 0 else known.less
    return f"{known.short} {way} {abs(mark.amount):g}{UNIT_WORD[known.unit]}"


def tick_words(value: float, unit: str) -> str:
    """A number at an axis: whole where it is, ``°`` for angles; mm and rpm stand in the title.

    Examples
    --------
    >>> tick_words(-20.0, "mm"), tick_words(2.5, "deg")
    ('−20', '2.5°')
    """
    text = f"{round(value, 6) + 0.0:g}".replace("-", MINUS)
    return text + "°" if unit == "deg" else text


def short_title(title: str) -> str:
    """``Hip angle`` of ``Hip angle, trunk to thigh``."""
    return title.partition(",")[0]


def unit_words(unit: str) -> str:
    """``, mm`` behind a title; nothing for angles, whose ticks say it."""
    return "" if unit == "deg" else f", {unit}"
