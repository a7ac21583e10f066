"""Whether markers stay where they were stuck: lengths between neighbours, stroke after stroke."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np

from livefit.change.placed import SEGMENTS, STAYED_MM, Segment
from livefit.frames import FloatArray, IntArray

PLACES = 36
"""Crank angles in a turn at which lengths are compared, 10 deg apart."""
_REFERENCE_TURNS = 5
_TURNS = 3
"""The newest so many are judged together: one of them alone may be a stray one."""
_CHANGED_MM = 5.0
"""At the same crank angle, the distance of markers on skin is steadier than this while they stay
where they are (common practice, no source)."""
_SLIGHTLY_MM = 1.0
"""A length that changed by more than this bears witness to which marker moved."""
_SPREADS, _SLIGHT_SPREADS = 6.0, 3.0
"""A change counts, or counts as slight, if it is also so many standard deviations of a half turn
at the beginning."""
_EXCHANGED_MM = 30.0
"""A marker that slips moves less; by more than this, labels may have been exchanged."""

_SIDES = {"L": "left", "R": "right"}
_MARKERS = {
    "AC": "shoulder", "EL": "elbow", "US": "wrist", "ASIS": "front pelvis", "PSIS": "back pelvis",
    "GT": "hip", "LE": "knee", "LM": "ankle", "CA": "heel", "VM": "outer forefoot",
}  # fmt: skip


class Moved(NamedTuple):
    """Markers that are no longer where their labels say.

    Attributes
    ----------
    text
        Which marker moved and what tells so, in plain words.
    markers
        Canonical names; where one of two must have moved, both.
    exchanged
        Whether two labels have exchanged their markers, which stay where they are.
    """

    text: str
    markers: frozenset[str]
    exchanged: bool = False


class SegmentWatch:
    """Compares the lengths between neighbouring markers with those in the first strokes.

    Each length is compared at the same crank angle, so that neither skin that slides with the
    stroke nor a marker hidden in a part of it makes a difference. A marker that moved is right
    again when the lengths to it are as they were. A new watch begins anew, as after a change of
    the bicycle, when markers may have been put back.

    Parameters
    ----------
    labels
        Canonical names of the markers, in the order of their positions.
    """

    def __init__(self, labels: Sequence[str]) -> None:
        column = {label: k for k, label in enumerate(labels)}
        self._labels = labels
        self._ends: dict[Segment, tuple[int, int]] = {
            (side, name): (column[f"{side}_{a}"], column[f"{side}_{b}"])
            for side in _SIDES
            for name, (a, b) in SEGMENTS.items()
            if f"{side}_{a}" in column and f"{side}_{b}" in column
        }
        self._pairs = np.array([*self._ends.values()], dtype=np.int64).reshape(-1, 2)
        self._early: list[FloatArray] = []
        self._usual: FloatArray | None = None
        self._spread = np.zeros(len(self._ends))
        self._newest: dict[int, deque[FloatArray]] = {}
        self._moved: Moved | None = None

    def take(self, first: int, positions: FloatArray) -> None:
        """Take a half turn's poses, as the kernel gives them.

        Parameters
        ----------
        first
            Row r is at 10 * (first + r) degrees of the right crank.
        positions
            (n, m, 3) mm; NaN = missing.
        """
        if not self._ends:
            return
        places = (first + np.arange(len(positions))) % PLACES
        lengths = _lengths(positions, self._pairs)
        if self._usual is None:
            self._begin(places, lengths)
            return
        kept = self._newest.setdefault(int(places[0]), deque(maxlen=_TURNS))
        kept.append(lengths - self._usual[places])
        whole = places[0] == max(self._newest) and len(self._newest) == 2
        if whole and min(map(len, self._newest.values())) == _TURNS:
            halves = [_median(np.stack(half)) for half in self._newest.values()]
            change = _mean(np.concatenate(halves))
            found = self._judged(change, places, positions, self._usual)
            self._moved = self._still(found, change)

    def lengths(self) -> dict[Segment, float]:
        """Mean length of each segment in the first turns, mm; empty until they are ridden."""
        if self._usual is None:
            return {}
        means = dict(zip(self._ends, _mean(self._usual).tolist(), strict=True))
        return {segment: length for segment, length in means.items() if np.isfinite(length)}

    def moved(self) -> Moved | None:
        """Which markers moved and are not back yet; None: none."""
        return self._moved

    def _begin(self, places: IntArray, lengths: FloatArray) -> None:
        """Gather the first turns, and learn from them what is usual."""
        self._early.append(np.full((PLACES, len(self._ends)), np.nan))
        self._early[-1][places] = lengths
        if len(self._early) < 2 * _REFERENCE_TURNS:
            return
        early = np.stack(self._early)
        self._usual = _median(early)
        changes = np.stack([_mean(half - self._usual) for half in early])
        self._spread = np.sqrt(_median((changes - _median(changes)) ** 2)) / 0.6745
        self._early = []

    def _still(self, found: Moved | None, change: FloatArray) -> Moved | None:
        """What has moved by now, those included that did before and are not back."""
        before = self._moved
        if before is None:
            return found
        mixed = (np.abs(change) > _EXCHANGED_MM).any() and not (found and found.exchanged)
        if before.exchanged and mixed:
            # Some of the turns judged together are before the labels changed back.
            return before
        limit = np.fmax(STAYED_MM, _SLIGHT_SPREADS * self._spread)
        not_back = self._pairs[~(np.abs(change) <= limit)]
        away = before.markers & {self._labels[k] for k in not_back.ravel().tolist()}
        if found is None:
            return before._replace(exchanged=False) if away else None
        return found._replace(markers=found.markers | away)

    def _judged(
        self, change: FloatArray, places: IntArray, positions: FloatArray, usual: FloatArray
    ) -> Moved | None:
        size = np.abs(change)
        limit = np.fmax(_CHANGED_MM, _SPREADS * self._spread)
        if not (size > limit).any():
            return None
        if (size > _EXCHANGED_MM).any():
            for one, other in combinations(np.unique(self._pairs[size > limit]).tolist(), 2):
                order = np.arange(positions.shape[1])
                order[[one, other]] = other, one
                left = _mean(_lengths(positions[:, order], self._pairs) - usual[places])
                if not (np.abs(left) > limit).any():
                    labels = self._labels[one], self._labels[other]
                    text = f"the labels {' and '.join(labels)} have exchanged their markers"
                    return Moved(text, frozenset(labels), exchanged=True)
        slight = np.fmax(_SLIGHTLY_MM, _SLIGHT_SPREADS * self._spread)
        by = dict(zip(self._ends, change.tolist(), strict=True))
        clear = {segment for segment, is_so in zip(by, size > limit, strict=True) if is_so}
        some = {segment for segment, is_so in zip(by, size > slight, strict=True) if is_so}
        told = [*self._told(by, clear, some)]
        return Moved(
            "; ".join(each.text for each in told),
            frozenset(marker for each in told for marker in each.markers),
        )

    def _told(
        self, by: Mapping[Segment, float], clear: set[Segment], some: set[Segment]
    ) -> Iterable[Moved]:
        """Say which markers moved: as few as explain every clear change."""
        while clear:
            side = min(clear)[0]
            around = {
                marker: {s for s in self._ends if s[0] == side and marker in SEGMENTS[s[1]]}
                for marker in _MARKERS
            }
            explained = {
                marker: (len(own & clear), len(own & some) - len(own - some))
                for marker, own in around.items()
            }
            most = max(explained.values())
            found = [marker for marker in _MARKERS if explained[marker] == most]
            own = set().union(*(around[marker] for marker in found))
            told = [segment for segment in self._ends if segment in own & (some | clear)]
            what = ", ".join(
                f"{segment[1]} {abs(by[segment]):.0f} mm "
                f"{'longer' if by[segment] > 0 else 'shorter'}"
                for segment in told
            )
            names = " or ".join(_MARKERS[marker] for marker in found)
            yield Moved(
                f"the {_SIDES[side]} {names} marker moved: {what}",
                frozenset(f"{side}_{marker}" for marker in found),
            )
            clear = clear - own


def _lengths(positions: FloatArray, pairs: IntArray) -> FloatArray:
    """Distances (n, s) between pairs (s, 2) of markers."""
    way = positions[:, pairs[:, 0]] - positions[:, pairs[:, 1]]
    distances: FloatArray = np.sqrt((way**2).sum(axis=2))
    return distances


def _median(values: FloatArray) -> FloatArray:
    """Median over the first axis, without the missing; the lower of the two in the middle."""
    ordered = np.sort(values, axis=0)
    middle = np.maximum(np.isfinite(ordered).sum(axis=0) - 1, 0) // 2
    median: FloatArray = np.take_along_axis(ordered, middle[None], axis=0)[0]
    return median


def _mean(values: FloatArray) -> FloatArray:
    """Mean over the first axis, without the missing; NaN where all are."""
    seen = np.isfinite(values).sum(axis=0)
    mean: FloatArray = np.nansum(values, axis=0) / np.where(seen > 0, seen, np.nan)
    return mean
