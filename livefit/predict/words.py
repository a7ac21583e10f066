"""What a fitter would say of an estimate: every sentence of it, in one place."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

from livefit.change.words import SIDE, TRAVEL, UNIT, WAYS, Ways
from livefit.definitions.models import Adjustment, Definitions, Measure

if TYPE_CHECKING:
    from livefit.predict.chain import Short
    from livefit.predict.into_bands import Plan
    from livefit.predict.prediction import Predicted
    from livefit.predict.searching import Target

PUBLISHED = "published"
THIS_RIDER = "this rider"
CAUTIONS = (
    "An estimate, not a measurement and not an order: make the change, let the rider settle, and "
    "look at the numbers again.",
    "Guidance, not diagnosis: pain, numbness or injury goes to a licensed clinician.",
    "One change at a time, in small steps. Stop the cranks before hands or tools come near.",
    "Never past a minimum-insertion mark or what the frame's maker allows; the maker's torque.",
)
UNREACHABLE = {
    "leg": "The {side}leg is too short for this: at crank {crank:.0f}° it lacks {by:.0f} mm.",
    "arm": "The {side}arm is too short for this: at crank {crank:.0f}° it lacks {by:.0f} mm.",
}
ABOUT = "{what} about {by} {way} ({low} to {high})"
NOTHING = "{what} hardly changes ({low} to {high})"
PERHAPS = "{what} perhaps {by} {way}, which way is not sure ({low} to {high})"
CANNOT = "{what}: cannot be said"

SIDE_LEFT_OUT = (
    "Nothing is estimated of the {sides} side: hip, knee, ankle and foot markers were not all seen "
    "there."
)

INSIDE = "All the chosen numbers lie inside their bands already: nothing needs to be changed."
FIRST = "First step: {change}."
MORE = "More will follow: look at the numbers again after it."
TOTAL = "Together: {changes}."
NO_WAY = (
    "None of the permitted changes brings all of these inside their bands together. "
    "In each other's way: {bands}."
)
NO_WAY_ALONE = "None of the permitted changes brings this inside its band: {bands}."
BAND = "{side}{measure} at {event} within {low:g} to {high:g} {unit}"
PERMITTED = "Permitted: {parts}."
LIMITS_ASSUMED = (
    "The travel of {parts} was not given and is assumed: look at marks and travel before moving "
    "them."
)


def source_words(adjustments: int) -> str:
    """Who speaks: published riders, or this one.

    >>> source_words(1)
    'this rider, from 1 adjustment'
    """
    if adjustments == 0:
        return PUBLISHED
    return f"{THIS_RIDER}, from {adjustments} adjustment{'' if adjustments == 1 else 's'}"


def change_words(adjustment: Adjustment, amount: float) -> str:
    """``saddle height 5 mm up``.

    A change of nothing is said as such.
    """
    if amount == 0:
        return f"{adjustment.title.lower()} as it is"
    unit = "°" if adjustment.unit == "deg" else " mm"
    way = adjustment.more if amount > 0 else adjustment.less
    return f"{adjustment.title.lower()} {abs(amount):g}{unit} {way}"


def row_words(row: Predicted, measure: Measure, event_kind: str) -> str:
    """``left knee about 2 degrees straighter (1 to 3)``, without a full stop."""
    ways = WAYS.get(measure.name, Ways(measure.short, "larger", "smaller"))
    what = f"{SIDE[row.side]}{ways.what}"
    if event_kind == "range":
        what += " travel"
    if row.by is None or row.low is None or row.high is None:
        return CANNOT.format(what=what)
    more, less = TRAVEL if event_kind == "range" else (ways.more, ways.less)
    towards = 1.0 if row.by > 0 else -1.0
    near, far = sorted((towards * row.low, towards * row.high))
    amount = f"{abs(row.by):.1f}"
    filled = {
        "what": what,
        "by": f"{amount} {UNIT[row.unit][float(amount) != 1]}",
        "way": more if row.by > 0 else less,
        "low": f"{near:.1f}",
        "high": f"{far:.1f}",
    }
    if float(amount) == 0:
        return NOTHING.format(**filled)
    return (ABOUT if near > 0 else PERHAPS).format(**filled)


def left_out_words(sides: Collection[str]) -> list[str]:
    """That a side's numbers were measured, but are not estimated; nothing if there is none.

    >>> left_out_words({"R"})[0][:41]
    'Nothing is estimated of the right side: h'
    """
    if not sides:
        return []
    return [SIDE_LEFT_OUT.format(sides=" and ".join(SIDE[side].strip() for side in sorted(sides)))]


def short_words(short: Short) -> str:
    """That a leg or an arm does not reach."""
    return UNREACHABLE[short.limb].format(
        side=SIDE[short.side], crank=short.crank_deg, by=max(short.by, 1.0)
    )


def plan_words(plan: Plan, definitions: Definitions) -> list[str]:
    """What to change, sentence by sentence."""
    said = []
    if plan.conflict:
        bands = "; ".join(_band_words(each, definitions) for each in plan.conflict)
        said.append((NO_WAY if len(plan.conflict) > 1 else NO_WAY_ALONE).format(bands=bands))
    elif plan.first is None:
        said.append(INSIDE)
    else:
        first = change_words(definitions.adjustment(plan.first.part), plan.first.amount)
        said.append(FIRST.format(change=first))
        if plan.more:
            changes = [
                change_words(definitions.adjustment(part), by) for part, by in plan.changes.items()
            ]
            said += [TOTAL.format(changes=", ".join(changes)), MORE]
    if plan.conflict:
        said.append(PERMITTED.format(parts=_limits_words(plan.limits, definitions)))
    assumed = [part for part in plan.limits_assumed if plan.conflict or part in plan.changes]
    if assumed:
        titles = [definitions.adjustment(part).title.lower() for part in assumed]
        said.append(LIMITS_ASSUMED.format(parts=", ".join(titles)))
    return said


def _band_words(target: Target, definitions: Definitions) -> str:
    measure, event = definitions.measure(target.measure), definitions.event(target.event)
    return BAND.format(
        side="" if target.side is None else SIDE[target.side],
        measure=measure.title.lower(),
        event=event.title.lower(),
        low=target.low,
        high=target.high,
        unit=measure.unit,
    )


def _limits_words(limits: Mapping[str, tuple[float, float]], definitions: Definitions) -> str:
    """``saddle height 10 mm down to 8 mm up``."""
    said = []
    for part, (least, most) in limits.items():
        adjustment = definitions.adjustment(part)
        unit = "°" if adjustment.unit == "deg" else " mm"
        said.append(
            f"{adjustment.title.lower()} {abs(least):g}{unit} {adjustment.less} to "
            f"{most:g}{unit} {adjustment.more}"
        )
    return ", ".join(said)
