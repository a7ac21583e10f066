"""A simulated source with a fault: for a live stream, and message by message for tests."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from livefit.frames import MarkerBlock, StreamInfo
from livefit.sources.capture import Outlet
from livefit.wire.blocks import describe, pack_block
from livefit.wire.messages import Message
from simulators.faults import Fault
from simulators.frame_faults import apply_faults, check_faults
from simulators.options import read_options
from simulators.rider import RiderSimulation
from simulators.scene import Scene
from simulators.sensor import observe, stream_info
from simulators.settings import Sensor
from simulators.way_faults import Carrier, Parcel

if TYPE_CHECKING:
    from simulators.source import SimulatedSource


class FaultySource:
    """A simulated source whose frames, description and messages go wrong as a fault says.

    Parameters
    ----------
    source, sensor
        Sound, and what watches in it.
    fault
        What goes wrong.
    """

    begins_when_read = True

    def __init__(self, source: SimulatedSource, sensor: Sensor, fault: Fault) -> None:
        self._source, self._sensor = source, sensor
        self._fault = fault
        self._info = source.describe()
        self.name = f"{source.name}: {fault.title}"
        check_faults(fault.frames, self._scene)

    @property
    def simulation(self) -> RiderSimulation:
        """What rides."""
        return self._source.simulation

    @property
    def _scene(self) -> Scene:
        return Scene(self._source.simulation, self._info)

    def describe(self) -> StreamInfo:
        """What holds for every frame."""
        return self._info

    def read(self, timeout_s: float) -> MarkerBlock | None:
        """Frames that have become due, with the fault in them; None if none is left.

        Raises
        ------
        EOFError
            After the last frame of the ride.
        """
        block = self._source.read(timeout_s)
        if block is None:
            return None
        return apply_faults(self._fault.frames, block, self._scene)

    def control(self, op: str, args: dict[str, object]) -> dict[str, object]:
        """Whatever the sound source can do.

        Raises
        ------
        ValueError
            For an unknown operation or a wrong argument.
        """
        return self._source.control(op, args)

    def close(self) -> None:
        """Nothing to give back."""

    def on_the_way(self, outlet: Outlet) -> Outlet:
        """Put the fault's way before where messages are sent."""
        fault = self._fault
        said = fault.said.model_copy(update={"side": fault.said.side or self._sensor.side})
        return _FaultyOutlet(outlet, Carrier(said, fault.way, self._source.simulation.seed))


class _FaultyOutlet:
    """Sends what arrives of each message when it is due."""

    def __init__(
        self, outlet: Outlet, carrier: Carrier, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._outlet, self._carrier, self._clock = outlet, carrier, clock

    def publish(self, message: Message) -> bool:
        """Take a message on its way; False: what is before it is not through."""
        if not self._flush():
            return False
        self._carrier.send(message, self._clock())
        self._flush()
        return True

    def publish_raw(self, topic: str, raw: bytes) -> bool:
        """Send bytes as they are."""
        return self._outlet.publish_raw(topic, raw)

    def serve(self) -> None:
        """Send what has become due, and look after listeners."""
        self._outlet.serve()
        self._flush()

    def listeners(self, topic: str) -> int:
        """How many listen to a topic."""
        return self._outlet.listeners(topic)

    def _flush(self) -> bool:
        for parcel in self._carrier.due(self._clock()):
            content = parcel.content
            sent = (
                self._outlet.publish_raw(parcel.topic, content)
                if isinstance(content, bytes)
                else self._outlet.publish(content)
            )
            if not sent:
                return False
        return True


@dataclass(frozen=True)
class Journey:
    """A whole ride as it arrives.

    Attributes
    ----------
    simulation
        Its truth.
    sensor, info
        What watched, and what holds for its frames before anything went wrong.
    parcels
        What arrives, in order; `due_s` counts from the first frame.
    """

    simulation: RiderSimulation
    sensor: Sensor
    info: StreamInfo
    parcels: list[Parcel]


def journey(
    fault: Fault,
    *,
    seconds: float | None = None,
    frames_a_message: int = 1,
    sent_at_0: float = 0.0,
    **options: str,
) -> Journey:
    """A ride with a fault, from the first message to the last, without a clock.

    A message is sent at the instant of its last frame.

    Parameters
    ----------
    fault
        What goes wrong.
    seconds
        Length of the ride; None: as long as the fault needs to show.
    frames_a_message
        As a live source sends them: one.
    sent_at_0
        The sender's clock at the first frame, s.
    options
        Of the simulated source, where the fault leaves them open.
    """
    simulation, sensor, _ = read_options({**options, **fault.source})
    info = stream_info(sensor)
    scene = Scene(simulation, info)
    check_faults(fault.frames, scene)
    said = describe(info, stream=fault.name, source=fault.title, side=sensor.side, precision="f4")
    carrier = Carrier(fault.said, fault.way, simulation.seed)
    carrier.send(said, sent_at_0)
    parcels = list(carrier.due(sent_at_0))
    length = fault.seconds if seconds is None else seconds
    whole = observe(simulation, sensor, count=round(length * sensor.rate_hz))
    for piece in _pieces(whole, frames_a_message):
        now = sent_at_0 + float(piece.numbers[-1]) / sensor.rate_hz
        for message in pack_block(apply_faults(fault.frames, piece, scene), said, sent=now):
            carrier.send(message, now)
        parcels += carrier.due(now)
    parcels += carrier.due(float("inf"))
    return Journey(simulation, sensor, info, parcels)


def _pieces(block: MarkerBlock, size: int) -> Iterator[MarkerBlock]:
    for start in range(0, len(block), size):
        part = slice(start, start + size)
        yield MarkerBlock(
            block.numbers[part], block.t[part], block.positions[part], block.channels[part]
        )
