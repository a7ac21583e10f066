"""A simulated pointer that a touch model listens to, without sockets and without waiting."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from functools import cache
from typing import Any

from livefit.bicycle.pointer import Calibration
from livefit.bicycle.touching import Touch
from livefit.definitions import Definitions, load_definitions, shipped_dir
from livefit.session.models import Adjustment
from livefit.session.touched import TouchedBicycle
from livefit.view.simulated_hand import SimulatedHand
from livefit.view.touching import Purpose, TouchModel
from livefit.wire.blocks import describe, pack_block
from livefit.wire.messages import Message
from simulators.pointing_source import PointerSource, open_pointer

TODAY = date(2025, 3, 1)
STEP_S = 0.05
FAST = {"travel": "0.4", "hold": "1.3", "rate": "60"}
"""A hand in a hurry, so that these tests are."""


@cache
def shipped() -> Definitions:
    return load_definitions(shipped_dir())


class Bench:
    """A source, a model and a clock that is turned by hand."""

    def __init__(self, model: TouchModel, **options: str) -> None:
        self.now = 0.0
        self.model = model
        task = open_pointer(FAST | options).task
        self.source = PointerSource(task, clock=lambda: self.now, sleep=lambda _: None)
        self.asked: list[tuple[str, dict[str, Any]]] = []
        self.hand = SimulatedHand(self._ask)
        self.description = describe(
            self.source.describe(), stream="one", source="test", control="tcp://127.0.0.1:1"
        )
        model.take(self.description, 0.0)

    def _ask(self, endpoint: str, op: str, args: dict[str, Any]) -> object:
        assert endpoint == "tcp://127.0.0.1:1"
        self.asked.append((op, args))
        return self.source.control(op, args)

    def messages(self) -> list[Message]:
        """What comes in the next step of the clock."""
        self.now += STEP_S
        block = self.source.read(0.0)
        return [] if block is None else [*pack_block(block, self.description)]

    def run(
        self, until: Callable[[TouchModel], bool], *, seconds: float = 120.0, led: bool = True
    ) -> None:
        """Let time pass until something holds; a led hand does what is asked for."""
        end = self.now + seconds
        while not until(self.model):
            assert self.now < end, (self.model.sign, self.model.notice, self.model.problem)
            for message in self.messages():
                self.model.take(message, self.now)
            if led:
                self.hand.follow(self.model)


def new_model(
    calibration: Calibration | None,
    names: tuple[str, ...] | None = None,
    *,
    before: TouchedBicycle | None = None,
    moved: TouchedBicycle | None = None,
    begun: Mapping[str, Touch] | None = None,
    noted: tuple[Adjustment, ...] = (),
    keep: Callable[[Calibration], None] = lambda _: None,
    today: date = TODAY,
) -> TouchModel:
    points = shipped().touch_points
    names = names or tuple(point.name for point in points if not point.extra)
    return TouchModel(
        Purpose(points, names, before=before, moved=moved, begun=begun or {}, noted=noted),
        shipped().pointer("hand_pointer"), calibration, today=today, keep=keep,
    )  # fmt: skip


@cache
def whole() -> TouchModel:
    """A bicycle touched from calibration to the last point; not to be changed."""
    bench = Bench(new_model(None), order="none")
    bench.run(lambda model: model.complete)
    return bench.model
