"""The words of the estimate of the next change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from livefit.definitions.models import Adjustment
from livefit.view.chart_words import mark_words
from livefit.wire.messages import Mark

TITLE = "What would the next change do?"
LEAD = "An estimate, before anything is moved. Small steps, one at a time."
AMOUNT_TITLE = "{part}: estimate of how far, which way?"
INSIDE = "bring the rows inside"
INSIDE_KEY = "I"

OF_CHANGES = "Estimate: {changes}"
OF_INSIDE = "Estimate: what would bring the rows inside"
FIRST_STEP = "First step: {changes}."
TOGETHER = "Together: {changes}."
SAID_BY = "Not measured. Said by {who}."
WHO = {"published": "published riders"}
WAITING = "The node is working it out."
NO_BANDS = "No row of the table has both a band and a number: give one a band with E."
SHORT = "The {side}{limb} would be too short: at crank {crank:.0f}° it lacks {by:.0f} mm."
SIDE = {"L": "left ", "R": "right ", "B": ""}
FAILED = "No estimate: {error}"

HEAD_SIDE = {"L": "left: now, then", "R": "right: now, then", "B": "now, then"}
HEAD_BY = "said by"
HALF_WIDTH = "± half of 95 %"
CAUTION = (
    "Small steps. Stop the cranks before hands come near. Insertion marks, the maker's torque. "
    "Pain or numbness: a licensed clinician."
)
"""What matters most of the cautions, which stand below it in full."""
BY = {True: "this rider", False: "published"}
CANNOT = "cannot be said"
OTHER_CHANGE, OTHER_ESTIMATE = "another change", "first step, all together"


def changes_words(changes: Mapping[str, float], adjustments: Sequence[Adjustment]) -> str:
    """``saddle up 5 mm, bar down 5 mm``.

    Examples
    --------
    >>> changes_words({"own_part": 2.0}, [])
    'own part +2'
    """
    marks = [Mark(number=0, t=None, part=part, amount=by) for part, by in changes.items()]
    return ", ".join(mark_words(mark, adjustments) for mark in marks)


def said_by_words(said_by: str) -> str:
    """Who speaks, in a sentence.

    Examples
    --------
    >>> said_by_words("published")
    'Not measured. Said by published riders.'
    """
    return SAID_BY.format(who=WHO.get(said_by, said_by))


def half_words(half: float) -> str:
    """``±0.8``."""
    return f"±{half:.{1 if half < 9.95 else 0}f}"
