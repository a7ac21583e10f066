"""Invented answers of a node to ``predict`` and ``into_bands``, as they come off the wire."""

from __future__ import annotations

from typing import Any

from livefit.definitions.models import Definitions
from tests.dashboard.dashboard_examples import MEANS

CAUTIONS = [
    "An estimate, not a measurement and not an order: make the change, let the rider settle, and "
    "look at the numbers again.",
    "Guidance, not diagnosis: pain, numbness or injury goes to a licensed clinician.",
    "One change at a time, in small steps. Stop the cranks before hands or tools come near.",
    "Never past a minimum-insertion mark or what the frame's maker allows; the maker's torque.",
]


def make_estimate(
    definitions: Definitions, changes: dict[str, float], by: float = -1.5, **more: Any
) -> dict[str, Any]:
    """Every number of the invented rider changes by as much, ± 0.8; the knees by their own."""
    rows = [
        {
            "measure": measure, "side": side, "event": event,
            "unit": definitions.measure(measure).unit, "now": now, "by": by, "low": by - 0.8,
            "high": by + 0.8,
            "source": "this rider" if measure == "knee_flexion" else "published",
        }
        for (measure, event), means in MEANS.items()
        for side, now in zip("LR", means, strict=True)
    ]  # fmt: skip
    return {
        "changes": changes, "rows": rows, "reaches": True, "short": [],
        "said_by": "this rider, from 1 adjustment", "not_predicted": [], "cautions": CAUTIONS,
    } | more  # fmt: skip


def make_way(definitions: Definitions) -> dict[str, Any]:
    """Saddle and bar, the saddle's first step first."""
    changes = {"saddle_height": 12.0, "bar_height": -3.0}
    first = {"saddle_height": 5.0}
    return {
        "changes": changes, "first": {"part": "saddle_height", "amount": 5.0}, "more": True,
        "prediction": make_estimate(definitions, changes, -4.0),
        "after_first": make_estimate(definitions, first), "conflict": [],
        "limits": {"saddle_height": [-20.0, 20.0]}, "limits_assumed": ["saddle_height"],
        "said": ["First step: saddle height 5 mm up.", "More will follow."], "cautions": CAUTIONS,
    }  # fmt: skip


def make_conflict() -> dict[str, Any]:
    """Nothing does."""
    return {
        "changes": {}, "first": None, "more": False, "prediction": None, "after_first": None,
        "conflict": [], "limits": {}, "limits_assumed": [], "cautions": CAUTIONS,
        "said": ["None of the permitted changes brings this inside its band: knee flexion."],
    }  # fmt: skip
