"""Whether markers stay where they were stuck: lengths between neighbours, stroke after stroke."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import permutations
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
_FAR_MM = 30.0
"""A marker that slips moves less; by more than this, labels may have been exchanged."""
_IMPLAUSIBLE_MM = 60.0
"""By so much no segment's length varies in a turn, or differs from the other side's, where labels
are right (common practice, no source)."""
_MOST_ENDS = 9
"""Of more markers no three are tried in turn."""

_SIDES = {"L": "left", "R": "right"}
_MARKERS = {
    "AC": "shoulder", "EL": "elbow", "US": "wrist", "ASIS": "front pelvis", "PSIS": "back pelvis",
    "GT": "hip", "LE": "knee", "LM": "ankle", "CA": "heel", "VM": "outer forefoot", "PED": "pedal",
}  # fmt: skip
_WATCHED = {**SEGMENTS, "forefoot to pedal": ("VM", "PED")}


class Moved(NamedTuple):
    """Markers that are no longer where their labels say.

    Attributes
    ----------
    text
        Which marker moved and what tells so, in plain words.
    markers
        Canonical names; where one of two must have moved, both.
    exchanged
        Those of them whose labels have exchanged markers that stay where they are.
    """

    text: str
    markers: frozenset[str]
    exchanged: frozenset[str] = frozenset()


class SegmentWatch:
    """Compares the lengths between neighbouring markers with those in the first strokes.

    Each length is compared at the same crank angle, so that neither skin that slides with the
    stroke nor a marker hidden in a part of it makes a difference. A marker that moved is right
    again when the lengths to it are as they were. Labels that are exchanged from the beginning are
    known by lengths that no rider's segments have.

    Parameters
    ----------
    labels
        Canonical names of the markers, in the order of their positions.

    Attributes
    ----------
    elsewhere
        Markers that were not where their labels say somewhere in the newest half turn, by lengths
        that no rider's segments have.
    """

    def __init__(self, labels: Sequence[str]) -> None:
        self.elsewhere: frozenset[str] = frozenset()
        column = {label: k for k, label in enumerate(labels)}
        self._labels = labels
        self._ends: dict[Segment, tuple[int, int]] = {
            (side, name): (column[f"{side}_{a}"], column[f"{side}_{b}"])
            for side in _SIDES
            for name, (a, b) in _WATCHED.items()
            if f"{side}_{a}" in column and f"{side}_{b}" in column
        }
        self._pairs = np.array([*self._ends.values()], dtype=np.int64).reshape(-1, 2)
        segments = list(self._ends)
        twins = [("R" if side == "L" else "L", name) for side, name in segments]
        self._twin = [segments.index(twin) if twin in self._ends else k
                      for k, twin in enumerate(twins)]  # fmt: skip
        self._early: list[tuple[IntArray, FloatArray]] = []
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
        if self._usual is None:
            self._begin(places, positions)
            return
        off = _lengths(positions, self._pairs) - self._usual[places]
        self.elsewhere = self._far(off)
        kept = self._newest.setdefault(int(places[0]), deque(maxlen=_TURNS))
        kept.append(off)
        whole = places[0] == max(self._newest) and len(self._newest) == 2
        if whole and min(map(len, self._newest.values())) == _TURNS:
            halves = [_median(np.stack(half)) for half in self._newest.values()]
            change = _mean(np.concatenate(halves))
            found = self._judged(change, positions, self._usual[places])
            self._moved = self._still(found, change)

    def lengths(self) -> dict[Segment, float]:
        """Mean length of each segment in the first turns, mm; empty until they are ridden."""
        if self._usual is None:
            return {}
        means = dict(zip(self._ends, _mean(self._usual).tolist(), strict=True))
        return {
            segment: length
            for segment, length in means.items()
            if segment[1] in SEGMENTS and np.isfinite(length)
        }

    def moved(self) -> Moved | None:
        """Which markers moved and are not back yet; None: none."""
        return self._moved

    def _begin(self, places: IntArray, positions: FloatArray) -> None:
        """Gather the first turns, and learn from them what is usual."""
        self._early.append((places, positions))
        if len(self._early) < 2 * _REFERENCE_TURNS:
            return
        order = self._plausible_order(np.concatenate([half for _, half in self._early[-2:]]))
        early = np.full((len(self._early), PLACES, len(self._ends)), np.nan)
        for k, (rows, half) in enumerate(self._early):
            early[k, rows] = _lengths(half[:, order], self._pairs)
        self._usual = _median(early)
        changes = np.stack([_mean(half - self._usual) for half in early])
        self._spread = np.sqrt(_median((changes - _median(changes)) ** 2)) / 0.6745
        self._early = []

    def _far(self, off: FloatArray) -> frozenset[str]:
        """The fewest markers that explain where lengths (n, s) are off by more than any can be."""
        far = np.flatnonzero((np.abs(off) > _IMPLAUSIBLE_MM).any(axis=0)).tolist()
        if not far:
            return frozenset()
        by = dict.fromkeys(self._ends, 0.0)
        found = {list(by)[k] for k in far}
        return frozenset(m for each in self._told(by, found, set(found)) for m in each.markers)

    def _plausible_order(self, positions: FloatArray) -> IntArray:
        """The columns in which a turn's positions make segments that a rider can have."""

        def far_off(order: IntArray) -> FloatArray:
            lengths = _lengths(positions[:, order], self._pairs)
            mean, seen = _mean(lengths), np.isfinite(lengths)
            highest = np.where(seen, lengths, -np.inf).max(axis=0)
            lowest = np.where(seen, lengths, np.inf).min(axis=0)
            unlike = np.abs(mean - mean[self._twin])
            off: FloatArray = np.fmax(highest - lowest, unlike) / _IMPLAUSIBLE_MM
            return np.where(np.isfinite(mean), off, np.nan)

        return self._put_right(positions.shape[1], far_off)

    def _put_right(self, columns: int, far_off: Callable[[IntArray], FloatArray]) -> IntArray:
        """The columns in which no exchange of labels is left that explains what is off.

        An exchange explains it if every segment at its labels is right without it, and was not all.

        Parameters
        ----------
        far_off
            Given an order of the columns: for each segment how far off it is, 1 = just right yet.
        """
        order = np.arange(columns)
        off = start = far_off(order)
        while (off > 1).any():
            ends = np.unique(self._pairs[off > 1]).tolist()
            others = np.unique(self._pairs).tolist()
            pairs = {
                tuple(sorted((one, other))) for one in ends for other in others if one != other
            }
            cycles: list[tuple[int, ...]] = sorted(pairs)
            if len(ends) <= _MOST_ENDS:
                cycles += permutations(ends, 3)
            best: tuple[int, IntArray, FloatArray] | None = None
            for cycle in cycles:
                turned = order.copy()
                turned[[*cycle]] = order[[*cycle[1:], cycle[0]]]
                own = np.isin(self._pairs, cycle).any(axis=1)
                gain = int((off[own] > 1).sum())
                if gain <= (0 if best is None else best[0]):
                    continue
                left = far_off(turned)
                if ((left <= 1) | np.isnan(start))[own].all():
                    best = gain, turned, left
            if best is None:
                break
            _, order, off = best
        return order

    def _still(self, found: Moved | None, change: FloatArray) -> Moved | None:
        """What has moved by now, those included that did before and are not back."""
        before = self._moved
        if before is None:
            return found
        limit = np.fmax(STAYED_MM, _SLIGHT_SPREADS * self._spread)
        not_back = self._pairs[~(np.abs(change) <= limit)]
        away = before.markers & {self._labels[k] for k in not_back.ravel().tolist()}
        if found is None:
            return before._replace(exchanged=frozenset()) if away else None
        return found._replace(markers=found.markers | away)

    def _judged(self, change: FloatArray, positions: FloatArray, usual: FloatArray) -> Moved | None:
        """What a change (s,) over the newest turns says, with a half turn of now."""
        limit = np.fmax(_CHANGED_MM, _SPREADS * self._spread)
        if not (np.abs(change) > limit).any():
            return None

        def far_off(order: IntArray) -> FloatArray:
            off = np.abs(_mean(_lengths(positions[:, order], self._pairs) - usual))
            relative: FloatArray = off / limit
            return relative

        order = self._put_right(positions.shape[1], far_off)
        before = self._moved
        told = []
        if (order != np.arange(len(order))).any():
            told += list(self._exchanges(order))
            change = _mean(_lengths(positions[:, order], self._pairs) - usual)
        elif before is not None and before.exchanged and (np.abs(change) > _FAR_MM).any():
            # Some of the turns judged together are from before the labels changed back.
            return before
        size = np.abs(change)
        slight = np.fmax(_SLIGHTLY_MM, _SLIGHT_SPREADS * self._spread)
        by = dict(zip(self._ends, change.tolist(), strict=True))
        clear = {segment for segment, is_so in zip(by, size > limit, strict=True) if is_so}
        some = {segment for segment, is_so in zip(by, size > slight, strict=True) if is_so}
        told += self._told(by, clear, some)
        markers = frozenset(marker for each in told for marker in each.markers)
        if (size > _FAR_MM).any():
            ends = self._pairs[size > limit].ravel().tolist()
            markers |= {self._labels[k] for k in ends}
        exchanged = frozenset(marker for each in told for marker in each.exchanged)
        return Moved("; ".join(each.text for each in told), markers, exchanged)

    def _exchanges(self, order: IntArray) -> Iterator[Moved]:
        """Say which labels have exchanged their markers, each cycle by itself."""
        left = set(np.flatnonzero(order != np.arange(len(order))).tolist())
        while left:
            cycle = [min(left)]
            while (following := int(order[cycle[-1]])) != cycle[0]:
                cycle.append(following)
            left -= set(cycle)
            *first, last = (self._labels[k] for k in sorted(cycle))
            names = f"{', '.join(first)} and {last}"
            labels = frozenset(self._labels[k] for k in cycle)
            yield Moved(f"the labels {names} have exchanged their markers", labels, labels)

    def _told(
        self, by: Mapping[Segment, float], clear: set[Segment], some: set[Segment]
    ) -> Iterable[Moved]:
        """Say which markers moved: as few as explain every clear change."""
        while clear:
            side = min(clear)[0]
            around = {
                marker: {s for s in self._ends if s[0] == side and marker in _WATCHED[s[1]]}
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
