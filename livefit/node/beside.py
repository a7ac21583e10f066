"""What travels beside the rider's markers: those on the bicycle, and the workload."""

from __future__ import annotations

from collections.abc import Sequence

from livefit.change.workload import StrokeLoads
from livefit.frames import MarkerBlock
from livefit.kernel.crank import BikeFrame
from livefit.kernel.events import EventValues
from livefit.node.intake import Intake
from livefit.node.parts import PartWatch
from livefit.wire.messages import PartMoved


class Beside:
    """Nothing is known before the first stream; what parts are compared with outlasts streams."""

    def __init__(self) -> None:
        self._parts: PartWatch | None = None
        self._loads: StrokeLoads | None = None

    def begin(self, intake: Intake, seat_tube_deg: float) -> None:
        """Begin with a new stream."""
        rate = intake.info.rate_hz
        self._parts = PartWatch(intake.labels, rate, seat_tube_deg, self._parts)
        self._loads = StrokeLoads(intake.info)

    def see(self, bike: BikeFrame | None, block: MarkerBlock) -> None:
        """Take frames that the kernel has taken."""
        if self._parts is not None and self._loads is not None:
            self._loads.take(block.t, block.channels)
            self._parts.take(bike, block.positions)

    def loads(self, values: Sequence[EventValues]) -> list[EventValues]:
        """The workload of the strokes that these values complete."""
        return [] if self._loads is None else self._loads.of(values)

    def moved(self, stop: Sequence[str]) -> list[PartMoved]:
        """How far parts of the bicycle were moved; `stop`: marked since anybody has ridden."""
        return [] if self._parts is None else self._parts.moved(stop)

    def measured(self, part: str, stop: Sequence[str]) -> float:
        """How far a part was moved since the latest mark.

        Raises
        ------
        ValueError
            If nothing shows it.
        """
        if self._parts is None:
            raise ValueError("there is no stream yet that could show how far a part was moved")
        return self._parts.measured(part, stop)

    def mark(self) -> None:
        """Parts are compared with where they are now."""
        if self._parts is not None:
            self._parts.mark()

    def unmark(self) -> None:
        """Parts are compared with where they were before the latest mark."""
        if self._parts is not None:
            self._parts.unmark()

    def keep_baseline(self) -> None:
        """Keep where parts are now as the baseline's."""
        if self._parts is not None:
            self._parts.keep_baseline()

    def drop_baseline(self) -> None:
        """Forget where parts were at the baseline."""
        if self._parts is not None:
            self._parts.drop_baseline()
