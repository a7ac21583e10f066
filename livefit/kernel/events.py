"""From fitted windows to values: measures at crank angles and over whole strokes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from livefit.frames import FloatArray, IntArray
from livefit.kernel.buffer import FrameBuffer
from livefit.kernel.crank import BikeFrame, KnownAxis
from livefit.kernel.cycles import CycleKeeper
from livefit.kernel.extremes import extreme
from livefit.kernel.measuring import VIRTUAL_POINTS
from livefit.kernel.nodes import LIVE_HALF, NODE_STEP, NODES_PER_TURN, windows_about
from livefit.kernel.phase import TURN
from livefit.kernel.plan import BEFORE_NODE, CrankEvent, Plan, SidePlan
from livefit.kernel.regression import Fitted, Window, fit_windows
from livefit.kernel.strokes import GRID_PER_NODE, Strokes


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
    keeper
        Where whole cycles and poses go, if anybody wants them.
    axis
        The crank axis as measured on the bicycle, if it was.
    """

    def __init__(
        self,
        plan: Plan,
        buffer: FrameBuffer,
        keeper: CycleKeeper | None = None,
        axis: KnownAxis | None = None,
    ) -> None:
        self._plan = plan
        self._axis = axis
        self._buffer = buffer
        self._keeper = keeper
        self._slots = [
            sorted({e.slot for side in plan.sides for e in side.crank_events if e.node == node})
            for node in range(NODES_PER_TURN)
        ]
        self._levels = sorted(
            {
                float((node * NODE_STEP + plan.offsets[node, slot]) % TURN)
                for node, slots in enumerate(self._slots)
                for slot in slots
            }
        )
        self._quick: dict[tuple[int, int], list[EventValues]] = {}

    def final(
        self, bike: BikeFrame, nodes: Sequence[int], windows: Sequence[Window | None]
    ) -> tuple[list[EventValues], Counter[str]]:
        """Values at consecutive nodes (None: refused), and whole strokes found by side."""
        node = np.array(nodes)
        offsets = self._plan.offsets[node % NODES_PER_TURN]
        wanted = node[:, None] * NODE_STEP + offsets
        points, t = self._evaluate(bike, windows, wanted)
        harmonics = np.array([w.harmonics if w else 0 for w in windows], dtype=np.int64)
        if self._keeper is not None:
            self._keeper.add(nodes[0], points[:, :GRID_PER_NODE], t[:, :GRID_PER_NODE], harmonics)
        values: list[EventValues] = []
        found: Counter[str] = Counter()
        for side in self._plan.sides:
            values += self._crank_events(side, node, wanted, points, t)
            strokes = self._strokes(side, nodes[0], points[:, :GRID_PER_NODE], t, harmonics)
            if len(strokes.number):
                values += _over_strokes(side, strokes)
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
            "harmonic",
        )
        e, q = wanted.shape
        markers = buffer.columns.shape[1] // 3
        points = np.full((e, q, markers, 3), np.nan)
        points[rows] = fitted.positions.reshape(len(rows), q, markers, 3)
        t = np.full((e, q), np.nan)
        t[rows] = fitted.t
        return self._with_virtual(bike, points, wanted), t

    def _with_virtual(self, bike: BikeFrame, points: FloatArray, phase: FloatArray) -> FloatArray:
        """Bike axes, and the pedal spindles and the axle behind the markers."""
        e, q, markers, _ = points.shape
        full = np.empty((e, q, markers + len(VIRTUAL_POINTS), 3))
        full[:, :, :markers] = bike.to_bike(points)
        self._put_virtual(bike, full[:, :, markers:], phase)
        return full

    def _put_virtual(self, bike: BikeFrame, points: FloatArray, phase: FloatArray) -> None:
        """Fill points (..., 3, 3), the virtual ones, at crank phases (...) rad."""
        points[...] = np.nan
        for k, (side, lead) in enumerate((("L", np.pi), ("R", 0.0))):
            if side in bike.cranks:
                crank = bike.cranks[side]
                centre = crank.centre if self._axis is None else self._axis.centre(bike, crank)
                points[..., k, 0] = centre[0] + crank.length * np.sin(phase + lead)
                points[..., k, 1] = centre[1] + crank.length * np.cos(phase + lead)
                points[..., k, 2] = crank.outward
        points[..., 2, :] = 0.0

    def _crank_events(
        self,
        side: SidePlan,
        node: IntArray,
        wanted: FloatArray,
        points: FloatArray,
        t: FloatArray,
    ) -> list[EventValues]:
        rows = [np.flatnonzero(node % NODES_PER_TURN == event.node) for event in side.crank_events]
        slots = [np.full(len(r), e.slot) for r, e in zip(rows, side.crank_events, strict=True)]
        if not rows:
            return []
        picked, slot = np.concatenate(rows), np.concatenate(slots)
        values = side.table.evaluate(points[picked, slot])
        phase, at = wanted[picked, slot], t[picked, slot]
        made = []
        first = 0
        for event, own in zip(side.crank_events, rows, strict=True):
            part = slice(first, first + len(own))
            first = part.stop
            if len(own):
                made.append(_at_crank(side, event, phase[part], values[part], at[part]))
        return made

    def _strokes(
        self,
        side: SidePlan,
        first_node: int,
        points: FloatArray,
        t: FloatArray,
        harmonics: IntArray,
    ) -> Strokes:
        e = len(points)
        flat = points.reshape(e * GRID_PER_NODE, *points.shape[2:])
        values = side.grid_table.evaluate(flat)
        first = first_node * GRID_PER_NODE - BEFORE_NODE
        rows = t[:, :GRID_PER_NODE].reshape(-1)
        return side.grid.extend(first, rows, values, np.repeat(harmonics, GRID_PER_NODE))

    def quick(self, bike: BikeFrame, next_node: int) -> list[EventValues]:
        """Values of the events from `next_node` on, by the quick regression, oldest first."""
        peak = self._buffer.peak
        if not len(peak) or not np.isfinite(peak[-1]):
            return []
        last = int(np.floor((peak[-1] - LIVE_HALF) / NODE_STEP)) + 1
        current = {}
        for node in range(next_node, last + 1):
            for slot in self._slots[node % NODES_PER_TURN]:
                phase = node * NODE_STEP + self._plan.offsets[node % NODES_PER_TURN, slot]
                if phase + LIVE_HALF <= peak[-1]:
                    known = self._quick.get((node, slot))
                    current[node, slot] = (
                        self._quick_values(bike, node, slot, phase) if known is None else known
                    )
        self._quick = current
        return [values for made in current.values() for values in made]

    def _quick_values(
        self, bike: BikeFrame, node: int, slot: int, phase: float
    ) -> list[EventValues]:
        """All events at one crank angle; none where the frames about it do not bear them."""
        buffer = self._buffer
        wanted = np.array([[phase]])
        [window] = windows_about(buffer, wanted[0], LIVE_HALF, live=True)
        if not isinstance(window, Window):
            return []
        fitted: Fitted = fit_windows(
            buffer.x, buffer.t, buffer.phase, buffer.columns, [window], wanted, "polynomial"
        )
        markers = buffer.columns.shape[1] // 3
        points = self._with_virtual(bike, fitted.positions.reshape(1, 1, markers, 3), wanted)
        made = []
        for side in self._plan.sides:
            here = [
                e for e in side.crank_events if (e.node, e.slot) == (node % NODES_PER_TURN, slot)
            ]
            if here:
                values = side.table.evaluate(points[0])
                made += [_at_crank(side, e, wanted[0], values, fitted.t[0]) for e in here]
        return made

    def next_quick(self, reached: float) -> float:
        """Crank phase (rad), beyond the one reached, at which the next quick value is ready."""
        event = reached - LIVE_HALF
        turns = np.floor(event / TURN) * TURN
        later = [level for level in self._levels if turns + level > event]
        level = later[0] if later else TURN + self._levels[0] if self._levels else np.inf
        return float(turns + level + LIVE_HALF)

    def forget_quick(self) -> None:
        """The crank was found anew: quick numbers rest on the old one."""
        self._quick = {}

    def now(self, bike: BikeFrame, positions: FloatArray, crank: float) -> dict[str, FloatArray]:
        """Measures (k,) of one frame by side; positions (markers, 3) in bike axes."""
        markers = len(positions)
        points = np.empty((1, markers + len(VIRTUAL_POINTS), 3))
        points[0, :markers] = positions
        self._put_virtual(bike, points[0, markers:], np.asarray(crank))
        return {side.side: side.table.evaluate(points)[0] for side in self._plan.sides}


