"""What a fitter says to a rider about a change: every sentence of it, in one place."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, isfinite

from livefit.change.difference import Judged
from livefit.change.settling import Settled
from livefit.change.steps import Step
from livefit.definitions.models import Measure

UNIT = {
    "deg": ("degree", "degrees"),
    "mm": ("millimetre", "millimetres"),
    "rpm": ("turn a minute", "turns a minute"),
    "W": ("watt", "watts"),
}
SIDE = {"L": "left ", "R": "right ", "B": ""}
COUPLE = "{low} to {high}"
ABOUT = "about {amount}"
UP_TO = "up to {amount}"

TOLD = "the {what} is {amount} {way}"
TRAVELS = "the {what} moves {amount} {way} in each turn"
HIDDEN = (
    "{what}: no change that this measurement could tell from chance: "
    "anything under {smallest} would be hidden"
)
AMONG_OTHERS = (
    "{what}: perhaps {amount} {way}, but among so many measures chance alone does as much: "
    "anything under {smallest} would be hidden"
)
UNSAID = "{what}: too few strokes to say"
IF_ANEW = "; under {smallest}, had the markers been put on anew"
COUNTED = ", the markers having been put on anew"
NOT_COUNTED = ", not counting that the markers were put on anew"
STEP = "the {what} is suddenly {amount} {way}, and no change was marked: look at saddle and markers"

SETTLED = {
    "too few": "{more} more strokes before anything can be said",
    "settling": "the rider is still settling: keep pedalling",
    "drifting": "still drifting, by {drift} a minute: keep pedalling",
    "too wide": "{more} more strokes until the number holds",
    "settled": "settled",
}
TOO_UNEVEN = "the strokes differ too much for the number to hold"


@dataclass(frozen=True)
class Load:
    """A load of the rider that is no measure of the posture."""

    name: str
    short: str
    unit: str
    decimals: int = 0


WORKLOAD = Load("workload", "workload", "W")
Spoken = Measure | Load


@dataclass(frozen=True)
class Ways:
    """What moves, and what it is called when the number grows or shrinks."""

    what: str
    more: str
    less: str


WAYS = {
    "knee_flexion": Ways("knee", "more bent", "straighter"),
    "hip_angle": Ways("hip", "more open", "more closed"),
    "ankle_angle": Ways("ankle", "more pointed", "less pointed"),
    "ankle_dorsiflexion": Ways("ankle", "more drawn up", "less drawn up"),
    "foot_inclination": Ways("foot", "more toe-down", "less toe-down"),
    "shank_inclination": Ways("shin", "further back at the knee", "further forward at the knee"),
    "thigh_inclination": Ways("thigh", "steeper", "flatter"),
    "trunk_inclination": Ways("upper body", "more upright", "lower"),
    "shoulder_angle": Ways("shoulder", "more open", "more closed"),
    "elbow_flexion": Ways("elbow", "more bent", "straighter"),
    "knee_over_spindle": Ways("knee", "further forward over the pedal", "further back"),
    "knee_lateral": Ways("knee", "further out", "further in"),
    "knee_to_foot_lateral": Ways("knee", "further outside the foot", "further inside the foot"),
    "knee_height": Ways("knee", "higher", "lower"),
    "hip_height": Ways("hip", "higher", "lower"),
    "pelvic_obliquity": Ways("pelvis", "higher on the right", "lower on the right"),
    "pelvic_rotation": Ways("pelvis", "further ahead on the right", "further back on the right"),
    "toe_out": Ways("foot", "more toe-out", "less toe-out"),
    "cadence": Ways("cadence", "faster", "slower"),
    "workload": Ways("workload", "higher", "lower"),
}
"""By measure; one of the fitter's own is larger or smaller."""
TRAVEL = ("more", "less")


@dataclass(frozen=True)
class Markers:
    """What is taken to have become of the rider's markers between two trials.

    Attributes
    ----------
    anew
        Whether they were put on anew.
    other
        The row, judged as if it had been the other way; None: what putting them on anew does to it
        was not measured.
    """

    anew: bool
    other: Judged | None


