"""Cadence and workload: whether they differ from what the numbers are compared with."""

from __future__ import annotations

from livefit.view import words
from livefit.view.numbers import format_value
from livefit.wire.change_messages import Against, ChangeRow, Changes

NAMES = {"cadence": words.CADENCE, "workload": words.WORKLOAD}
SIDES = ("R", "B", "L")
"""Both feet turn one crank: the first that there is speaks for it."""


def load_words(changes: Changes) -> str:
    """``Cadence 4 rpm higher than before: not allowed for``.

    Before is what the changes in the table are from: the baseline, or without one the riding before
    the mark. They are as they were measured: what cadence makes of them is still in them. Empty
    where no load surely differs by 1 rpm or 1 W at least.
    """
    found = [_row(changes, name) for name in NAMES]
    baseline = any(row is not None and row.baseline is not None for row in found)
    said = []
    for row in found:
        against = None if row is None else (row.baseline if baseline else row.mark)
        if row is not None and against is not None and (text := _told(row, against)):
            said.append(text)
    if not said:
        return ""
    return words.sentence(words.LOADS.format(loads=", ".join(said)))


def _row(changes: Changes, name: str) -> ChangeRow | None:
    there = {row.side: row for row in changes.loads if row.measure == name}
    return next((there[side] for side in SIDES if side in there), None)


def _told(row: ChangeRow, against: Against) -> str:
    if against.verdict != "told" or against.by is None or abs(against.by) < 0.5:
        return ""
    way = words.HIGHER if against.by > 0 else words.LOWER
    by = format_value(abs(against.by), 0)
    return words.LOAD.format(what=NAMES[row.measure], by=by, unit=row.unit, way=way)
