"""What changed between two trials, of one recording or of two."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from livefit.change.difference import Judged
from livefit.change.loads import Allowed, at_equal_load
from livefit.change.replacing import replacing_of, with_markers_anew
from livefit.change.settling import Settled
from livefit.change.trials import CADENCE, Key, TrialStrokes, differences, judged_by_row
from livefit.change.words import WORKLOAD, Markers, change_words
from livefit.change.workload import LOAD
from livefit.definitions import Definitions, default_rows
from livefit.wire.messages import Mark

_SIDES = ("L", "R", "B")


@dataclass(frozen=True)
class ComparedRow:
    """One row of two trials.

    Attributes
    ----------
    key, unit
        Which row, and its unit.
    before, now
        How far each trial had settled, with its mean.
    judged
        The difference, judged together with the other rows.
    markers
        What it counts beside the strokes, and what it were if it counted the other.
    allowed
        What of it cadence explains; None for cadence and workload themselves.
    words
        The difference in a sentence.
    """

    key: Key
    unit: str
    before: Settled
    now: Settled
    judged: Judged
    markers: Markers
    allowed: Allowed | None
    words: str

    @property
    def anew(self) -> Judged | None:
        """The difference, had the markers been put on anew; None: that was not measured."""
        return self.judged if self.markers.anew and self.markers.other else self.markers.other


@dataclass(frozen=True)
class Comparison:
    """Rows of the posture, and the loads of both trials.

    ``anew``: whether the markers are taken to have been put on anew in between.
    """

    rows: list[ComparedRow]
    loads: list[ComparedRow]
    anew: bool


def compare(
    before: TrialStrokes,
    now: TrialStrokes,
    definitions: Definitions,
    pairs: Sequence[tuple[str, str]] | None = None,
    *,
    anew: bool = False,
) -> Comparison:
    """Compare two trials.

    Parameters
    ----------
    before, now
        Their strokes.
    definitions
        Words of measures and events, and what putting the markers on anew does.
    pairs
        The rows to compare, (measure, event), judged together; None: the usual ones.
    anew
        Whether the markers were put on anew in between: it counts where it was measured.
    """
    chosen = [p for p in (default_rows(definitions) if pairs is None else pairs) if p != CADENCE]
    there = set(before.keys) & set(now.keys)
    rows = [(m, side, event) for m, event in chosen for side in _SIDES]
    rows = [key for key in rows if key in there]
    loads = [(name, side, event) for name, event in (CADENCE, LOAD) for side in _SIDES]
    loads = [key for key in loads if key in there]
    replacing = replacing_of(definitions)
    stayed = differences(before, now, [*rows, *loads])
    changes = {key: each.change for key, each in stayed.items()}
    moved = judged_by_row(with_markers_anew(changes, replacing))
    judged, other = (moved, stayed) if anew else (stayed, moved)

    def row(key: Key) -> ComparedRow:
        load = (key[0], key[2]) in (CADENCE, LOAD)
        measured = (key[0], key[2]) in replacing
        markers = Markers(anew and not load, other[key] if measured else None)
        allowed = None if load else at_equal_load(before, now, key, judged[key].change)
        spoken = WORKLOAD if key[0] == LOAD[0] else definitions.measure(key[0])
        kind = "mean" if load else definitions.event(key[2]).kind
        words = change_words(judged[key], spoken, key[1], kind, markers)
        settled = before.settled(key), now.settled(key)
        return ComparedRow(key, before.unit(key), *settled, judged[key], markers, allowed, words)

    return Comparison([row(key) for key in rows], [row(key) for key in loads], anew)


@dataclass(frozen=True)
class Trial:
    """The riding between two changes of the bicycle.

    Attributes
    ----------
    number
        From 0.
    strokes
        Those of every stream that has part in it.
    marks
        What was changed before it, oldest first.
    streams
        In which streams of the recording it was ridden, from 0.
    """

    number: int
    strokes: TrialStrokes
    marks: list[Mark] = field(default_factory=list)
    streams: frozenset[int] = frozenset()


def comparison_document(found: Comparison) -> dict[str, Any]:
    """The comparison as plain data for JSON."""
    return {
        "markers": "anew" if found.anew else "stayed",
        "rows": [_row_document(row) for row in found.rows],
        "loads": [_row_document(row) for row in found.loads],
    }


def trial_document(trial: Trial, definitions: Definitions) -> dict[str, Any]:
    """A trial as plain data for JSON: the usual rows, settled or not."""
    usual = default_rows(definitions)
    keys = [(m, side, event) for m, event in (*usual, CADENCE, LOAD) for side in _SIDES]
    there = set(trial.strokes.keys)
    return {
        "number": trial.number,
        "mark": trial.marks[0].model_dump() if trial.marks else None,
        "marks": [mark.model_dump() for mark in trial.marks],
        "rows": [
            {
                "measure": key[0], "side": key[1], "event": key[2], "unit": trial.strokes.unit(key),
                **_settled_document(trial.strokes.settled(key)),
            }
            for key in keys if key in there
        ],
    }  # fmt: skip


def _settled_document(found: Settled) -> dict[str, Any]:
    mean = found.mean
    return {
        "n": mean.n, "aside": found.aside, "state": found.state, "mean": mean.mean,
        "ci95": [mean.low, mean.high], "drift": found.drift.slope,
    }  # fmt: skip


def _row_document(row: ComparedRow) -> dict[str, Any]:
    change, allowed = row.judged.change, row.allowed
    return {
        "measure": row.key[0],
        "side": row.key[1],
        "event": row.key[2],
        "unit": row.unit,
        "before": _settled_document(row.before),
        "now": _settled_document(row.now),
        "by": change.by,
        "ci95": [change.low, change.high],
        "smallest": row.judged.smallest,
        "p": row.judged.p,
        "told": row.judged.told,
        "anew_ci95": None if row.anew is None else [row.anew.change.low, row.anew.change.high],
        "anew_smallest": None if row.anew is None else row.anew.smallest,
        "at_equal_load": None
        if allowed is None
        else {
            "by": allowed.by,
            "ci95": [allowed.low, allowed.high],
            "loads": [asdict(load) for load in allowed.loads],
            "why_not": allowed.why_not,
        },
        "words": row.words,
    }
