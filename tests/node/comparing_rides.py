"""A ride with a change of saddle height, played into a node as it listens for changes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache

from livefit.frames import MarkerBlock
from livefit.node.processing import Processing
from livefit.node.requests import answer
from livefit.wire.change_messages import Changes
from livefit.wire.messages import Mark, Snapshot
from simulators import Bicycle, Body, Change, RiderSimulation, Sensor, observe
from tests.node.streams import STARTED, description, messages, processing

SENSOR = Sensor(rate_hz=100.0, extra=("BIKE",))
CHANGE_S, RIDE_S = 40.0, 70.0
UP_MM = 10.0
Do = Mapping[float, tuple[str, dict[str, object]]]
"""What is asked of the node, by time of the ride in s."""


@cache
def ride() -> MarkerBlock:
    """The saddle goes up by 10 mm within a second."""
    rider = RiderSimulation(bicycle=Bicycle.fitted(Body()), seed=4)
    higher = rider.bicycle.saddle_height_mm + UP_MM
    rider = rider.changed("saddle_height_mm", Change(CHANGE_S, higher, 1.0))
    return observe(rider, SENSOR, count=int(RIDE_S * SENSOR.rate_hz))


@dataclass
class Ridden:
    """A node after a ride, with everything it told."""

    node: Processing
    now: float
    told: list[Changes] = field(default_factory=list)
    answers: list[dict[str, object]] = field(default_factory=list)

    def ask(self, op: str, **args: object) -> dict[str, object]:
        made = answer(self.node, op, args, self.now)
        self.answers.append(made)
        return made

    def snapshot(self) -> Snapshot:
        return self.node.snapshot(self.now)

    @property
    def marks(self) -> list[Mark]:
        return self.node.trials.fit.marks

    def changes(self) -> Changes:
        """What it tells now, all rows looked at."""
        for _ in range(50):
            told = self.node.trials.changes()
            if told is not None:
                self.told.append(told)
        return self.told[-1]


def ride_through(
    do: Do,
    *,
    frames: MarkerBlock | None = None,
    until_s: float = RIDE_S,
    stop: Callable[[Ridden], bool] = lambda _: False,
) -> Ridden:
    """Play the ride in messages of 100 ms, asking what is to be asked at its time."""
    ridden = Ridden(processing(), STARTED)
    ridden.node.describe(description("one", SENSOR))
    waiting = sorted(do.items())
    for message in messages(ride() if frames is None else frames, "one", SENSOR, 10):
        t = (message.sent or STARTED) - STARTED
        if t > until_s or stop(ridden):
            break
        ridden.now = STARTED + t + 0.002
        ridden.node.take(message, ridden.now)
        if ridden.node.changed:
            ridden.node.snapshot(ridden.now)
        told = ridden.node.trials.changes()
        if told is not None:
            ridden.told.append(told)
        while waiting and waiting[0][0] <= t:
            _, (op, args) = waiting.pop(0)
            ridden.ask(op, **args)
    return ridden
