"""Which placement of the markers is ridden with, and whether a marker has moved."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from livefit.change.placed import STAYED_MM, Segment, farthest_off
from livefit.kernel.cycles import GridPoses
from livefit.node.segments import SegmentWatch


class Placements:
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
        self._unknown = self._other_side = False

    def begin_stream(self, labels: Sequence[str], *, other_side: bool) -> None:
        """A new stream begins; `other_side`: of the same trial, as when the bicycle was turned."""
        self._watch = SegmentWatch(labels)
        self._other_side = other_side
        if self._stayed is False and not other_side:
            self.number += 1
        self._unknown = self._stayed is None and bool(self._lengths)

    def begin_again(self, labels: Sequence[str]) -> None:
        """The averages begin anew within the stream."""
        if self._watch.problem() is not None:
            self.number += 1
        self._watch = SegmentWatch(labels)

    def take(self, poses: Iterable[GridPoses]) -> None:
        """Take poses of half turns."""
        for pose in poses:
            self._watch.take(pose.first, pose.positions)
        lengths = self._watch.lengths()
        if self._unknown and lengths:
            farthest = farthest_off(self._lengths, lengths)
            stays = self._other_side if farthest is None else abs(farthest[1]) <= STAYED_MM
            self.number += not stays
            self._unknown = False
        self._lengths |= lengths

    def problem(self) -> str | None:
        """Which marker moved and what tells so, in plain words; None: none did."""
        return self._watch.problem()
