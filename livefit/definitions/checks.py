"""What single definitions cannot check of themselves: that they fit one another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from livefit.definitions.models import (
    AXLE,
    SIDES,
    SPINDLE,
    DefinitionError,
    Definitions,
    Discipline,
    Event,
    MarkerSet,
    Measure,
    free_crank_event,
)
from livefit.definitions.replacing import Placements

Section = Literal[
    "marker_sets", "events", "measures", "disciplines", "adjustments", "screens", "pointers",
    "touch_points", "questions", "set_up", "replacing",
]  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """One thing wrong with one definition.

    Attributes
    ----------
    section, name
        Which definition.
    key
        Where in it, such as ``points[0]``.
    text
        What was expected and what was found.
    """

    section: Section
    name: str
    key: str
    text: str


def find_faults(definitions: Definitions) -> list[Fault]:
    """Return everything in which the definitions do not fit one another; empty = all is well."""
    landmarks = {
        name
        for marker_set in definitions.marker_sets
        for name in (*marker_set.markers, *marker_set.optional)
    }
    found = list(_same_names(definitions))
    for marker_set in definitions.marker_sets:
        found += _marker_set_faults(marker_set)
    for event in definitions.events:
        found += _event_faults(event)
    for measure in definitions.measures:
        found += _measure_faults(measure, definitions, landmarks)
    for discipline in definitions.disciplines:
        found += _discipline_faults(discipline, definitions)
    for placements in definitions.replacing:
        found += _placements_faults(placements, definitions)
    return found


def _repeated(names: Sequence[str]) -> list[str]:
    return [name for name, times in Counter(names).items() if times > 1]


def _same_names(definitions: Definitions) -> Iterator[Fault]:
    sections: dict[Section, list[str]] = {
        "marker_sets": [item.name for item in definitions.marker_sets],
        "events": [item.name for item in definitions.events],
        "measures": [item.name for item in definitions.measures],
        "disciplines": [item.name for item in definitions.disciplines],
        "adjustments": [item.name for item in definitions.adjustments],
        "screens": [item.name for item in definitions.screens],
        "pointers": [item.name for item in definitions.pointers],
        "touch_points": [item.name for item in definitions.touch_points],
        "questions": [item.name for item in definitions.questions],
        "set_up": [item.name for item in definitions.set_up],
        "replacing": [item.name for item in definitions.replacing],
    }
    for section, names in sections.items():
        for name in _repeated(names):
            times = names.count(name)
            yield Fault(section, name, "name", f"expected each name once, found it {times} times")


def _marker_set_faults(marker_set: MarkerSet) -> Iterator[Fault]:
    known = [*marker_set.markers, *marker_set.optional]
    for name in _repeated(known):
        text = f"expected each marker once in markers and optional, found {name} again"
        yield Fault("marker_sets", marker_set.name, "markers", text)
    for label, name in marker_set.labels.items():
        if name not in known:
            text = f"expected a marker of this set ({', '.join(known)}), found {name!r}"
            yield Fault("marker_sets", marker_set.name, f"labels.{label}", text)


def _event_faults(event: Event) -> Iterator[Fault]:
    spelt = free_crank_event(event.name)
    if spelt is not None and spelt.crank_deg != event.crank_deg:
        text = (
            f"expected {spelt.crank_deg:g}, the angle that the name {event.name!r} spells out, "
            f"found {event.crank_deg}"
        )
        yield Fault("events", event.name, "crank_deg", text)


def _measure_faults(
    measure: Measure, definitions: Definitions, landmarks: set[str]
) -> Iterator[Fault]:
    for name in _repeated(measure.events):
        text = f"expected each event once, found {name!r} again"
        yield Fault("measures", measure.name, "events", text)
    for index, name in enumerate(measure.events):
        try:
            definitions.event(name)
        except DefinitionError as error:
            yield Fault("measures", measure.name, f"events[{index}]", str(error))
    for index, point in enumerate(measure.points):
        wrong = _point_fault(point, measure.sides, landmarks)
        if wrong is not None:
            yield Fault("measures", measure.name, f"points[{index}]", wrong)


def _point_fault(point: str, sides: Literal["each", "once"], landmarks: set[str]) -> str | None:
    """Say what is wrong with a point of a measure, or return None."""
    parts = point.split("+")
    if len(parts) > 2:
        return f"expected one landmark, or two joined by '+', found {point!r}"
    whole = {*landmarks, AXLE, *(f"{side}_{SPINDLE}" for side in SIDES)}
    sided = {name for name in whole if name.startswith(tuple(f"{side}_" for side in SIDES))}
    halves = {name[2:] for name in sided}
    for part in parts:
        if part in whole or (part in halves and sides == "each"):
            continue
        if part in halves:
            return f"expected L_{part} or R_{part} in a measure taken once, found {part!r}"
        there = ", ".join(sorted(halves | (whole - sided)))
        return f"expected a landmark of some marker set ({there}), found {part!r}"
    return None


def _discipline_faults(discipline: Discipline, definitions: Definitions) -> Iterator[Fault]:
    measures = {measure.name: measure for measure in definitions.measures}
    seen: dict[tuple[str, str], int] = {}
    for index, band in enumerate(discipline.bands):
        key = f"bands[{index}]"
        first = seen.setdefault((band.measure, band.event), index)
        if first != index:
            text = (
                f"expected one band for {band.measure!r} at {band.event!r}, "
                f"found a second beside bands[{first}]"
            )
            yield Fault("disciplines", discipline.name, key, text)
        measure = measures.get(band.measure)
        if measure is None:
            text = f"expected a measure ({', '.join(measures)}), found {band.measure!r}"
            yield Fault("disciplines", discipline.name, f"{key}.measure", text)
            continue
        if band.event not in measure.events:
            text = (
                f"expected an event that {band.measure!r} lists ({', '.join(measure.events)}), "
                f"found {band.event!r}"
            )
            yield Fault("disciplines", discipline.name, f"{key}.event", text)
        if band.unit != measure.unit:
            text = f"expected {measure.unit!r}, the unit of {band.measure!r}, found {band.unit!r}"
            yield Fault("disciplines", discipline.name, f"{key}.unit", text)


def _placements_faults(placements: Placements, definitions: Definitions) -> Iterator[Fault]:
    name = placements.name
    markers = [measure for measure in definitions.measures if measure.kind != "cadence"]
    measure = next((each for each in markers if each.name == name), None)
    if measure is None:
        there = ", ".join(each.name for each in markers)
        text = f"expected a measure of the markers ({there}), found {name!r}"
        yield Fault("replacing", name, "", text)
        return
    if placements.unit != measure.unit:
        text = f"expected {measure.unit!r}, the unit of {name!r}, found {placements.unit!r}"
        yield Fault("replacing", name, "unit", text)
    for event in placements.at:
        if event not in measure.events and free_crank_event(event) is None:
            listed = ", ".join(measure.events)
            text = f"expected an event that {name!r} lists ({listed}), found {event!r}"
            yield Fault("replacing", name, f"at.{event}", text)