def _at_crank(
    side: SidePlan, event: CrankEvent, phase: FloatArray, table: FloatArray, t: FloatArray
) -> EventValues:
    """Pick an event's measures from values (s, k) of the side's whole table."""
    columns = list(event.columns)
    values = table[:, columns]
    return EventValues(
        side=side.side,
        event=event.name,
        measures=tuple(side.table.measures[k].name for k in columns),
        strokes=np.floor((phase + side.lead) / TURN + 1e-9).astype(np.int64),
        t=t,
        crank_deg=np.full(values.shape, event.crank_deg),
        values=values,
    )


def _over_strokes(side: SidePlan, strokes: Strokes) -> list[EventValues]:
    """Extremes, ranges and means over whole strokes, and the cadence."""
    noise = side.noise.take(strokes)
    high, high_at = extreme(strokes.cycles, 1, noise)
    low, low_at = extreme(strokes.cycles, -1, noise)
    nowhere = np.full(high.shape, np.nan)
    results = {
        "maximum": (high, high_at),
        "minimum": (low, low_at),
        "range": (high - low, nowhere),
        "mean": (strokes.cycles[:, :-1].mean(axis=1), nowhere),
    }
    chosen = [
        (name, tuple(side.grid_table.measures[k].name for k in columns), columns, *results[kind])
        for name, kind, columns in side.stroke_events
    ]
    made = [
        EventValues(
            side=side.side,
            event=name,
            measures=names,
            strokes=strokes.number,
            t=strokes.end,
            crank_deg=crank[:, list(columns)],
            values=values[:, list(columns)],
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
