"""The set-up sheet: every dimension before and after, lettered as in the drawing."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from markupsafe import Markup

from livefit.report.bicycle_drawing import bicycle_drawing, letter, shape_of, spans_of
from livefit.report.names import Names
from livefit.report.sentences import way_words
from livefit.session.left_out import State, contradictions, left_out, noted_of
from livefit.session.models import FitSession, SetUp, Taken

LeftOut = Mapping[str, tuple[State, str]]


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
    note: str = ""
    """Why it has no change: it was not measured again."""


@dataclass(frozen=True)
class PartRow:
    """What is fitted in one place."""

    title: str
    before: str
    after: str
    now: str
    note: str = ""


@dataclass(frozen=True)
class SetUpSheet:
    """The whole sheet; ``drawing`` is None without a dimension.

    ``differs`` says where what was noted and the two set-ups cannot both be true.
    """

    rows: list[DimensionRow]
    parts: list[PartRow]
    drawing: Markup | None
    pair: bool
    notes: list[str]
    taken: list[str]
    only_before: bool
    differs: list[str]


def set_up_sheet(session: FitSession, names: Names, pictures: Iterator[str]) -> SetUpSheet:
    """Lay out how the bicycle stood before and after."""
    words = names.words
    before, after = session.set_up_before, session.set_up_after
    both = [each for each in (before, after) if each is not None]
    bicycle_notes = "" if session.bicycle is None else session.bicycle.notes
    left = _left_out(session, names)
    rows = dimension_rows(before, after, names, left)
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
        parts=_parts(before, after, names, left),
        drawing=drawing,
        pair=before is not None and after is not None,
        notes=[note for note in (*(each.notes for each in both), bicycle_notes) if note],
        taken=[words("setup.taken", date=words.date(each.taken)) for each in both],
        only_before=after is None and before is not None,
        differs=[
            words(
                "setup.differs",
                part=names.part(part),
                noted=way_words(part, amount, unit, names),
                found=way_words(part, found, unit, names),
            )
            for part, amount, found, unit in contradictions(session)
        ],
    )


def _left_out(session: FitSession, names: Names) -> LeftOut:
    """Why each dimension and part that was not taken again has no value, or that of before."""
    words, moved = names.words, noted_of(session)
    parts = {} if session.set_up_before is None else session.set_up_before.parts
    found: dict[str, tuple[State, str]] = {}
    for name, state in left_out(session).items():
        key = f"setup.{'part_' if name in parts else ''}{state}"
        note = words(key)
        if state == "open" and name in moved:
            part, amount, unit = moved[name]
            note = words("setup.noted", amount=way_words(part, amount, unit, names))
        found[name] = state, note
    return found


def dimension_rows(
    before: SetUp | None, after: SetUp | None, names: Names, left: LeftOut | None = None
) -> list[DimensionRow]:
    """Every dimension of either set-up; those seen in the drawing have a letter.

    ``left``: state and note of what was not taken again.
    """
    drawn = spans_of(shape_of({}))
    marks = (letter(k) for k in range(10_000))
    made = []
    for name in _dimensions(before, after, names):
        one, other = (
            None if each is None else each.dimensions.get(name) for each in (before, after)
        )
        mark = next(marks) if name in drawn else ""
        made.append(_row(name, mark, one, other, names, (left or {}).get(name)))
    return made


def _dimensions(before: SetUp | None, after: SetUp | None, names: Names) -> list[str]:
    there = {name for each in (before, after) if each is not None for name in each.dimensions}
    return sorted(there, key=names.set_up_order)


def _row(
    name: str, mark: str, one: Taken | None, other: Taken | None, names: Names,
    left: tuple[State, str] | None,
) -> DimensionRow:  # fmt: skip
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
            change = words("plus_minus", value=change, half=words.half(size))
        change += words.unit(other.unit)
    return DimensionRow(
        letter=mark,
        title=names.dimension(name),
        sentence=names.dimension_sentence(name),
        before=value_words(one, names),
        after=value_words(one if left is not None and left[0] == "kept" else other, names),
        now=value_words(newest, names),
        change=change,
        how="" if newest is None else _how(newest, names),
        changed=moved,
        note="" if left is None else left[1],
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
    return f"±{words.half(taken.half_width)}{words.unit(taken.unit)}, {how}"


def _parts(before: SetUp | None, after: SetUp | None, names: Names, left: LeftOut) -> list[PartRow]:
    first, then = ({} if each is None else each.parts for each in (before, after))
    none, made = names.words.number(None), []
    for key in dict.fromkeys((*first, *then)):
        state, note = left.get(key, ("", ""))
        was = first.get(key, none)
        after_words = then.get(key, was if state == "kept" else none)
        made.append(PartRow(names.fitted(key), was, after_words, then.get(key, was), note))
    return made
