"""What is to be computed: measures and events laid out as tables before the first frame."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from livefit.definitions.models import Event, Measure, events_by_name
from livefit.frames import FloatArray
from livefit.kernel.extremes import NoiseMeter
from livefit.kernel.measuring import MeasureTable, rests_on_mid_plane
from livefit.kernel.nodes import NODE_STEP, NODES_PER_TURN
from livefit.kernel.phase import TURN
from livefit.kernel.strokes import GRID_PER_NODE, GRID_PER_TURN, StrokeGrid

_GRID_STEP = TURN / GRID_PER_TURN
BEFORE_NODE = GRID_PER_NODE // 2 - 1
"""Rows of a node's grid before it; the last one, half-way to the next node, is still its own."""
DEFAULT_SEAT_TUBE_DEG = 73.0
FLATTEST_SEAT_TUBE_DEG, STEEPEST_SEAT_TUBE_DEG = 45.0, 90.0
CADENCE = ("mean", ("cadence",))
"""The one event and measure that need no markers beyond the crank."""
STROKE_EVENTS = ("maximum", "minimum", "range", "mean")


def check_seat_tube(degrees: float) -> None:
    """Raise ``ValueError`` for an angle that no bicycle's seat tube has."""
    if not FLATTEST_SEAT_TUBE_DEG <= degrees <= STEEPEST_SEAT_TUBE_DEG:
        raise ValueError(
            f"the seat-tube angle must lie between {FLATTEST_SEAT_TUBE_DEG:g} and "
            f"{STEEPEST_SEAT_TUBE_DEG:g} degrees from horizontal, got {degrees:g}"
        )


def event_angle(event: Event, seat_tube_deg: float) -> float | None:
    """Crank angle (deg) on the side's own crank, or None for an event over the whole stroke."""
    if event.kind == "crank":
        return event.crank_deg
    return (90.0 + seat_tube_deg) % 360.0 if event.kind == "seat_tube" else None


@dataclass(frozen=True)
class CrankEvent:
    """An event at an exact crank angle: which node class and which of its angles hold it."""

    name: str
    crank_deg: float
    node: int
    slot: int
    columns: tuple[int, ...]
    """Which of the side's measures."""
    measures: tuple[str, ...]


@dataclass
class SidePlan:
    """One side's measures and events.

    Attributes
    ----------
    lead
        rad: this side's crank angle less the right crank's.
    measures
        Those of positions.
    columns
        Where they stand in the plan's table.
    stroke_events
        Event name and kind, and which of the measures.
    has_cadence
        Whether cadence is among the measures asked for.
    """

    side: str
    lead: float
    measures: tuple[Measure, ...]
    columns: slice
    crank_events: list[CrankEvent]
    stroke_events: list[tuple[str, str, tuple[int, ...]]]
    has_cadence: bool
    grid: StrokeGrid = field(init=False)
    noise: NoiseMeter = field(init=False)
    from_mid_plane: list[int] = field(init=False)
    """Distances from the mid-plane: with one side alone only their range is known."""

    def __post_init__(self) -> None:
        self.grid = self.new_grid()
        self.noise = NoiseMeter(len(self.measures))
        self.from_mid_plane = [
            k
            for k, measure in enumerate(self.measures)
            if measure.kind == "offset" and rests_on_mid_plane(measure)
        ]

    def new_grid(self) -> StrokeGrid:
        """An empty grid for this side's strokes."""
        return StrokeGrid(len(self.measures), round(self.lead / _GRID_STEP))

    def names(self, columns: Iterable[int]) -> tuple[str, ...]:
        """Names of some of the measures."""
        return tuple(self.measures[k].name for k in columns)

    def groups(self) -> list[tuple[str, tuple[str, ...]]]:
        """Each event with the measures that are taken there."""
        groups = [(event.name, event.measures) for event in self.crank_events]
        groups += [(name, self.names(columns)) for name, _, columns in self.stroke_events]
        return groups + ([CADENCE] if self.has_cadence else [])


