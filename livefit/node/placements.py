"""Which placement of the markers is ridden with, and whether a marker has moved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from livefit.change.doubts import Doubts
from livefit.change.placed import STAYED_MM, Segment, farthest_off
from livefit.definitions.models import Measure
from livefit.kernel.cycles import GridPoses


class PlacementWatch:
    """Counts the placements of the markers on the rider.

    Within a stream they stay on, unless a marker was seen to move: then the averages are begun
    anew once it is right. Whether they were put on anew before a new stream is not known;
    the lengths between neighbouring markers tell, once it has been ridden for some turns. Markers
    that have no length in common with those before were put on anew, but for the other side's.

    Parameters
    ----------
    stayed
        Whether they always stay on from stream to stream, or never; None: look at the lengths.
    measures
        Definitions, for what rests on a marker that has moved.

    Attributes
    ----------
    number
        Of the present placement, from 0.
    doubts
        The strokes of the stream that do not count, because a marker has moved.
    """

    def __init__(self, stayed: bool | None, measures: Sequence[Measure]) -> None:
        self.number = 0
        self.doubts = Doubts(measures, ())
        self._measures = measures
        self._stayed = stayed
        self._lengths: dict[Segment, float] = {}
        self._learned = self._unknown = self._other_side = False

    def begin_stream(self, labels: Sequence[str], *, other_side: bool) -> None:
        """A new stream begins; `other_side`: of the same trial, as when the bicycle was turned."""
        self.doubts, self._learned = Doubts(self._measures, labels), False
        self._other_side = other_side
        if self._stayed is False and not other_side:
            self.number += 1
        self._unknown = self._stayed is None and bool(self._lengths)

    def accept(self) -> None:
        """The markers are right where they are: one that had slipped was put on anew."""
        if self.doubts.accept():
            self.number += 1
            self._learned = False

    def take(self, poses: Iterable[GridPoses]) -> bool:
        """Take poses of half turns; True if there are other strokes in doubt than before."""
        changed = self.doubts.take(poses)
        if not self._learned:
            self._learn(self.doubts.watch.lengths())
        return changed

    def _learn(self, lengths: Mapping[Segment, float]) -> None:
        """Take the lengths of the first turns, once they have been ridden."""
        if not lengths:
            return
        if self._unknown:
            farthest = farthest_off(self._lengths, lengths)
            stays = self._other_side if farthest is None else abs(farthest[1]) <= STAYED_MM
            self.number += not stays
        self._lengths |= lengths
        self._learned, self._unknown = True, False
