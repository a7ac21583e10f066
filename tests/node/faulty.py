"""Rides with a fault through the node's state, and the truth beside what it shows."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from livefit.node.processing import Processing
from livefit.wire.codec import WireError
from livefit.wire.messages import Description, Frames, Row, Snapshot
from simulators.faults import Fault
from simulators.faulty import Journey, journey
from simulators.truth import truth_at
from tests.node.streams import STARTED, processing

RATE = "100"
LOOK_S = 0.5
"""The node is asked for everything it shows so often, whether frames come or not."""
SHORTEST_S, WINDOW_S = 13.0, 12.0
"""The search for the crank takes a second or two, and 15 strokes at 90 rpm ten seconds."""
CRANK_DEG = {"tdc": 0.0, "forward": 90.0, "bdc": 180.0, "rearward": 270.0}
MARKERS = {
    "knee_flexion": ("GT", "LE", "LM"),
    "hip_angle": ("AC", "GT", "LE"),
    "ankle_angle": ("LE", "LM", "VM"),
    "ankle_dorsiflexion": ("CA", "VM", "LM", "LE"),
    "foot_inclination": ("CA", "VM"),
    "shank_inclination": ("LM", "LE"),
    "thigh_inclination": ("GT", "LE"),
}
"""What each sagittal angle is measured from."""


@dataclass
class Faced:
    """A node that faced a fault."""

    fault: Fault
    ride: Journey
    node: Processing = field(default_factory=processing)
    refused: int = 0
    looks: list[tuple[float, Snapshot]] = field(default_factory=list)
    """Time since the start, s, and what the node showed."""

    @property
    def last(self) -> Snapshot:
        return self.looks[-1][1]

    def rows(self) -> Iterator[Row]:
        """Rows of the sagittal angles at the quarters of the stroke."""
        yield from (r for r in self.last.rows if r.measure in MARKERS and r.event in CRANK_DEG)

    def error_deg(self, row: Row, ahead_s: float = 0.0) -> float:
        """Mean of a row less the true mean of the same strokes.

        ahead_s: the device's clock less the ride's, in the end.
        """
        if row.mean is None:
            raise ValueError(f"there is no mean in {row}")
        times, values = truth_at(
            self.ride.simulation,
            row.measure,
            row.side,
            CRANK_DEG[row.event],
            0.0,
            self.fault.seconds + 1.0,
        )
        [told] = [
            each
            for each in self.node.trials.history.rows([(row.measure, row.event)], 15)
            if each["side"] == row.side
        ]
        final = [
            (t, value)
            for t, value in zip(told["t"], told["values"], strict=True)
            if value is not None
        ][-row.n :]
        own = np.array([t for t, _ in final]) - ahead_s
        nearest = np.abs(times - own[:, None]).argmin(axis=1)
        if not np.isclose(np.mean([value for _, value in final]), row.mean, atol=1e-9):
            # The newest number is a quick one, which the history does not have yet.
            nearest = np.append(nearest, nearest[-1] + 1)[-row.n :]
        return row.mean - float(values[nearest].mean())


def faced(
    fault: Fault,
    frames_a_message: int = 1,
    does: Callable[[Processing, float], None] = lambda _node, _t: None,
) -> Faced:
    """Let a node face a fault, with everything that it shows asked for all the time.

    does: what a fitter does with the node, asked at each look with the time since the start, s.
    """
    seconds = min(fault.seconds, max(SHORTEST_S, fault.shows_s + WINDOW_S))
    ride = journey(
        fault, seconds=seconds, frames_a_message=frames_a_message, sent_at_0=STARTED, rate=RATE
    )
    told = Faced(fault, ride)
    end = STARTED + seconds + LOOK_S
    waiting = iter([*ride.parcels, None])
    parcel = next(waiting)
    for now in np.arange(STARTED, end, LOOK_S).tolist():
        while parcel is not None and parcel.due_s <= now:
            try:
                message = parcel.read()
                if isinstance(message, Description):
                    told.node.describe(message)
                elif isinstance(message, Frames):
                    told.node.take(message, parcel.due_s)
            except WireError:
                told.refused += 1
            parcel = next(waiting)
        told.node.pose(now)
        told.node.trials.strokes()
        told.node.trials.cycles()
        told.looks.append((now - STARTED, told.node.snapshot(now)))
        does(told.node, now - STARTED)
    return told
