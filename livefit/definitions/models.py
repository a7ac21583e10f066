"""The vocabulary of a fit: marker sets, events, measures and target bands, as checked data."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated, Literal, Protocol, TypeVar

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from livefit.definitions.bicycle import Identifier, Pointer, TouchPoint
from livefit.definitions.interview import Question, SetUpEntry
from livefit.definitions.replacing import Placements
from livefit.definitions.studio import Studio

SIDES = ("L", "R")
"""The two sides, in the order of every table."""

Side = Literal["L", "R", "B"]
"""L left, R right, B a measure of both at once (the pelvis), timed by the right crank."""

Unit = Literal["deg", "mm", "rpm"]

AXLE = "AXLE"
"""The point that carries no marker: the crank axis in the mid-plane."""
SPINDLE = "SPINDLE"
"""The point that carries no marker: the pedal spindle of a side."""

_FREE_CRANK = re.compile(r"crank_(0|[1-9]\d{0,2})(?:_(\d*[1-9]))?")


class DefinitionError(ValueError):
    """A definition that is wrong or does not exist; the text says which, where, and the remedy."""


class Definition(BaseModel):
    """Base of all definitions: frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class MarkerSet(Definition):
    """Which markers a rider carries and what a laboratory calls them.

    Canonical names are landmark abbreviations with an ``L_`` or ``R_`` prefix (Cappozzo et al.
    1995, Clin Biomech 10:171-178; Wu et al. 2005, J Biomech 38:981-992).
    """

    name: Identifier
    title: str
    markers: list[str]
    optional: list[str] = []
    labels: dict[str, str] = {}
    """A laboratory's label -> the canonical name. Canonical labels need no entry."""


class Event(Definition):
    """Where in the stroke a measure is taken.

    ``crank``: at an exact crank angle of the measure's own side (0 top dead centre, 90 forward).
    ``seat_tube``: where the crank lies in line with the seat tube (90 deg + seat-tube angle).
    ``maximum``, ``minimum``: the extreme within the stroke. ``range``, ``mean``: over the stroke.
    """

    name: Identifier
    title: str
    short: str
    kind: Literal["crank", "seat_tube", "maximum", "minimum", "range", "mean"]
    crank_deg: Annotated[float, Field(ge=0, lt=360)] | None = None

    @model_validator(mode="after")
    def _crank_events_have_an_angle(self) -> Event:
        if (self.kind == "crank") != (self.crank_deg is not None):
            raise ValueError("crank_deg belongs to events of kind 'crank', and only to them")
        return self


def free_crank_event(name: str) -> Event | None:
    """Return the event at any exact crank angle that its name spells out, or None.

    Examples
    --------
    >>> free_crank_event("crank_112_5").crank_deg
    112.5
    >>> free_crank_event("crank_360") is None
    True
    """
    spelt = _FREE_CRANK.fullmatch(name)
    if spelt is None:
        return None
    text = spelt[1] if spelt[2] is None else f"{spelt[1]}.{spelt[2]}"
    if float(text) >= 360:
        return None
    return Event(
        name=name, title=f"Crank {text}°", short=f"{text}°", kind="crank", crank_deg=float(text)
    )


MeasureKind = Literal["flexion", "included", "inclination", "between", "offset", "cadence"]


class Measure(Definition):
    """One number about the rider, computed from marker positions in the bike's axes.

    Points are landmark names without a side (``GT``: the measure's own side), with a side
    (``L_ASIS``), or two joined by ``+`` for their midpoint. ``SPINDLE`` is the pedal spindle of
    the side, ``AXLE`` the crank axis in the mid-plane.

    ======================  =======  =====================================================
    kind                    points   value
    ======================  =======  =====================================================
    flexion                 A B C    180 deg minus the angle at B, in space
    included                A B C    the angle at B between A and C, in space
    inclination             A B      direction of A->B in ``plane``, from its first axis
    between                 A B C D  direction of C->D minus direction of A->B in ``plane``
    offset                  A B      B minus A along ``axis``
    cadence                          revolutions per minute of the stroke
    ======================  =======  =====================================================

    Planes give the direction of an arrow (u, v) as ``atan2(v, u)``: sagittal (forward, up),
    frontal (outward, up), transverse (forward, outward). Axes: forward, up, outward. Outward is
    away from the mid-plane on the measure's own side, so that left and right compare; for a
    measure taken once it is the rider's right. ``sign`` and ``plus`` then turn the raw angle or
    length x into ``sign * x + plus``; angles are wrapped to (-180, 180] last.
    """

    name: Identifier
    title: str
    short: str
    plain: str
    """What it is, said to a rider."""
    kind: MeasureKind
    points: list[str] = []
    plane: Literal["sagittal", "frontal", "transverse"] | None = None
    axis: Literal["forward", "up", "outward"] | None = None
    sign: Literal[1, -1] = 1
    plus: FiniteFloat = 0.0
    unit: Unit
    decimals: Annotated[int, Field(ge=0, le=2)] = 0
    sides: Literal["each", "once"] = "each"
    events: list[Identifier]

    @model_validator(mode="after")
    def _fields_fit_the_kind(self) -> Measure:
        wanted = {
            "flexion": 3,
            "included": 3,
            "inclination": 2,
            "between": 4,
            "offset": 2,
            "cadence": 0,
        }[self.kind]
        if len(self.points) != wanted:
            raise ValueError(f"kind {self.kind!r} takes {wanted} points, found {len(self.points)}")
        if (self.plane is not None) != (self.kind in ("inclination", "between")):
            raise ValueError(
                "plane belongs to the kinds 'inclination' and 'between', and only to them"
            )
        if (self.axis is not None) != (self.kind == "offset"):
            raise ValueError("axis belongs to the kind 'offset', and only to it")
        unit = {"offset": "mm", "cadence": "rpm"}.get(self.kind, "deg")
        if self.unit != unit:
            raise ValueError(f"kind {self.kind!r} is in {unit}, found {self.unit}")
        return self


