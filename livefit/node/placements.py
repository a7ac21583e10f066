"""Which placement of the markers is ridden with, and whether a marker has moved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from livefit.change.placed import STAYED_MM, Segment, farthest_off
from livefit.kernel.cycles import GridPoses
from livefit.node.segments import SegmentWatch


class PlacementWatch:
    """Counts the placements of the markers on the rider.

    Within a stream they stay on, unless a marker was seen to move: then the averages are begun
    anew once it has been put back. Whether they were put on anew before a new stream is not known;
    the lengths between neighbouring markers tell, once it has been ridden for some turns. Markers
    that have no length in common with those before were put on anew, but for the other side's.

    Parameters
    ----------
    stayed
        Whether they always stay on from stream to stream, or never; None: look at the lengths.

    Attributes
    ----------
    number
        Of the present placement, from 0.
    """

    def __init__(self, stayed: bool | None) -> None:
        self.number = 0
        self._stayed = stayed
        self._watch = SegmentWatch(())
        self._lengths: dict[Segment, float] = {}
        self._learned = self._unknown = self._other_side = False

    def begin_stream(self, labels: Sequence[str], *, other_side: bool) -> None:
        """A new stream begins; `other_side`: of the same trial, as when the bicycle was turned."""
        self._watch, self._learned = SegmentWatch(labels), False
        self._other_side = other_side
        if self._stayed is False and not other_side:
            self.number += 1
        self._unknown = self._stayed is None and bool(self._lengths)

    def begin_again(self, labels: Sequence[str]) -> None:
        """The averages begin anew within the stream."""
        if self._watch.problem() is not None:
            self.number += 1
        self._watch, self._learned = SegmentWatch(labels), False

    def take(self, poses: Iterable[GridPoses]) -> None:
        """Take poses of half turns."""
        for pose in poses:
            self._watch.take(pose.first, pose.positions)
        if not self._learned:
            self._learn(self._watch.lengths())

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

    def problem(self) -> str | None:
        """Which marker moved and what tells so, in plain words; None: none did."""
        return self._watch.problem()
