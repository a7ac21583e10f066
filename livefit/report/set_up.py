"""The set-up sheet: every dimension before and after, lettered as in the drawing."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from markupsafe import Markup

from livefit.report.bicycle_drawing import bicycle_drawing, letter, shape_of, spans_of
from livefit.report.names import Names
from livefit.session.models import FitSession, SetUp, Taken


@dataclass(frozen=True)
class DimensionRow:
    """One dimension, ready to be printed."""

    letter: str
    title: str
    sentence: str
    before: str
    after: str
    now: str
    change: str
    how: str
    """How sure, and how taken."""
    changed: bool


@dataclass(frozen=True)
class PartRow:
    """What is fitted in one place."""

    title: str
    before: str
    after: str
    now: str


@dataclass(frozen=True)
class SetUpSheet:
    """The whole sheet; ``drawing`` is None without a dimension."""

    rows: list[DimensionRow]
    parts: list[PartRow]
    drawing: Markup | None
    pair: bool
    notes: list[str]
    taken: list[str]
    only_before: bool


def set_up_sheet(session: FitSession, names: Names, pictures: Iterator[str]) -> SetUpSheet:
    """Lay out how the bicycle stood before and after."""
    words = names.words
    before, after = session.set_up_before, session.set_up_after
    both = [each for each in (before, after) if each is not None]
    bicycle_notes = "" if session.bicycle is None else session.bicycle.notes
    rows = dimension_rows(before, after, names)
    values = {name: taken.value for each in both for name, taken in each.dimensions.items()}
    letters = dict(
        zip(_dimensions(before, after, names), (row.letter for row in rows), strict=True)
    )
    drawing = None
    if rows:
        drawing = bicycle_drawing(
            next(pictures),
            words("setup.drawing"),
            lambda listed: words("setup.drawing_desc", list=listed),
            values,
            {name: mark for name, mark in letters.items() if mark},
        )
    return SetUpSheet(
        rows=rows,
        parts=_parts(before, after, names),
        drawing=drawing,
        pair=before is not None and after is not None,
        notes=[note for note in (*(each.notes for each in both), bicycle_notes) if note],
        taken=[words("setup.taken", date=words.date(each.taken)) for each in both],
        only_before=after is None and before is not None,
    )


def dimension_rows(before: SetUp | None, after: SetUp | None, names: Names) -> list[DimensionRow]:
    """Every dimension of either set-up; those seen in the drawing have a letter."""
    drawn = spans_of(shape_of({}))
    marks = (letter(k) for k in range(10_000))
    made = []
    for name in _dimensions(before, after, names):
        one, other = (
            None if each is None else each.dimensions.get(name) for each in (before, after)
        )
        mark = next(marks) if name in drawn else ""
        made.append(_row(name, mark, one, other, names))
    return made


def _dimensions(before: SetUp | None, after: SetUp | None, names: Names) -> list[str]:
    there = {name for each in (before, after) if each is not None for name in each.dimensions}
    return sorted(there, key=names.set_up_order)


def _row(
    name: str, mark: str, one: Taken | None, other: Taken | None, names: Names
) -> DimensionRow:
    words = names.words
    newest = one if other is None else other
    change = ""
    moved = False
    if one is not None and other is not None and one.unit == other.unit:
        by = other.value - one.value
        change = words.signed(by, "count")
        moved = abs(by) >= 0.05
        if moved and one.half_width is not None and other.half_width is not None:
            size = math.hypot(one.half_width, other.half_width)
            change = words("plus_minus", value=change, half=words.number(size))
        change += words.unit(other.unit)
    return DimensionRow(
        letter=mark,
        title=names.dimension(name),
        sentence=names.dimension_sentence(name),
        before=value_words(one, names),
        after=value_words(other, names),
        now=value_words(newest, names),
        change=change,
        how="" if newest is None else _how(newest, names),
        changed=moved,
    )


def value_words(taken: Taken | None, names: Names) -> str:
    """``742.5 mm``; a whole number without a decimal where nobody knows how sure it is."""
    words = names.words
    if taken is None:
        return words.number(None)
    known = taken.half_width is not None
    return (words.number if known else words.short)(taken.value) + words.unit(taken.unit)


def _how(taken: Taken, names: Names) -> str:
    words = names.words
    how = words(f"setup.{taken.how}")
    if taken.half_width is None:
        return how
    return f"±{words.number(taken.half_width)}{words.unit(taken.unit)}, {how}"


def _parts(before: SetUp | None, after: SetUp | None, names: Names) -> list[PartRow]:
    keys = dict.fromkeys(k for each in (before, after) if each is not None for k in each.parts)
    none = names.words.number(None)
    return [
        PartRow(
            names.fitted(key),
            none if before is None else before.parts.get(key, none),
            none if after is None else after.parts.get(key, none),
            next(each.parts[key] for each in (after, before) if each and key in each.parts),
        )
        for key in keys
    ]