STAYED = Markers(anew=False, other=None)


def change_words(
    judged: Judged, measure: Spoken, side: str, event_kind: str, markers: Markers = STAYED
) -> str:
    """What became of one measure, as one sentence without its full stop.

    Parameters
    ----------
    judged
        The difference, judged together with the others shown.
    measure
        Its definition.
    side
        ``L``, ``R``, or ``B`` for a measure taken once.
    event_kind
        ``range`` for the travel in a turn; any other is a position.
    markers
        What the difference counts beside the strokes.
    """
    change, what = judged.change, _what(measure, side)
    if not isfinite(judged.p):
        return UNSAID.format(what=what)
    way = _way(measure, event_kind, change.by)
    amount = _amount(change.low, change.high, measure)
    if judged.told:
        sentence = TRAVELS if event_kind == "range" else TOLD
        return sentence.format(what=what, amount=amount, way=way)
    alone = change.low > 0 or change.high < 0
    return (AMONG_OTHERS if alone else HIDDEN).format(
        what=what, amount=amount, way=way, smallest=_tenths_up(judged.smallest, measure.unit)
    ) + _placed(markers, measure.unit)


def _placed(markers: Markers, unit: str) -> str:
    """What a change that cannot be told has to do with putting the markers on anew."""
    if markers.anew:
        return NOT_COUNTED if markers.other is None else COUNTED
    if markers.other is None:
        return ""
    return IF_ANEW.format(smallest=_tenths_up(markers.other.smallest, unit))


def step_words(step: Step, measure: Spoken, side: str, event_kind: str) -> str:
    """That a measure changed without a mark."""
    return STEP.format(
        what=_what(measure, side),
        amount=_amount(step.low, step.high, measure),
        way=_way(measure, event_kind, step.size),
    )


def settled_words(found: Settled, unit: str, strokes_a_minute: float) -> str:
    """How far a measure has settled, and what to do."""
    if found.state == "too wide" and found.more is None:
        return TOO_UNEVEN
    more = "a few" if found.more is None else f"{found.more}"
    slope = abs(found.drift.slope) * strokes_a_minute
    drift = _tenths_up(slope, unit) if isfinite(slope) else ""
    sentence = SETTLED[found.state].format(more=more, drift=drift)
    return sentence.replace("1 more strokes", "1 more stroke") if more == "1" else sentence


def _what(measure: Spoken, side: str) -> str:
    known = WAYS.get(measure.name)
    return SIDE[side] + (known.what if known else measure.short)


def _way(measure: Spoken, event_kind: str, by: float) -> str:
    known = WAYS.get(measure.name, Ways(measure.short, "larger", "smaller"))
    more, less = TRAVEL if event_kind == "range" else (known.more, known.less)
    return more if by > 0 else less


def _amount(low: float, high: float, measure: Spoken) -> str:
    """``2 to 4 degrees``: the ends of the interval as sizes, as exact as the measure is shown."""
    places = measure.decimals
    near, far = sorted((abs(low), abs(high)))
    smaller, larger = f"{near:.{places}f}", f"{far:.{places}f}"
    one, many = UNIT[measure.unit]
    word = one if float(larger) == 1 else many
    if smaller == larger and float(larger) > 0:
        return ABOUT.format(amount=f"{larger} {word}")
    if float(smaller) == 0:
        least = 10.0**-places
        largest = max(ceil(far / least) * least, least)
        shown = f"{largest:.{places}f}"
        return UP_TO.format(amount=f"{shown} {one if float(shown) == 1 else many}")
    return f"{COUPLE.format(low=smaller, high=larger)} {word}"


def _tenths_up(size: float, unit: str) -> str:
    """``1.5 degrees``, never less than it is."""
    tenths = ceil(round(size * 10, 6))
    shown = f"{floor(tenths / 10)}" if tenths % 10 == 0 else f"{tenths / 10:.1f}"
    one, many = UNIT[unit]
    return f"{shown} {one if shown == '1' else many}"
