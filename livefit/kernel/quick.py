"""Quick values: those of the events whose final ones are not ready yet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, inf, isfinite

import numpy as np

from livefit.definitions.models import Measure
from livefit.kernel.buffer import FrameBuffer
from livefit.kernel.crank import BikeFrame
from livefit.kernel.events import EventValues, at_crank
from livefit.kernel.local import fit_local
from livefit.kernel.measuring import MeasureTable
from livefit.kernel.nodes import LIVE_HALF, NODE_STEP, NODES_PER_TURN, windows_about
from livefit.kernel.phase import TURN
from livefit.kernel.plan import CrankEvent, Plan, SidePlan
from livefit.kernel.regression import Window
from livefit.kernel.virtual import VirtualPoints


@dataclass(frozen=True)
class _Slot:
    """The events at one crank angle, both sides', and one table of their measures."""

    number: int
    offset: float
    events: list[tuple[SidePlan, CrankEvent, slice]]
    table: MeasureTable


class QuickMaker:
    """Evaluates each crank angle once its quick window is full.

    Parameters
    ----------
    plan
        Measures and events.
    labels
        Markers, as in the buffer.
    buffer
        The frames.
    virtual
        The points without a marker.
    """

    def __init__(
        self, plan: Plan, labels: Sequence[str], buffer: FrameBuffer, virtual: VirtualPoints
    ) -> None:
        self._buffer = buffer
        self._virtual = virtual
        self._slots = [_slots(plan, node, labels) for node in range(NODES_PER_TURN)]
        self._levels = sorted(
            {
                float((node * NODE_STEP + slot.offset) % TURN)
                for node, slots in enumerate(self._slots)
                for slot in slots
            }
        )
        self._made: dict[tuple[int, int], list[EventValues]] = {}
        self._values: list[EventValues] = []

    def values(self, bike: BikeFrame, next_node: int) -> list[EventValues]:
        """Values of the events from `next_node` on, oldest first; the same list while unchanged."""
        reached = float(self._buffer.peak[-1]) if self._buffer.rows else -inf
        if not isfinite(reached):
            return []
        last = floor((reached - LIVE_HALF) / NODE_STEP) + 1
        made = {}
        for node in range(next_node, last + 1):
            for slot in self._slots[node % NODES_PER_TURN]:
                phase = node * NODE_STEP + slot.offset
                if phase + LIVE_HALF <= reached:
                    key = node, slot.number
                    known = self._made.get(key)
                    made[key] = self._at(bike, slot, phase) if known is None else known
        if made.keys() != self._made.keys():
            self._made = made
            self._values = [values for own in made.values() for values in own]
        return self._values

    def _at(self, bike: BikeFrame, slot: _Slot, phase: float) -> list[EventValues]:
        """All events at one crank angle; none where the frames about it do not bear them."""
        buffer = self._buffer
        wanted = np.array([phase])
        [window] = windows_about(buffer, wanted, LIVE_HALF, live=True)
        if not isinstance(window, Window):
            return []
        found = fit_local(buffer.x, buffer.t, buffer.phase, buffer.columns, window, phase)
        points = self._virtual.behind(bike, found.positions.reshape(1, -1, 3), wanted)
        values, t = slot.table.evaluate(points), np.array([found.t])
        return [
            at_crank(side, event, wanted, values[:, columns], t)
            for side, event, columns in slot.events
        ]

    def next(self, reached: float) -> float:
        """Crank phase (rad), beyond the one reached, at which the next quick value is ready."""
        event = reached - LIVE_HALF
        turns = floor(event / TURN) * TURN
        later = (level for level in self._levels if turns + level > event)
        level = next(later, TURN + self._levels[0] if self._levels else inf)
        return float(turns + level + LIVE_HALF)

    def forget(self) -> None:
        """The crank was found anew: quick numbers rest on the old one."""
        self._made, self._values = {}, []


def _slots(plan: Plan, node: int, labels: Sequence[str]) -> list[_Slot]:
    found: dict[int, list[tuple[SidePlan, CrankEvent]]] = {}
    for side in plan.sides:
        for event in side.crank_events:
            if event.node == node:
                found.setdefault(event.slot, []).append((side, event))
    return [
        _slot(number, float(plan.offsets[node, number]), own, labels)
        for number, own in sorted(found.items())
    ]


def _slot(
    number: int, offset: float, own: Sequence[tuple[SidePlan, CrankEvent]], labels: Sequence[str]
) -> _Slot:
    events: list[tuple[SidePlan, CrankEvent, slice]] = []
    measures: list[Measure] = []
    sides: list[str] = []
    for side, event in own:
        first = len(measures)
        measures += [side.measures[k] for k in event.columns]
        sides += [side.side] * len(event.columns)
        events.append((side, event, slice(first, len(measures))))
    return _Slot(number, offset, events, MeasureTable(measures, sides, labels))
