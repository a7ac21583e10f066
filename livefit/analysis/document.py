"""An analysis as one JSON document."""

from __future__ import annotations

import math
from typing import Any

from livefit.analysis.analysis import Analysis

FORMAT = 1
"""Rises when a key changes its meaning; new keys do not raise it."""


def document(analysis: Analysis, *, name: str, notes: list[str]) -> dict[str, Any]:
    """Return plain data for JSON: degrees, millimetres, seconds; null where there is no value.

    Parameters
    ----------
    analysis
        What was found.
    name
        The recording's name.
    notes
        What was noticed while reading it.
    """
    found: dict[str, Any] = plain(
        {
            "format": FORMAT,
            "recording": name,
            "notes": notes,
            "problem": analysis.problem,
            "discipline": analysis.discipline,
            "frames": analysis.frames,
            "lost_frames": analysis.lost_frames,
            "rate_hz": analysis.rate_hz,
            "duration_s": analysis.duration_s,
            "markers": {
                "set": analysis.marker_set.name,
                "missing": analysis.missing,
                "unused": list(analysis.unused),
            },
            "strokes": {
                "found": {side: found.strokes for side, found in analysis.sides.items()},
                "refused": analysis.refused,
            },
            "sides": {
                side: {
                    "cadence_rpm": found.cadence_rpm,
                    "crank_mm": found.crank.length,
                    "crank_se_mm": found.crank.length_se,
                    "spindle_mm": list(found.crank.spindle),
                    "spindle_se_mm": list(found.crank.spindle_se),
                    "residual_mm": found.crank.residual,
                }
                for side, found in analysis.sides.items()
            },
            "rows": [
                {
                    "measure": row.measure,
                    "side": row.side,
                    "event": row.event,
                    "crank_deg": row.crank_deg,
                    "unit": row.unit,
                    "n": row.n,
                    "mean": row.mean,
                    "sd": row.sd,
                    "se": row.se,
                    "ci95": None if math.isnan(row.low) else [row.low, row.high],
                    "band": list(row.band) if row.band else None,
                    "verdict": row.verdict,
                }
                for row in analysis.rows
            ],
            "differences": [
                {
                    "measure": d.measure,
                    "event": d.event,
                    "unit": d.unit,
                    "left_minus_right": d.difference,
                    "se": d.se,
                    "ci95": [d.low, d.high],
                }
                for d in analysis.differences
            ],
            "per_stroke": [vars(value) for value in analysis.per_stroke],
        }
    )
    return found


def plain(value: Any) -> Any:
    """Replace NaN by None, all the way down."""
    if isinstance(value, float):
        return None if math.isnan(value) else value
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [plain(item) for item in value]
    return value
