"""What a node answers to ``predict`` and ``into_bands``; the rules are those of `messages`."""

from __future__ import annotations

from livefit.wire.messages import Message


class EstimatedRow(Message):
    """One number and what would become of it."""

    measure: str
    side: str
    event: str
    unit: str
    now: float | None
    """Mean of the trial under way."""
    by: float | None
    low: float | None
    """`low` to `high` holds the change 19 times in 20."""
    high: float | None
    source: str
    """``published`` riders or ``this rider``."""


class ShortLimb(Message):
    """A leg or an arm that would not reach."""

    side: str
    limb: str
    by: float
    """mm that it lacks."""
    crank_deg: float


class Estimate(Message):
    """What changes would do, made together."""

    changes: dict[str, float]
    """By adjustment, in its unit."""
    rows: list[EstimatedRow]
    reaches: bool
    short: list[ShortLimb]
    said_by: str
    """``published``, or ``this rider, from 2 adjustments``."""
    not_predicted: list[str]
    cautions: list[str]


class WayInside(Message):
    """What would bring rows inside their bands, or why nothing does."""

    changes: dict[str, float]
    more: bool
    """Whether more follows after the first step."""
    prediction: Estimate | None
    """Of all the changes."""
    after_first: Estimate | None
    said: list[str]
    cautions: list[str]
