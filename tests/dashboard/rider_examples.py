"""Invented results for the tests of the rider's screen."""

from __future__ import annotations

from typing import Any

from livefit.definitions.models import Definitions
from livefit.view.rider import RiderModel
from livefit.wire.messages import Mark, Snapshot
from tests.dashboard.dashboard_examples import make_row, make_rows, make_snapshot

THREE = [["knee_flexion", "bdc"], ["knee_flexion", "maximum"], ["knee_over_spindle", "forward"]]
RAISED = Mark(number=1, t=30.0, part="saddle_height", amount=5.0, note="felt low")


def knee(mean: float | None, *, sent: float = 100.0, **changes: Any) -> Snapshot:
    """Left knee at the bottom at ``mean``, target 30 to 40; ``row_`` changes go to the row."""
    to_row = {k.removeprefix("row_"): v for k, v in changes.items() if k.startswith("row_")}
    rest = {k: v for k, v in changes.items() if not k.startswith("row_")}
    row = make_row("knee_flexion", "bdc", "L", 35.0 if mean is None else mean, band=(30.0, 40.0))
    if mean is None:
        to_row = {"n": 0, "mean": None, "ci95": None, "verdict": "unknown"} | to_row
    return make_snapshot([row.model_copy(update=to_row)], sent=sent, **rest)


def ride(definitions: Definitions, count: int, *, marked: bool = False, **changes: Any) -> Snapshot:
    """Both sides of ``count`` measures in every state of settling."""
    rows = [
        row.model_copy(
            update={"needed": (0, 3, None)[i % 3]}
            | ({"before": (row.mean or 0.0) + 4.2} if marked else {})
        )
        for i, row in enumerate(make_rows(definitions))
    ]
    marks = [RAISED] if marked else []
    return make_snapshot(rows, chosen={"rider": THREE[:count]}, marks=marks, **changes)


def seen(definitions: Definitions, snapshot: Snapshot, age_s: float = 0.05) -> RiderModel:
    """A model that has seen one snapshot, ``age_s`` ago."""
    model = RiderModel(definitions)
    model.apply_snapshot(snapshot, snapshot.sent)
    model.apply_silence(snapshot.sent + age_s)
    return model
