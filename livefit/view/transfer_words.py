"""The words of a set-up carried over to another frame."""

from __future__ import annotations

TITLE = "On {title}:"
POST = (
    "  seat post  {title}: {exposed:.0f} mm out of the seat tube, {inserted:.0f} mm in it (at "
    "least {least:.0f}); saddle held {clamp:.0f} mm behind its nose"
)
STEM = (
    "  stem       {title}: {length:.0f} mm, {angle:+.0f} deg{over}, on {pile:g} mm of spacers "
    "({spacers}; at most {most:g})"
)
TURNED_OVER = ", turned over"
NO_SPACERS = "none"
CRANK = "  cranks     {length:g} mm"
LEFT_SADDLE = "Left over at the saddle: {left}."
LEFT_BAR = "Left over at the bar: {left}."
LEFT_CRANK = (
    "Left over at the cranks: {left:.1f} mm {word}. To keep the saddle as far from the lowest "
    "pedal, move it {left:.1f} mm {way}."
)
IDEAL = (
    "On {pile:g} mm of spacers a stem of {length:.0f} mm and {angle:+.0f} deg would leave nothing."
)
NOTHING_LEFT = "nothing"
AND = " and "
FORWARD, BACK, HIGH, LOW = "too far forward", "too far back", "too high", "too low"
LONGER, SHORTER, UP, DOWN = "too long", "too short", "up", "down"
LIMIT = {
    "insertion_least": "  No part reaches it: the post is at its minimum insertion. A longer post, "
    "or a taller frame.",
    "insertion_most": "  No part reaches it: the post cannot go farther in.",
    "head": "  No part reaches it: the post's head is down on the seat tube.",
    "rails": "  No part reaches it: the saddle is at the end of its rails. A post of another "
    "setback.",
}
SAFETY = (
    "Never above a minimum-insertion mark; the makers' torques and limits go before these numbers. "
    "Check the bicycle by touching it again."
)
