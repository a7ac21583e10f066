"""A recording as a rider to predict from: mean pose, cranks, and every number's strokes."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from livefit.change.correlated import StrokeMean, in_order, mean_of
from livefit.definitions import Definitions, canonical_labels, match_marker_set
from livefit.frames import FloatArray, IntArray, MarkerBlock, StreamInfo
from livefit.kernel.cycles import GridPoses
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG
from livefit.kernel.strokes import GRID_PER_TURN
from livefit.predict.numbers import Key
from livefit.predict.rider import Rider, RiderError

_FRAMES_A_STEP = 4000


@dataclass(frozen=True)
class Posed:
    """A rider, and the means of the strokes that the pose is made of."""

    rider: Rider
    means: dict[Key, StrokeMean]


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
    values: list[EventValues] = []
    poses: list[GridPoses] = []
    for start in range(0, len(block), _FRAMES_A_STEP):
        rows = slice(start, start + _FRAMES_A_STEP)
        part = MarkerBlock(
            block.numbers[rows], block.t[rows], block.positions[rows], block.channels[rows]
        )
        values += kernel.push(part)
        kernel.take_cycles()
        poses += kernel.take_poses()
    if kernel.bike is None or not poses:
        why = kernel.problem or ", ".join(kernel.refused) or "it ends too soon"
        raise RiderError(f"expected a recording with whole strokes, found none: {why}")
    rider = Rider(kernel.labels, _mean_pose(poses), dict(kernel.bike.cranks), seat_tube_deg)
    return Posed(rider, _means(values))


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
