"""From fitted windows to values: measures at crank angles and over whole strokes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from livefit.frames import FloatArray, IntArray
from livefit.kernel.buffer import FrameBuffer
from livefit.kernel.crank import BikeFrame
from livefit.kernel.cycles import CycleKeeper
from livefit.kernel.extremes import CycleNoise, extreme
from livefit.kernel.measuring import AXLE_ROW, VIRTUAL_POINTS
from livefit.kernel.nodes import NODE_STEP, NODES_PER_TURN
from livefit.kernel.phase import TURN
from livefit.kernel.plan import BEFORE_NODE, CrankEvent, Plan, SidePlan
from livefit.kernel.regression import Window, fit_windows
from livefit.kernel.strokes import GRID_PER_NODE, Strokes
from livefit.kernel.virtual import VirtualPoints

_AXLE = AXLE_ROW - len(VIRTUAL_POINTS)


@dataclass(frozen=True)
class EventValues:
    """Values of several measures at one event on one side, over some strokes.

    Attributes
    ----------
    side, event
        Which.
    measures
        (k) names.
    strokes
        (s,) stroke numbers, counted from top dead centre of the side's own crank.
    t
        (s,) s: device time of the event; for one over the stroke, of the stroke's end.
    crank_deg
        (s, k) where in the stroke; NaN for range and mean.
    values
        (s, k) deg, mm or rpm; NaN = no value.
    """

    side: str
    event: str
    measures: tuple[str, ...]
    strokes: IntArray
    t: FloatArray
    crank_deg: FloatArray
    values: FloatArray


class EventMaker:
    """Evaluates windows as the plan asks.

    Parameters
    ----------
    plan
        Measures and events.
    buffer
        The frames that windows refer to.
    virtual
        The points without a marker.
    keeper
        Where whole cycles and poses go, if anybody wants them.
    """

    def __init__(
        self,
        plan: Plan,
        buffer: FrameBuffer,
        virtual: VirtualPoints,
        keeper: CycleKeeper | None = None,
    ) -> None:
        self._plan = plan
        self._virtual = virtual
        self._buffer = buffer
        self._keeper = keeper

    def final(
        self, bike: BikeFrame, nodes: Sequence[int], windows: Sequence[Window | None]
    ) -> tuple[list[EventValues], Counter[str]]:
        """Values at consecutive nodes (None: refused), and whole strokes found by side."""
        node = np.array(nodes)
        offsets = self._plan.offsets[node % NODES_PER_TURN]
        wanted = node[:, None] * NODE_STEP + offsets
        points, t = self._evaluate(bike, windows, wanted)
        harmonics = np.array([w.harmonics if w else 0 for w in windows], dtype=np.int64)
        table = self._tabled(points)
        grid, grid_t = table[:, :GRID_PER_NODE], t[:, :GRID_PER_NODE]
        if self._keeper is not None:
            self._keeper.add(nodes[0], points[:, :GRID_PER_NODE], grid, grid_t, harmonics)
        if not bike.has_mid_plane:
            grid = self._from_foot(points[:, :GRID_PER_NODE], grid)
        rows = grid.reshape(grid_t.size, grid.shape[2])
        values: list[EventValues] = []
        found: Counter[str] = Counter()
        for side in self._plan.sides:
            values += _crank_events(side, node, wanted, table[:, :, side.columns], t)
            strokes = side.grid.extend(
                nodes[0] * GRID_PER_NODE - BEFORE_NODE,
                grid_t.reshape(-1),
                rows[:, side.columns],
                np.repeat(harmonics, GRID_PER_NODE),
            )
            if len(strokes.number):
                values += _over_strokes(side, strokes, has_mid_plane=bike.has_mid_plane)
                found[side.side] += int(np.isfinite(strokes.end - strokes.begin).sum())
        return values, found

    def _evaluate(
        self, bike: BikeFrame, windows: Sequence[Window | None], wanted: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Points (e, q, markers + virtual, 3) in bike axes and device times (e, q)."""
        buffer = self._buffer
        sound = [(k, window) for k, window in enumerate(windows) if window is not None]
        rows = [k for k, _ in sound]
        fitted = fit_windows(
            buffer.x,
            buffer.t,
            buffer.phase,
            buffer.columns,
            [window for _, window in sound],
            wanted[rows],
        )
        e, q = wanted.shape
        markers = buffer.columns.shape[1] // 3
        points = np.full((e, q, markers, 3), np.nan)
        points[rows] = fitted.positions.reshape(len(rows), q, markers, 3)
        t = np.full((e, q), np.nan)
        t[rows] = fitted.t
        return self._virtual.behind(bike, points, wanted), t

    def _tabled(self, points: FloatArray) -> FloatArray:
        """The plan's table (e, q, k) at points (e, q, markers + virtual, 3)."""
        flat = points.reshape(-1, *points.shape[2:])
        values = self._plan.table.evaluate(flat)
        return values.reshape(*points.shape[:2], values.shape[1])

    def _from_foot(self, points: FloatArray, table: FloatArray) -> FloatArray:
        """The table with distances from the plane of the one foot instead of the mid-plane.

        A range is the same from any plane.
        """
        across = [side.columns.start + k for side in self._plan.sides for k in side.from_mid_plane]
        if not across:
            return table
        points, table = points.copy(), table.copy()
        points[:, :, _AXLE, 2] = 0.0
        table[:, :, across] = self._tabled(points)[:, :, across]
        return table

    def now(self, bike: BikeFrame, positions: FloatArray, crank: float) -> dict[str, FloatArray]:
        """Measures (k,) of one frame by side; positions (markers, 3) in bike axes."""
        markers = len(positions)
        points = np.empty((1, markers + len(VIRTUAL_POINTS), 3))
        points[0, :markers] = positions
        self._virtual.put(bike, points[0, markers:], np.asarray(crank))
        [values] = self._plan.table.evaluate(points)
        return {side.side: values[side.columns] for side in self._plan.sides}


