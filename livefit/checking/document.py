"""A report as one JSON document."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from livefit.checking.findings import Report

FORMAT = 1
"""Rises when a key changes its meaning; new keys do not raise it."""


def document(report: Report) -> dict[str, Any]:
    """Return plain data for JSON; null where there is no number."""
    return {
        "format": FORMAT,
        "source": report.source,
        "live": report.live,
        "seconds": report.seconds,
        "frames": report.frames,
        "verdict": report.worst or "sound",
        "notes": list(report.notes),
        "looked_at": [
            {"what": look.what, "value": look.value, "verdict": report.verdict(look) or "sound"}
            for look in report.looks
        ],
        "findings": [
            {
                "name": finding.name,
                "level": finding.level,
                "subject": finding.subject,
                "text": finding.text,
                "remedy": finding.remedy,
                "numbers": _plain(finding.numbers),
            }
            for finding in report.findings
        ],
    }


def _plain(numbers: Mapping[str, float]) -> dict[str, float | None]:
    return {name: float(x) if math.isfinite(x) else None for name, x in numbers.items()}
