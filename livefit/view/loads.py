"""Cadence and workload: whether they differ from what the numbers are compared with."""

from __future__ import annotations

from livefit.view import words
from livefit.view.numbers import format_value, signed
from livefit.wire.change_messages import ChangeRow, Changes

NAMES = {"cadence": words.CADENCE, "workload": words.WORKLOAD}
SIDES = ("R", "B", "L")
"""Both feet turn one crank: the first that there is speaks for it."""


def load_words(changes: Changes) -> str:
    """``Cadence 4 rpm higher than before: not allowed for``.

    Before is what the changes in the table are from: the baseline, or without one the riding before
    the mark. They are as they were measured: what cadence makes of them is still in them. Empty
    where no load surely differs by 1 rpm or 1 W at least.
    """
    said = []
    for row, by in _differing(changes):
        way = words.HIGHER if by > 0 else words.LOWER
        amount = format_value(abs(by), 0)
        said.append(words.LOAD.format(what=NAMES[row.measure], by=amount, unit=row.unit, way=way))
    return words.sentence(words.LOADS.format(loads=", ".join(said))) if said else ""


def load_shorts(changes: Changes) -> tuple[str, ...]:
    """``cadence +4 rpm``: the same of each without a sentence."""
    return tuple(
        words.LOAD_SHORT.format(what=NAMES[row.measure], by=signed(by, 0), unit=row.unit)
        for row, by in _differing(changes)
    )


def _differing(changes: Changes) -> list[tuple[ChangeRow, float]]:
    """The loads that surely differ, and by how much."""
    found = [_row(changes, name) for name in NAMES]
    baseline = any(row is not None and row.baseline is not None for row in found)
    said = []
    for row in found:
        against = None if row is None else (row.baseline if baseline else row.mark)
        if row is None or against is None or against.verdict != "told" or against.by is None:
            continue
        if abs(against.by) >= 0.5:
            said.append((row, against.by))
    return said


def _row(changes: Changes, name: str) -> ChangeRow | None:
    there = {row.side: row for row in changes.loads if row.measure == name}
    return next((there[side] for side in SIDES if side in there), None)