def _crank_events(
    side: SidePlan, node: IntArray, wanted: FloatArray, table: FloatArray, t: FloatArray
) -> Iterator[EventValues]:
    """A side's events at crank angles; wanted (e, q) rad, its measures (e, q, k), t (e, q) s."""
    for event in side.crank_events:
        rows = np.flatnonzero(node % NODES_PER_TURN == event.node)
        if len(rows):
            at = rows, event.slot
            yield at_crank(side, event, wanted[at], table[at].take(event.columns, axis=1), t[at])


def at_crank(
    side: SidePlan, event: CrankEvent, phase: FloatArray, values: FloatArray, t: FloatArray
) -> EventValues:
    """An event's values (s, k) at crank phases (s,) rad and times (s,) s."""
    return EventValues(
        side=side.side,
        event=event.name,
        measures=event.measures,
        strokes=np.floor((phase + side.lead) / TURN + 1e-9).astype(np.int64),
        t=t,
        crank_deg=np.full(values.shape, event.crank_deg),
        values=values,
    )


def _extremes(cycles: FloatArray, noise: CycleNoise) -> tuple[FloatArray, FloatArray]:
    """Largest and smallest values of cycles (s, 37, k), and their crank angles: (2, s, k) each."""
    s, _, k = cycles.shape
    signs = np.repeat([1.0, -1.0], k)
    twice, slope, bend = (
        np.concatenate([each, each], axis=-1) for each in (cycles, noise.slope, noise.bend)
    )
    values, crank_deg = extreme(twice, signs, CycleNoise(slope, bend))
    return (
        values.reshape(s, 2, k).swapaxes(0, 1),
        crank_deg.reshape(s, 2, k).swapaxes(0, 1),
    )


def _over_strokes(side: SidePlan, strokes: Strokes, *, has_mid_plane: bool) -> list[EventValues]:
    """Extremes, ranges and means over whole strokes, and the cadence."""
    (high, low), (high_at, low_at) = _extremes(strokes.cycles, side.noise.take(strokes))
    nowhere = np.full(high.shape, np.nan)
    mean = strokes.cycles[:, :-1].mean(axis=1)
    results = {
        "maximum": (high, high_at),
        "minimum": (low, low_at),
        "range": (high - low, nowhere),
        "mean": (mean, nowhere),
    }
    if not has_mid_plane:
        for absolute in (high, low, mean):
            absolute[:, side.from_mid_plane] = np.nan
    chosen = [
        (name, side.names(columns), columns, *results[kind])
        for name, kind, columns in side.stroke_events
    ]
    made = [
        EventValues(
            side=side.side,
            event=name,
            measures=names,
            strokes=strokes.number,
            t=strokes.end,
            crank_deg=crank.take(columns, axis=1),
            values=values.take(columns, axis=1),
        )
        for name, names, columns, values, crank in chosen
    ]
    if side.has_cadence:
        rpm = (60.0 / (strokes.end - strokes.begin))[:, None]
        made.append(
            EventValues(
                side=side.side,
                event="mean",
                measures=("cadence",),
                strokes=strokes.number,
                t=strokes.end,
                crank_deg=np.full(rpm.shape, np.nan),
                values=rpm,
            )
        )
    return made
