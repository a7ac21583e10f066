"""Invented changes, for the tests of the screens."""

from __future__ import annotations

from typing import Any

from livefit.wire.change_messages import Against, ChangeRow, Changes, OfferedMark, StepRow


def make_against(by: float, half: float, verdict: str = "told", **changes: Any) -> Against:
    """A difference with its interval."""
    fields: dict[str, Any] = {
        "n": 40, "mean": 36.0, "by": by, "ci95": [by - half, by + half], "smallest": 1.1,
        "p": 0.001, "verdict": verdict, "words": "the left knee is 2 to 4 degrees straighter",
    }  # fmt: skip
    return Against(**(fields | changes))


def make_change(measure: str, event: str, side: str, **changes: Any) -> ChangeRow:
    """A row that has settled."""
    fields: dict[str, Any] = {
        "measure": measure, "side": side, "event": event, "unit": "deg", "n": 30, "aside": 4,
        "mean": 33.0, "ci95": [32.5, 33.5], "state": "settled", "more": 0, "drift": 0.0,
        "drift_ci95": [-0.01, 0.01], "words": "settled",
    }  # fmt: skip
    return ChangeRow(**(fields | changes))


def make_offer(number: int = 3) -> OfferedMark:
    """A step of the right trunk."""
    step = StepRow(
        measure="trunk_inclination", side="R", event="mean", unit="deg", stroke=91, found_at=98,
        by=-2.0, ci95=[-2.6, -1.4], words="the right upper body is suddenly 1 to 3 degrees lower, "
        "and no change was marked: look at saddle and markers",
    )  # fmt: skip
    return OfferedMark(number=number, t=60.7, rows=[step], apart_from=["drift", "cadence"])


def make_changes(rows: list[ChangeRow], **changes: Any) -> Changes:
    """What the node tells after a stroke."""
    fields: dict[str, Any] = {"node": "n1", "marks": 1, "rows": rows}
    return Changes(**(fields | changes))
