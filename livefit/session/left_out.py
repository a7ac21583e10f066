"""What a set-up taken after the changes leaves out: as it was before, or open."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Literal

from livefit.bicycle.change import ADJUSTED
from livefit.bicycle.dimensions import DIMENSIONS
from livefit.session.models import FitSession, SetUp

State = Literal["kept", "open"]
"""Taken to be as before; or perhaps moved by what was changed."""

APART = {"mm": 2.0, "deg": 1.0}
"""How far two readings of tape or level differ by themselves: common practice, no source."""
BACKWARD = 0.35
"""How far a saddle goes back as it goes up, at most: the cosine of a seat tube at 70 degrees."""
SAME: Mapping[str, str] = {**ADJUSTED, "stem_length": "stem_length", "spacers": "spacers"}
"""Adjustment -> the dimension that it changes by as much."""

NOTHING: frozenset[str] = frozenset()
SADDLE, BAR = frozenset({"saddle"}), frozenset({"bar"})
CRANK, CLEAT = frozenset({"crank"}), frozenset({"cleat"})
_FRAME = (
    "crank_axis", "seat_tube", "head_top", "head_bottom", "rear_axle", "front_axle",
    "tyre_rear", "tyre_front",
)  # fmt: skip
_ON: Mapping[str, frozenset[str]] = {
    "saddle_width": NOTHING, "bar_width": NOTHING, "bar_end_width": NOTHING,
    "pad_width": NOTHING, "pedal_spacing": NOTHING, "pedal_washers": NOTHING,
    "bar_reach": SADDLE | BAR, "bar_drop": SADDLE | BAR, "bar_height": BAR, "bar_rotation": BAR,
    "stem_length": BAR, "stem_angle": BAR, "spacers": BAR, "seat_post": SADDLE, "stem": BAR,
    "cranks": CRANK, "frame": NOTHING, "saddle": NOTHING, "bar": NOTHING, "pedals": NOTHING,
    "shoes": NOTHING,
}  # fmt: skip


def hangs_on(name: str) -> frozenset[str] | None:
    """What a dimension or fitted part moves with; None where nobody knows.

    >>> sorted(hangs_on("saddle_to_bar_drop")), sorted(hangs_on("stack"))
    (['bar', 'saddle'], [])
    """
    if name in _ON:
        return _ON[name]
    if name.startswith("cleat"):
        return CLEAT
    known = next((d for d in DIMENSIONS if d.name == name), None)
    if known is None:
        return None
    return frozenset(
        "saddle" if point.startswith("saddle") else "crank" if point.startswith("pedal") else "bar"
        for point in known.needs
        if point not in _FRAME
    )


def left_out(session: FitSession) -> dict[str, State]:
    """State of each dimension and part that was taken before, and not again after."""
    before, after = session.set_up_before, session.set_up_after
    if before is None or after is None:
        return {}
    moved = _moved(session, before, after)
    taken = {**after.dimensions, **after.parts}
    states: dict[str, State] = {}
    for name in (*before.dimensions, *before.parts):
        if name not in taken:
            on = hangs_on(name)
            states[name] = "open" if moved and (on is None or on & moved) else "kept"
    return states


def noted(session: FitSession) -> dict[str, tuple[float, str]]:
    """Adjustment -> all its steps together, and their unit."""
    total: dict[str, tuple[float, str]] = {}
    for trial in session.trials:
        for made in trial.adjustments:
            total[made.part] = (total.get(made.part, (0.0, ""))[0] + made.amount, made.unit)
    return total


def noted_of(session: FitSession) -> dict[str, tuple[str, float, str]]:
    """Dimension -> the adjustment that changes it by as much, the amount and its unit."""
    return {
        SAME[part]: (part, amount, unit)
        for part, (amount, unit) in noted(session).items()
        if part in SAME
    }


def contradictions(session: FitSession) -> Iterator[tuple[str, float, float, str]]:
    """Adjustment, amount noted, difference of the set-ups and unit, where the two cannot agree."""
    before, after = session.set_up_before, session.set_up_after
    if before is None or after is None:
        return
    raised = noted(session).get("saddle_height", (0.0, "mm"))[0]
    for name, (part, amount, unit) in noted_of(session).items():
        one, other = before.dimensions.get(name), after.dimensions.get(name)
        if one is None or other is None or not one.unit == other.unit == unit:
            continue
        allowed = APART[unit]
        if one.half_width is not None and other.half_width is not None:
            allowed += math.hypot(one.half_width, other.half_width)
        if name == "saddle_setback":
            allowed += BACKWARD * abs(raised)
        found = other.value - one.value
        if abs(found - amount) > allowed:
            yield part, amount, found, unit


def standing(session: FitSession) -> SetUp | None:
    """The bicycle as the session left it: after, and what is taken to be as before."""
    before, after = session.set_up_before, session.set_up_after
    if before is None or after is None:
        return after or before
    kept = [name for name, state in left_out(session).items() if state == "kept"]
    dimensions = {name: before.dimensions[name] for name in kept if name in before.dimensions}
    return after.model_copy(update={"dimensions": dimensions | after.dimensions})


def _moved(session: FitSession, before: SetUp, after: SetUp) -> frozenset[str]:
    """What was moved, by what was noted and by what differs."""
    found: set[str] = set()
    for part, (amount, _) in noted(session).items():
        if abs(amount) >= 0.05:
            found |= _moves(part)
    for name, one in before.dimensions.items():
        other, on = after.dimensions.get(name), hangs_on(name)
        if other is None or on is None or other.unit != one.unit:
            continue
        if len(on) == 1 and abs(other.value - one.value) > APART.get(one.unit, 0.0):
            found |= on
    return frozenset(found)


def _moves(part: str) -> frozenset[str]:
    """What an adjustment moves; one that nobody knows moves something."""
    if part.startswith("bar_"):
        return BAR
    return hangs_on(part) or frozenset({part})
