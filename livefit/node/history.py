"""Every stroke's final values of the last half hour, for whoever comes late."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping
from typing import Any

import numpy as np

from livefit.frames import FloatArray
from livefit.kernel.events import EventValues
from livefit.wire.messages import Stroke
from livefit.wire.numbers import SIDE, number

MOST_STROKES = 3000
"""33 minutes at 90 rpm."""


class StrokeHistory:
    """Keeps strokes in the order in which they became final."""

    def __init__(self) -> None:
        self._groups: dict[
            tuple[str, str, tuple[str, ...]], deque[tuple[int, float, int, FloatArray]]
        ] = {}
        self._new: deque[Stroke] = deque(maxlen=MOST_STROKES)

    def add(
        self, values: Iterable[EventValues], *, node: str, mark_of: Callable[[str, int], int]
    ) -> None:
        """Take final values; `mark_of` gives the latest mark before a side's stroke."""
        for v in values:
            kept = self._groups.setdefault(
                (v.side, v.event, v.measures), deque(maxlen=MOST_STROKES)
            )
            for stroke, t, row in zip(v.strokes.tolist(), v.t.tolist(), v.values, strict=True):
                if not np.isfinite(t):
                    continue
                marks = mark_of(v.side, stroke)
                kept.append((stroke, t, marks, row))
                self._new.append(
                    Stroke(
                        node=node,
                        side=SIDE[v.side],
                        event=v.event,
                        measures=list(v.measures),
                        stroke=stroke,
                        t=t,
                        marks=marks,
                        values=[number(value) for value in row.tolist()],
                    )
                )

    def unmark(self, number: int, instead: int) -> None:
        """The strokes after a mark that was taken back belong to the one before."""
        for key, kept in self._groups.items():
            self._groups[key] = deque(
                (
                    (stroke, t, instead if marks == number else marks, row)
                    for stroke, t, marks, row in kept
                ),
                maxlen=MOST_STROKES,
            )

    def mark_since(self, number: int, after: Mapping[str, int]) -> None:
        """Strokes after these numbers, by side, belong to a mark that is made only now."""
        for key, kept in self._groups.items():
            last = after.get(key[0])
            if last is not None:
                self._groups[key] = deque(
                    (
                        (stroke, t, number if stroke > last else marks, row)
                        for stroke, t, marks, row in kept
                    ),
                    maxlen=MOST_STROKES,
                )

    def only(self, sides: Collection[str]) -> StrokeHistory:
        """A history that begins with the strokes of these sides."""
        begun = StrokeHistory()
        begun._groups = {key: kept for key, kept in self._groups.items() if key[0] in sides}
        return begun

    def take_new(self) -> list[Stroke]:
        """Strokes since the last call, oldest first."""
        new = list(self._new)
        self._new.clear()
        return new

    def rows(self, pairs: Iterable[tuple[str, str]], strokes: int) -> list[dict[str, Any]]:
        """The last strokes of each (measure, event), side by side, as the control reply has them.

        `strokes` is how many at most.
        """
        found = []
        for measure, event in pairs:
            for (side, at, measures), kept in self._groups.items():
                if at != event or measure not in measures:
                    continue
                column = measures.index(measure)
                recent = list(kept)[-strokes:]
                found.append(
                    {
                        "measure": measure,
                        "event": event,
                        "side": side,
                        "strokes": [stroke for stroke, _, _, _ in recent],
                        "t": [t for _, t, _, _ in recent],
                        "values": [number(float(row[column])) for _, _, _, row in recent],
                        "marks": [marks for _, _, marks, _ in recent],
                    }
                )
        return found
