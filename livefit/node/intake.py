"""Where a stream comes in: frames put in order, timed and counted; what computes with them."""

from __future__ import annotations

from collections.abc import Iterable

from livefit.definitions import Definitions, canonical_labels, match_marker_set
from livefit.frames import MarkerBlock, StreamInfo
from livefit.kernel.kernel import Kernel
from livefit.node.clock import StreamClock
from livefit.node.device import DeviceWatch
from livefit.node.health import StreamHealth
from livefit.node.order import FrameOrder, Run
from livefit.node.settings import Settings
from livefit.wire.blocks import FrameReader
from livefit.wire.messages import Description

TELL_ANEW_S = 10.0
"""So long the fitter is told that the device began to count anew."""


class Intake:
    """Where a stream's frames come in: they are put in order, timed and counted.

    Parameters
    ----------
    info
        What holds for every frame.
    labels
        Canonical marker names, None for a marker that is not used.

    Attributes
    ----------
    order, clock, health
        What became of the frames; the device's clock beside the node's; counts of the frames
        used, since the device last began to count anew.
    device
        What the device says of itself.
    info, labels
        As given.
    """

    def __init__(self, info: StreamInfo, labels: tuple[str | None, ...]) -> None:
        self.info = info
        self.labels = labels
        self.order = FrameOrder(info)
        self.clock = StreamClock(info.rate_hz)
        self.health = StreamHealth(labels)
        self.device = DeviceWatch()
        self._anew_at: float | None = None

    def take(self, block: MarkerBlock, now: float) -> list[Run]:
        """Take a message's frames and return those to be used now; now: CLOCK_MONOTONIC, s."""
        return self._counted(self.order.take(block, now))

    def due(self, now: float) -> list[Run]:
        """Frames that have waited long enough for others by now (s)."""
        return self._counted(self.order.due(now))

    def _counted(self, runs: Iterable[Run]) -> list[Run]:
        counted = list(runs)
        for run in counted:
            if run.anew:
                self._anew_at = run.arrived
                self.clock.begin_anew()
                self.health = StreamHealth(self.labels)
            self.clock.take(run.last, float(run.block.t[-1]), run.arrived)
            self.health.take(run.block)
        return counted

    def warnings(self, now: float) -> list[str]:
        """What the fitter should know now (s), in words."""
        told = self.device.warnings(now)
        if self._anew_at is not None and now - self._anew_at < TELL_ANEW_S:
            told.append("the sensor began to count anew: the averages began anew as well")
        return told


def open_stream(
    description: Description, definitions: Definitions, settings: Settings
) -> tuple[FrameReader, Intake, Kernel]:
    """Make what reads, takes in and computes with the stream that is described.

    Raises
    ------
    ValueError
        If its markers cannot be used.
    """
    reader = FrameReader(description)
    wanted = settings.marker_set or description.marker_set
    sets = definitions.marker_sets
    chosen = (
        definitions.marker_set(wanted) if wanted else match_marker_set(description.labels, sets)
    )
    labels = canonical_labels(description.labels, chosen)
    kernel = Kernel(
        reader.info,
        labels,
        definitions.measures,
        definitions.events,
        seat_tube_deg=settings.seat_tube_deg,
        axis=settings.axis,
        with_cycles=True,
    )
    return reader, Intake(reader.info, labels), kernel
