"""Whether the rider's markers were put on anew: the lengths between neighbours tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from livefit.frames import FloatArray

Segment = tuple[str, str]
"""Side and name."""

SEGMENTS: Mapping[str, tuple[str, str]] = {
    "thigh": ("GT", "LE"),
    "shank": ("LE", "LM"),
    "ankle to heel": ("LM", "CA"),
    "ankle to forefoot": ("LM", "VM"),
    "foot": ("CA", "VM"),
    "upper arm": ("AC", "EL"),
    "forearm": ("EL", "US"),
    "front of pelvis to hip": ("ASIS", "GT"),
    "pelvis": ("ASIS", "PSIS"),
}
"""Between which landmarks a length hardly changes from stroke to stroke."""

STAYED_MM = 1.5
"""Markers that stay on keep their mean distances within this while they are ridden with, and no
hand puts every one of them back so exactly (common practice, no source)."""
FEWEST_SEGMENTS = 3


def segment_lengths(labels: Sequence[str | None], positions: FloatArray) -> dict[Segment, float]:
    """Mean length of each segment, mm, over the frames in which both its ends are seen.

    Parameters
    ----------
    labels
        Canonical names (m,); None: not used.
    positions
        (n, m, 3) mm; NaN = missing.
    """
    column = {label: k for k, label in enumerate(labels) if label is not None}
    found = {}
    for side in ("L", "R"):
        for name, ends in SEGMENTS.items():
            one, other = (column.get(f"{side}_{end}") for end in ends)
            if one is None or other is None:
                continue
            lengths = np.sqrt(((positions[:, one] - positions[:, other]) ** 2).sum(axis=1))
            seen = np.isfinite(lengths)
            if seen.any():
                found[side, name] = float(lengths[seen].mean())
    return found


def farthest_off(
    before: Mapping[Segment, float], now: Mapping[Segment, float]
) -> tuple[Segment, float] | None:
    """The segment whose length differs most, and by how much, mm; None: too few are in both.

    >>> before = {("R", "thigh"): 420.0, ("R", "shank"): 430.0, ("R", "foot"): 190.0}
    >>> farthest_off(before, before | {("R", "shank"): 424.0})
    (('R', 'shank'), -6.0)
    """
    by = {segment: now[segment] - before[segment] for segment in now if segment in before}
    if len(by) < FEWEST_SEGMENTS:
        return None
    return max(by.items(), key=lambda each: abs(each[1]))
