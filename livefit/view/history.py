"""What every stroke of the last half hour gave, for the pairs of measure and event asked for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from livefit.definitions.models import Side
from livefit.wire.messages import Stroke

KEPT = 3000
"""Strokes of each pair and side: half an hour at 100 rpm."""

STROKE = np.dtype([("stroke", "i8"), ("t", "f8"), ("value", "f8"), ("mark", "i8")])
"""Number of the stroke, device time in s, value (NaN = none), number of the latest mark."""

Pair = tuple[str, str]
"""(measure, event)."""


class History:
    """Bounded tracks of strokes, one for each watched pair and side.

    Parameters
    ----------
    kept
        Strokes in a track; older ones go.

    Examples
    --------
    >>> history = History()
    >>> history.watch([("knee_flexion", "bdc")])
    >>> history.unasked()
    (('knee_flexion', 'bdc'),)
    >>> history.fill({"rows": [{"measure": "knee_flexion", "event": "bdc", "side": "L",
    ...     "strokes": [7, 8], "t": [4.1, 4.8], "values": [36.0, None], "marks": [0, 0]}]})
    >>> history.track("knee_flexion", "bdc", "L")["stroke"].tolist()
    [7, 8]
    """

    def __init__(self, kept: int = KEPT) -> None:
        self._kept = kept
        self._node: str | None = None
        self._pairs: dict[Pair, int] = {}
        self._asked: set[Pair] = set()
        self._tracks: dict[tuple[str, str, str], _Track] = {}

    def watch(self, pairs: Iterable[Pair]) -> None:
        """Keep these pairs from now on, and no others."""
        self._pairs = {pair: self._pairs.get(pair, 0) for pair in pairs}
        self._asked &= self._pairs.keys()
        self._tracks = {key: t for key, t in self._tracks.items() if key[:2] in self._pairs}

    def unasked(self) -> tuple[Pair, ...]:
        """Pairs whose past the node has not been asked for; each is named once."""
        found = tuple(pair for pair in self._pairs if pair not in self._asked)
        self._asked.update(found)
        return found

    def clear(self) -> None:
        """Forget all strokes: their numbers begin anew."""
        self._tracks.clear()
        self._asked.clear()
        self._pairs = {pair: version + 1 for pair, version in self._pairs.items()}

    def version(self, measure: str, event: str) -> int:
        """Rises with every change of the pair's tracks."""
        return self._pairs.get((measure, event), 0)

    def track(self, measure: str, event: str, side: Side) -> NDArray[np.void]:
        """(n,) records of `STROKE`, oldest first: a copy."""
        track = self._tracks.get((measure, event, side))
        return np.zeros(0, STROKE) if track is None else track.rows.copy()

    def take(self, stroke: Stroke) -> None:
        """Add one stroke; those of another node than before begin anew.

        Raises
        ------
        ValueError
            There are not as many values as measures.
        """
        if len(stroke.values) != len(stroke.measures):
            raise ValueError(
                f"stroke {stroke.stroke} of side {stroke.side} at {stroke.event!r}: expected "
                f"{len(stroke.measures)} values for as many measures, found {len(stroke.values)}"
            )
        if stroke.node != self._node:
            if self._node is not None:
                self.clear()
            self._node = stroke.node
        for measure, value in zip(stroke.measures, stroke.values, strict=True):
            pair = (measure, stroke.event)
            if pair in self._pairs:
                row = (stroke.stroke, stroke.t, np.nan if value is None else value, stroke.marks)
                self._track(pair, stroke.side).add(np.array([row], STROKE))
                self._pairs[pair] += 1

    def fill(self, reply: Mapping[str, Any]) -> None:
        """Merge the answer to the control operation ``history``; strokes known stay as they are.

        Raises
        ------
        ValueError
            The answer is not of the promised form.
        """
        for row in reply.get("rows", ()):
            pair, side, rows = _decoded(row)
            if pair in self._pairs and len(rows):
                self._track(pair, side).merge(rows)
                self._pairs[pair] += 1

    def unmark(self, number: int, instead: int) -> None:
        """A mark was taken back: its strokes belong to the one before."""
        for track in self._tracks.values():
            marks = track.rows["mark"]
            marks[marks == number] = instead
        self._pairs = {pair: version + 1 for pair, version in self._pairs.items()}

    def remark(self, number: int, t: float) -> None:
        """A mark was made of what came before: later strokes, from the time t (s) on, are its."""
        for track in self._tracks.values():
            rows = track.rows
            rows["mark"][(rows["t"] >= t) & (rows["mark"] < number)] = number
        self._pairs = {pair: version + 1 for pair, version in self._pairs.items()}

    def _track(self, pair: Pair, side: Side) -> _Track:
        key = (*pair, side)
        if key not in self._tracks:
            self._tracks[key] = _Track(self._kept)
        return self._tracks[key]


class _Track:
    """The last strokes in one stretch of a buffer twice as long, so that nothing is shifted."""

    def __init__(self, kept: int) -> None:
        self._kept = kept
        self._buffer = np.zeros(2 * kept, STROKE)
        self._end = 0

    @property
    def rows(self) -> NDArray[np.void]:
        return self._buffer[max(self._end - self._kept, 0) : self._end]

    def add(self, row: NDArray[np.void]) -> None:
        if self._end and row["stroke"][0] <= self._buffer["stroke"][self._end - 1]:
            self.merge(row)
            return
        if self._end == len(self._buffer):
            self._put(self.rows.copy())
        self._buffer[self._end] = row[0]
        self._end += 1

    def merge(self, rows: NDArray[np.void]) -> None:
        both = np.concatenate([self.rows, rows])
        self._put(both[np.unique(both["stroke"], return_index=True)[1]][-self._kept :])

    def _put(self, rows: NDArray[np.void]) -> None:
        self._buffer[: len(rows)] = rows
        self._end = len(rows)


def _decoded(row: Mapping[str, Any]) -> tuple[Pair, Side, NDArray[np.void]]:
    keys = ("measure", "event", "side", "strokes", "t", "values", "marks")
    absent = [key for key in keys if key not in row]
    if absent:
        raise ValueError(f"history: expected {', '.join(keys)} in a row, {absent} not found")
    if row["side"] not in get_args(Side):
        raise ValueError(f"history: expected side L, R or B, found {row['side']!r}")
    lengths = {key: len(row[key]) for key in keys[3:]}
    if len(set(lengths.values())) != 1:
        raise ValueError(f"history: expected four lists of one length, found {lengths}")
    rows = np.zeros(lengths["strokes"], STROKE)
    rows["stroke"], rows["t"], rows["mark"] = row["strokes"], row["t"], row["marks"]
    rows["value"] = np.array(row["values"], dtype=np.float64)
    return (row["measure"], row["event"]), row["side"], rows
