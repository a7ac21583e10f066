"""A recording as a rider to predict from: mean pose, cranks, and every number's strokes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livefit.analysis.passing import Span, passed
from livefit.change.correlated import StrokeMean, in_order, mean_of
from livefit.change.doubts import Doubts
from livefit.change.trials import TrialStrokes
from livefit.definitions import Definitions, canonical_labels, match_marker_set
from livefit.frames import FloatArray, IntArray, MarkerBlock, StreamInfo
from livefit.kernel.crank import CrankGeometry
from livefit.kernel.cycles import GridPoses
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG
from livefit.kernel.strokes import GRID_PER_TURN
from livefit.predict.numbers import Key
from livefit.predict.rider import Rider, RiderError


@dataclass(frozen=True)
class Posed:
    """A rider, and the means of the strokes that the pose is made of."""

    rider: Rider
    means: dict[Key, StrokeMean]


@dataclass(frozen=True)
class PosedStream:
    """A stream that went through the kernel, for the riders of its stretches.

    Attributes
    ----------
    under_way
        For each cut, by side: the last stroke that belongs to what was before.
    problem
        What kept strokes from being found, in plain words.
    moved
        Markers that moved, and from which stroke on what rests on them is left out.
    """

    under_way: list[dict[str, float]]
    problem: str
    moved: list[str]
    labels: Sequence[str]
    cranks: Mapping[str, CrankGeometry]
    seat_tube_deg: float
    units: Mapping[str, str]
    values: list[EventValues]
    poses: list[GridPoses]

    def ridden(self, span: Span) -> bool:
        """Whether any row has a value in these strokes."""
        return any(np.isfinite(span.part(v).values).any() for v in self.values)

    def within(self, span: Span) -> Posed | None:
        """The rider of these strokes; None: there is no whole one among them.

        After a change each row sets aside the strokes that still approach a level, as in the node,
        and the pose as many as the middle row.

        Raises
        ------
        RiderError
            If the markers of a leg are missing.
        """
        own = [span.part(v) for v in self.values]
        counted = span
        if span.after:
            strokes = TrialStrokes(self.units, kept=None)
            strokes.add(own)
            means = {Key(*key): strokes.mean(key) for key in strokes.keys}
            firsts = [strokes.first_that_counts(key) for key in strokes.keys if means[Key(*key)].n]
            if firsts:
                middle = np.ceil(np.median(firsts)) - 1
                counted = Span({**span.after, "R": max(span.after["R"], middle)}, span.until)
        else:
            means = _means(own)
        poses = list(counted.poses(self.poses))
        if not self.cranks or not poses:
            return None
        rider = Rider(tuple(self.labels), _mean_pose(poses), dict(self.cranks), self.seat_tube_deg)
        return Posed(rider, means)


def posed(
    info: StreamInfo,
    block: MarkerBlock,
    definitions: Definitions,
    *,
    marker_set: str | None = None,
    seat_tube_deg: float = DEFAULT_SEAT_TUBE_DEG,
) -> Posed:
    """Mean pose of a recording through the kernel that also works live.

    Raises
    ------
    RiderError
        If no stroke was found, or the markers of a leg are missing.
    """
    stream = posed_stream(
        info, block, definitions, marker_set=marker_set, seat_tube_deg=seat_tube_deg
    )
    found = stream.within(Span({}, {}))
    if found is None:
        raise no_stroke(stream.problem)
    return found


def no_stroke(why: str) -> RiderError:
    """The error of a recording without a whole stroke."""
    return RiderError(f"expected a recording with whole strokes, found none: {why}")


def posed_stream(
    info: StreamInfo,
    block: MarkerBlock,
    definitions: Definitions,
    *,
    marker_set: str | None = None,
    seat_tube_deg: float = DEFAULT_SEAT_TUBE_DEG,
    cuts: Sequence[int] = (),
    restarts: Collection[int] = (),
) -> PosedStream:
    """The same of a stream that is cut before these rows, rising, at some for a restart."""
    chosen = (
        definitions.marker_set(marker_set)
        if marker_set
        else match_marker_set(info.labels, definitions.marker_sets)
    )
    kernel = Kernel(
        info,
        canonical_labels(info.labels, chosen),
        definitions.measures,
        definitions.events,
        seat_tube_deg=seat_tube_deg,
        with_cycles=True,
    )
    doubts = Doubts(definitions.measures, kernel.labels)
    values: list[EventValues] = []
    poses: list[GridPoses] = []

    def take(_: MarkerBlock, found: list[EventValues]) -> None:
        values.extend(found)
        taken = kernel.take_poses()
        doubts.take(taken)
        poses.extend(taken)

    under_way = passed(
        kernel, block, take, rate_hz=info.rate_hz, cuts=cuts, restarts=restarts,
        at_restart=doubts.accept,
    )  # fmt: skip
    why = kernel.problem or ", ".join(kernel.refused) or "it ends too soon"
    cranks = {} if kernel.bike is None else kernel.bike.cranks
    units = {measure.name: measure.unit for measure in definitions.measures}
    return PosedStream(
        under_way, why, doubts.words(), kernel.labels, cranks, seat_tube_deg, units,
        list(doubts.without(values)), list(doubts.without_markers(poses)),
    )  # fmt: skip


def _mean_pose(poses: list[GridPoses]) -> FloatArray:
    """(36, m, 3) mean of the rows at each crank angle; NaN = never seen there."""
    total = np.zeros((GRID_PER_TURN, *poses[0].positions.shape[1:]))
    count = np.zeros_like(total)
    for each in poses:
        places = (each.first + np.arange(len(each.positions))) % GRID_PER_TURN
        seen = np.isfinite(each.positions)
        np.add.at(total, places, np.where(seen, each.positions, 0.0))
        np.add.at(count, places, seen)
    return np.divide(total, count, out=np.full_like(total, np.nan), where=count > 0)


def _means(values: list[EventValues]) -> dict[Key, StrokeMean]:
    parts: dict[Key, list[tuple[IntArray, FloatArray]]] = defaultdict(list)
    for each in values:
        for column, measure in enumerate(each.measures):
            key = Key(measure, each.side, each.event)
            parts[key].append((each.strokes, each.values[:, column]))
    return {
        key: mean_of(
            in_order(np.concatenate([s for s, _ in found]), np.concatenate([v for _, v in found]))
        )
        for key, found in parts.items()
    }
