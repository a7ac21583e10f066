"""Colours and line styles of a report: ink on white, told apart without colour as well."""

from __future__ import annotations

PAPER = "#FFFFFF"
INK = "#17212B"
QUIET = "#465464"
"""Captions and what is secondary."""
RULE = "#76838F"
"""Axes and edges: 3:1 on the paper."""
HAIR = "#C9D1D8"
"""Lines that only order the page."""
TINT = "#F1F4F6"
BAND = "#DCE5EC"
BAND_EDGE = "#55697C"
BEFORE = "#5C6873"
AFTER = "#0B4F60"
SPREAD = "#B9D0D6"
"""Ground of the spread after; the spread before is only outlined."""
CARE = "#7A3B00"

VERDICT = {
    "below": "#2650B8",
    "within": "#0E6656",
    "above": "#9A3B00",
    "unsure": "#5A4413",
    "unknown": QUIET,
}

DASH = "5 3"
"""Before is dashed, after is solid."""

TEXTS = (INK, QUIET, AFTER, BEFORE, CARE, *VERDICT.values())
MARKS = (RULE, BAND_EDGE, BEFORE, AFTER)
GROUNDS = (PAPER, TINT)
