"""Which strokes do not count, because a marker was not where its label says."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from livefit.change.segments import PLACES, SegmentWatch
from livefit.definitions.models import Measure
from livefit.frames import FloatArray, IntArray
from livefit.kernel.cycles import GridPoses, StrokeCycle
from livefit.kernel.events import EventValues
from livefit.kernel.measuring import FOOT_MARKERS, markers_of

NOTICED_WITHIN = 10
"""A marker that moves is noticed within so many strokes."""
REMEMBERED = 16
"""Strokes that noise is told from: jumps among them put the extremes after them in doubt."""
_CRANK = "crank"
"""What every measure rests on, and what is found from the feet."""
NEVER = 2**62
"""The last stroke in doubt, while the marker is not back."""


@dataclass
class _Told:
    first: int
    last: int | None = None
    text: str = ""


class Doubts:
    """Watches the markers of a stream, and leaves out what rests on one that has moved.

    The strokes in which it may have moved unnoticed are left out as well; those after it is back
    where it was count again, after exchanged labels some more. Where labels of the feet were
    exchanged, the crank is not where it is thought to be, and nothing counts for the rest of the
    stream. The values left out depend on the strokes alone, not on how many frames came together.

    Parameters
    ----------
    measures
        Definitions, for what each rests on.
    labels
        Canonical names of the markers in the poses.

    Attributes
    ----------
    watch
        What tells that a marker has moved.
    """

    def __init__(self, measures: Iterable[Measure], labels: Sequence[str]) -> None:
        self._measures = {measure.name: measure for measure in measures}
        self._labels = labels
        self._rests: dict[tuple[str, str], frozenset[str]] = {}
        self._open: dict[str, int] = {}
        self._closed: dict[str, list[tuple[int, int]]] = {}
        self._made: dict[frozenset[str], tuple[IntArray, IntArray]] = {}
        self._turn = 0
        self._held: dict[str, int] = {}
        self._astray: set[tuple[str, int]] = set()
        self._told: list[_Told] = []
        self.watch = SegmentWatch(labels)

    def __bool__(self) -> bool:
        """Whether any stroke is in doubt."""
        return bool(self._open or self._closed)

    def accept(self) -> bool:
        """A marker that slipped is right where it now is; True if there was one.

        The strokes up to now stay as doubtful as they are. Labels that have exchanged their markers
        stay so until the lengths are right again.
        """
        moved = self.watch.moved()
        if moved is None or moved.exchanged:
            return False
        self._mind(frozenset())
        self.watch = SegmentWatch(self._labels)
        return True

    def take(self, poses: Iterable[GridPoses]) -> bool:
        """Take poses of half turns; True if there are other strokes in doubt than before."""
        changed = False
        for pose in poses:
            self.watch.take(pose.first, pose.positions)
            self._turn = pose.first // PLACES
            moved = self.watch.moved()
            if moved is not None:
                self._held |= dict.fromkeys(moved.exchanged, self._turn + REMEMBERED)
            changed |= self._mind(moved.markers if moved is not None else frozenset())
            changed |= self._mind_astray(self.watch.elsewhere - self._open.keys())
            if moved is not None:
                self._told[-1].text = moved.text
        return changed

    def _mind(self, markers: AbstractSet[str]) -> bool:
        """Doubt these markers, and those whose labels were exchanged until lately."""
        held = {marker for marker, until in self._held.items() if self._turn < until}
        markers = markers | (held & self._open.keys())
        if any(marker[2:] in FOOT_MARKERS for marker in self._held):
            markers |= {_CRANK}
        if markers == self._open.keys():
            return False
        self._made.clear()
        if not self._open:
            self._told.append(_Told(max(self._turn - NOTICED_WITHIN, 0)))
        elif not markers:
            self._told[-1].last = self._turn + 1
        for marker in markers - self._open.keys():
            self._open[marker] = self._turn - NOTICED_WITHIN
        for marker in self._open.keys() - markers:
            span = self._open.pop(marker), self._turn + 1
            self._closed.setdefault(marker, []).append(span)
        return True

    def _mind_astray(self, markers: AbstractSet[str]) -> bool:
        """Doubt the strokes around this one alone."""
        if not markers:
            return False
        if any(marker[2:] in FOOT_MARKERS for marker in markers):
            markers = markers | {_CRANK}
        new = {(marker, self._turn) for marker in markers} - self._astray
        for marker, turn in new:
            self._closed.setdefault(marker, []).append((turn - 1, turn + 1))
        self._astray |= new
        self._made.clear()
        return bool(new)

    def words(self) -> list[str]:
        """What moved, and in which strokes what rests on it is left out."""
        told = [
            f"{each.text}; what rests on that is left out "
            + (
                f"from stroke {each.first} on"
                if each.last is None
                else f"in strokes {each.first} to {each.last}"
            )
            for each in self._told
        ]
        return self._words_of_moments() + told

    def _words_of_moments(self) -> list[str]:
        """Which markers were elsewhere for a moment, apart from what is told of at length."""
        spans = [(each.first, NEVER if each.last is None else each.last) for each in self._told]
        alone = [
            (marker, turn)
            for marker, turn in self._astray
            if marker != _CRANK and not any(low <= turn <= high for low, high in spans)
        ]
        if not alone:
            return []
        names = ", ".join(sorted({marker for marker, _ in alone}))
        turns = len({turn for _, turn in alone})
        return [
            f"{names} elsewhere for a moment in {turns} turn{'s' * (turns > 1)} of the crank; what "
            "rests on that is left out there"
        ]

    def warning(self) -> str | None:
        """What moved, what that does and what to do, in plain words; None: nothing did."""
        if not self._open:
            return None
        moved = self.watch.moved()
        if _CRANK in self._open:
            text = self._told[-1].text if moved is None else moved.text
            return (
                f"{text}; the crank is found from the feet, so that nothing counts until they are "
                "right and the stream begins anew: restart the capture"
            )
        if moved is None:
            return f"the labels are right again; what rests on them counts {REMEMBERED} strokes on"
        if moved.exchanged:
            return f"{moved.text}; what rests on them is left out until they are right"
        return f"{moved.text}; what rests on it is left out: put it right, restart the averages"

    def now(self, measure: str, side: str) -> bool:
        """Whether a measure rests on a marker that is not where its label says."""
        return bool(self._open) and not self._open.keys().isdisjoint(self._markers(measure, side))

    def of(self, side: str, measures: Sequence[str], strokes: IntArray) -> NDArray[np.bool_] | None:
        """Which values (strokes, measures) are in doubt; None: none."""
        columns = [self._within(self._markers(m, side), strokes) for m in measures]
        return _stacked(columns)

    def _counted(
        self, side: str, measures: Sequence[str], strokes: IntArray, values: FloatArray
    ) -> FloatArray:
        """Values (..., measures), NaN where they are in doubt; the same where none is."""
        doubtful = self.of(side, measures, strokes) if self else None
        return values if doubtful is None else np.where(doubtful, np.nan, values)

    def without(self, values: Iterable[EventValues]) -> Iterator[EventValues]:
        """Values, NaN where they are in doubt."""
        for v in values:
            counted = self._counted(v.side, v.measures, v.strokes, v.values)
            yield v if counted is v.values else replace(v, values=counted)

    def without_cycles(self, cycles: Iterable[StrokeCycle]) -> Iterator[StrokeCycle]:
        """Cycles, NaN where they are in doubt."""
        for v in cycles:
            counted = self._counted(v.side, v.measures, np.array([v.stroke]), v.values)
            yield v if counted is v.values else replace(v, values=counted)

    def without_markers(self, poses: Iterable[GridPoses]) -> Iterator[GridPoses]:
        """Poses, NaN where a marker is in doubt."""
        for pose in poses:
            turns = (pose.first + np.arange(len(pose.positions))) // PLACES
            labels = self._labels if self else ()
            doubtful = _stacked(
                [self._within(frozenset({label, _CRANK}), turns) for label in labels]
            )
            if doubtful is None:
                yield pose
            else:
                positions = np.where(doubtful[..., None], np.nan, pose.positions)
                yield GridPoses(pose.first, positions)

    def _markers(self, measure: str, side: str) -> frozenset[str]:
        found = self._rests.get((measure, side))
        if found is None:
            # Another capture of the same trial may have seen the other side.
            seen = side == "B" or any(label.startswith(side) for label in self._labels)
            known = self._measures.get(measure) if seen else None
            found = frozenset() if known is None else markers_of(known, side) | {_CRANK}
            self._rests[measure, side] = found
        return found

    def _spans(self, markers: frozenset[str]) -> tuple[IntArray, IntArray]:
        """Of the spans of strokes in doubt: first ones (n,), rising, and the last so far (n,)."""
        found = self._made.get(markers)
        if found is None:
            closed = chain.from_iterable(self._closed.get(marker, ()) for marker in markers)
            still = ((self._open[marker], NEVER) for marker in markers & self._open.keys())
            spans = np.array(sorted([*closed, *still]), dtype=np.int64).reshape(-1, 2)
            found = self._made[markers] = spans[:, 0], np.maximum.accumulate(spans[:, 1])
        return found

    def _within(self, markers: frozenset[str], strokes: IntArray) -> NDArray[np.bool_] | None:
        first, last = self._spans(markers)
        if not len(first):
            return None
        latest = first.searchsorted(strokes, side="right") - 1
        among: NDArray[np.bool_] = (latest >= 0) & (strokes <= last[latest])
        return among if among.any() else None


def _stacked(columns: Sequence[NDArray[np.bool_] | None]) -> NDArray[np.bool_] | None:
    """Columns side by side (n, k), None standing for one without doubt; None: none has any."""
    some = next((column for column in columns if column is not None), None)
    if some is None:
        return None
    nowhere = np.zeros_like(some)
    return np.column_stack([nowhere if column is None else column for column in columns])