def events_by_name(events: Sequence[Event], measures: Sequence[Measure]) -> dict[str, Event]:
    """Return the events, and those that measures list by a name which spells out the angle."""
    free = [free_crank_event(name) for measure in measures for name in measure.events]
    found = {event.name: event for event in free if event is not None}
    return found | {event.name: event for event in events}


class Band(Definition):
    """A target range for one measure at one event, with where it comes from."""

    measure: Identifier
    event: Identifier
    low: FiniteFloat
    high: FiniteFloat
    unit: Unit
    status: Literal["published", "common practice, no source", "from memory"]
    source: str = ""
    """The citation of a published band; for any other, a remark on where it comes from."""

    @model_validator(mode="after")
    def _edges_and_source(self) -> Band:
        if not self.low < self.high:
            raise ValueError(f"low must be below high, found {self.low} and {self.high}")
        if self.status == "published" and not self.source:
            raise ValueError("a published band needs its source")
        return self


class Discipline(Definition):
    """The target bands of one kind of riding."""

    name: Identifier
    title: str
    bands: list[Band]


class Adjustment(Definition):
    """A part of the bicycle that a fitter moves, and the words for which way it goes."""

    name: Identifier
    title: str
    short: str
    unit: Literal["mm", "deg"]
    more: str
    """The way of a positive amount: up, back, longer."""
    less: str
    steps: Annotated[list[FiniteFloat], Field(min_length=1, max_length=4)]
    """Amounts offered, smallest first; the last is the most for one step."""
    most_advised: Annotated[FiniteFloat, Field(gt=0)] | None = None
    """No larger step is ever advised; None: the last of the steps."""

    @property
    def largest_advised(self) -> float:
        """The most that one step is ever advised."""
        return min(self.steps[-1], self.most_advised or self.steps[-1])

    @model_validator(mode="after")
    def _steps_rise(self) -> Adjustment:
        if sorted({*self.steps, 0.0}) != [0.0, *self.steps]:
            raise ValueError(f"steps must rise and lie above 0, found {self.steps}")
        return self


class Screen(Definition):
    """A screen that people look at: how large it is and how far away they are."""

    name: Identifier
    diagonal_mm: Annotated[float, Field(ge=100, le=10_000)]
    """Of the picture: an inch is 25.4 mm."""
    distance_mm: Annotated[float, Field(ge=200, le=20_000)]
    """From the eye to the screen."""


class _Named(Protocol):
    @property
    def name(self) -> str: ...


_Item = TypeVar("_Item", bound=_Named)


def _find(what: str, name: str, items: Sequence[_Item]) -> _Item:
    for item in items:
        if item.name == name:
            return item
    there = ", ".join(item.name for item in items) or "none at all"
    raise DefinitionError(f"no {what} is named {name!r}; expected one of: {there}")


class Definitions(Definition):
    """All that one run of the program works with.

    The look-ups by name raise `DefinitionError`, which lists the names there are.
    """

    marker_sets: list[MarkerSet]
    events: list[Event]
    measures: list[Measure]
    disciplines: list[Discipline]
    adjustments: list[Adjustment] = []
    screens: list[Screen] = []
    pointers: list[Pointer] = []
    touch_points: list[TouchPoint] = []
    questions: list[Question] = []
    set_up: list[SetUpEntry] = []
    replacing: list[Placements] = []
    studio: Studio = Studio()

    def marker_set(self, name: str) -> MarkerSet:
        """Return the marker set of this name."""
        return _find("marker set", name, self.marker_sets)

    def event(self, name: str) -> Event:
        """Return the event of this name; ``crank_110`` and ``crank_112_5`` need no entry."""
        if all(event.name != name for event in self.events):
            free = free_crank_event(name)
            if free is not None:
                return free
        return _find("event", name, self.events)

    def measure(self, name: str) -> Measure:
        """Return the measure of this name."""
        return _find("measure", name, self.measures)

    def discipline(self, name: str) -> Discipline:
        """Return the discipline of this name."""
        return _find("discipline", name, self.disciplines)

    def adjustment(self, name: str) -> Adjustment:
        """Return the adjustment of this name."""
        return _find("adjustment", name, self.adjustments)

    def screen(self, name: str) -> Screen:
        """Return the screen of this name: ``fitter`` or ``rider``."""
        return _find("screen", name, self.screens)

    def pointer(self, name: str) -> Pointer:
        """Return the pointer of this name."""
        return _find("pointer", name, self.pointers)

    def question(self, name: str) -> Question:
        """Return the question of this name."""
        return _find("question", name, self.questions)

    def set_up_entry(self, name: str) -> SetUpEntry:
        """Return the dimension or part of this name."""
        return _find("dimension or part", name, self.set_up)