class Plan:
    """Layout of one run.

    Parameters
    ----------
    labels
        Canonical names of the markers in the stream.
    measures, events
        Definitions; measures whose markers are not in the stream are left out.
    seat_tube_deg
        Seat-tube angle, for the event in line with it.

    Attributes
    ----------
    offsets
        (2, q) rad: the crank angles, from the node, at which each class of node is evaluated;
        the first eighteen are the grid.
    seen
        Sides that have any measure.
    table
        All sides' measures.
    """

    def __init__(
        self,
        labels: Sequence[str],
        measures: Sequence[Measure],
        events: Sequence[Event],
        seat_tube_deg: float = DEFAULT_SEAT_TUBE_DEG,
    ) -> None:
        check_seat_tube(seat_tube_deg)
        self._by_name = events_by_name(events, measures)
        self._seat_tube_deg = seat_tube_deg
        grid = (np.arange(GRID_PER_NODE) - BEFORE_NODE) * _GRID_STEP
        self._slots: list[list[float]] = [list(grid) for _ in range(NODES_PER_TURN)]
        self.sides: list[SidePlan] = []
        for side, lead in (("L", np.pi), ("R", 0.0), ("B", 0.0)):
            first = self.sides[-1].columns.stop if self.sides else 0
            self.sides.append(self._side(side, lead, labels, measures, first))
        self.table = MeasureTable(
            [measure for side in self.sides for measure in side.measures],
            [side.side for side in self.sides for _ in side.measures],
            labels,
        )
        self.seen = frozenset(side.side for side in self.sides if side.groups())
        longest = max(len(slots) for slots in self._slots)
        self.offsets: FloatArray = np.array(
            [slots + [0.0] * (longest - len(slots)) for slots in self._slots]
        )

    def _side(
        self,
        side: str,
        lead: float,
        labels: Sequence[str],
        measures: Sequence[Measure],
        first: int,
    ) -> SidePlan:
        once = side == "B"
        feet = once or f"{side}_CA" in labels
        own = [
            m
            for m in measures
            if (m.sides == "once") == once and feet and MeasureTable.feasible(m, side, labels)
        ]
        spatial = [m for m in own if m.kind != "cadence"]
        names = list(dict.fromkeys(name for m in spatial for name in m.events))
        crank_events = [
            self._crank_event(name, lead, spatial)
            for name in names
            if self._kind(name) not in STROKE_EVENTS
        ]
        stroke_events = [
            (name, self._kind(name), tuple(k for k, m in enumerate(spatial) if name in m.events))
            for name in names
            if self._kind(name) in STROKE_EVENTS
        ]
        return SidePlan(
            side=side,
            lead=lead,
            measures=tuple(spatial),
            columns=slice(first, first + len(spatial)),
            crank_events=crank_events,
            stroke_events=stroke_events,
            has_cadence=any(m.kind == "cadence" for m in own),
        )

    def _kind(self, name: str) -> str:
        return self._by_name[name].kind

    def _crank_event(self, name: str, lead: float, spatial: Sequence[Measure]) -> CrankEvent:
        degrees = event_angle(self._by_name[name], self._seat_tube_deg)
        if degrees is None:
            raise ValueError(f"event {name!r} has no crank angle")
        phase = (np.radians(degrees) - lead) % TURN
        # Half-way between two nodes the earlier one answers sooner, alike on both sides and in the
        # grid.
        node = int(np.ceil(phase / NODE_STEP - 0.5 - 1e-9))
        offset = phase - node * NODE_STEP
        slots = self._slots[node % NODES_PER_TURN]
        near = [k for k, slot in enumerate(slots) if abs(slot - offset) < 1e-9]
        if not near:
            slots.append(offset)
        return CrankEvent(
            name=name,
            crank_deg=degrees,
            node=node % NODES_PER_TURN,
            slot=near[0] if near else len(slots) - 1,
            columns=tuple(k for k, m in enumerate(spatial) if name in m.events),
            measures=tuple(m.name for m in spatial if name in m.events),
        )
