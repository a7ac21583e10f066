"""The capture process: publishes what a source hands out."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Any, Protocol, runtime_checkable
from uuid import uuid4

from livefit.frames import StreamInfo
from livefit.sources.base import Source
from livefit.wire.blocks import describe, pack_block
from livefit.wire.messages import Description, DeviceState, Frames, Message, Request
from livefit.wire.sockets import ControlServer, Publisher

log = logging.getLogger(__name__)

READ_S = 0.02
REPORT_S = 1.0
"""How often a device that knows how it is says so."""
_LISTEN_S = 0.01
SETTLED_S = 0.5
"""Nobody else is about to listen when so long nobody has come: a connection takes 0.1 s at most."""
MOST_SETTLING_S = 2.0
"""However many come, a source that waits for them begins so soon."""


class Outlet(Protocol):
    """Where messages are put to be published; see `Publisher`."""

    def publish(self, message: Message) -> bool:
        """Send a message; False: offer it again."""

    def publish_raw(self, topic: str, raw: bytes) -> bool:
        """Send bytes as they are; False: offer them again."""

    def serve(self) -> None:
        """Look after those who listen."""

    def listeners(self, topic: str) -> int:
        """How many listen to a topic."""


@runtime_checkable
class Disturbing(Protocol):
    """A source that spoils its messages on their way, to try out whoever listens."""

    def on_the_way(self, outlet: Outlet) -> Outlet:
        """Put what spoils them before the outlet."""


@runtime_checkable
class Reporting(Protocol):
    """A source whose device knows how it is."""

    def device_state(self) -> dict[str, Any]:
        """Fields of `DeviceState` but for the stream; empty: nothing to say."""


@runtime_checkable
class Recorded(Protocol):
    """A source whose stream was described before."""

    def described_as(self) -> dict[str, Any]:
        """Fields of `Description` beside what `Source.describe` says: side, precision, ..."""


@runtime_checkable
class Patient(Protocol):
    """A source that begins with the first `Source.read`, so that it can wait for listeners."""

    begins_when_read: bool


def run_capture(
    source: Source,
    frames_endpoint: str,
    control_endpoint: str,
    stop: Callable[[], bool],
    *,
    lossless: bool = False,
    side: str = "both",
) -> None:
    """Publish a source's frames until it ends or `stop` says so, and close it.

    Parameters
    ----------
    source
        Where frames come from.
    frames_endpoint, control_endpoint
        Where to publish, and where to take requests for the source.
    stop
        Asked many times a second.
    lossless
        Wait for a listener, and for one that is behind, instead of going on without it.
        Such a source, and one that is `Patient`, begins when no other has come for `SETTLED_S`.
    side
        Which side of the rider is seen: both, left or right.

    Raises
    ------
    EndpointError
        When an address cannot be used.
    """
    try:
        with (
            Publisher(frames_endpoint, cached=["description"], lossless=lossless) as publisher,
            ControlServer(control_endpoint) as control,
        ):
            outlet = source.on_the_way(publisher) if isinstance(source, Disturbing) else publisher
            _Loop(source, side, outlet, control, stop).run(lossless)
    finally:
        source.close()


class _Loop:
    def __init__(
        self,
        source: Source,
        side: str,
        publisher: Outlet,
        control: ControlServer,
        stop: Callable[[], bool],
    ) -> None:
        self._source = source
        self._side = side
        self._info: StreamInfo | None = None
        self._description: Description | None = None
        self._publisher = publisher
        self._control = control
        self._stop = stop
        self._report_at = 0.0

    def run(self, lossless: bool) -> None:
        self._describe()
        if lossless or (isinstance(self._source, Patient) and self._source.begins_when_read):
            self._gather_listeners(lossless)
        while not self._stop():
            self._serve(0.0)
            try:
                block = self._source.read(READ_S)
            except EOFError as end:
                log.info("%s", end)
                return
            self._describe()
            if block is not None and len(block) and self._description is not None:
                for message in pack_block(block, self._description, sent=time.monotonic()):
                    self._send(message)
                self._report(self._description.stream)

    def _gather_listeners(self, needed: bool) -> None:
        """Wait until those who are about to listen do, for the first without end if it is needed.

        Else a recorder that is there first has frames that the node never saw.
        """
        began = newest = time.monotonic()
        there = 0
        while not self._stop():
            self._serve(_LISTEN_S)
            now, before = time.monotonic(), there
            there = self._publisher.listeners("frames")
            if there > before:
                newest = now
            if needed and not there:
                began = now
            elif now - began >= MOST_SETTLING_S or (there and now - newest >= SETTLED_S):
                return

    def _report(self, stream: str) -> None:
        """Say now and then how the device is."""
        now = time.monotonic()
        if now < self._report_at or not isinstance(self._source, Reporting):
            return
        self._report_at = now + REPORT_S
        state = self._source.device_state()
        if state:
            self._publisher.publish(DeviceState(stream=stream, **state))

    def _describe(self) -> None:
        """Begin a stream when the source says something new of itself."""
        info = self._source.describe()
        if info is None or info is self._info:
            return
        self._info = info
        known: dict[str, Any] = {"side": self._side}
        if isinstance(self._source, Recorded):
            known |= self._source.described_as()
        self._description = describe(
            info,
            stream=uuid4().hex,
            source=self._source.name,
            control=self._control.endpoint,
            **known,
        )
        self._publisher.publish(self._description)

    def _serve(self, timeout_s: float) -> None:
        self._publisher.serve()
        self._control.poll(self._answer, timeout_s)

    def _send(self, message: Frames) -> None:
        while not self._publisher.publish(message) and not self._stop():
            self._serve(_LISTEN_S)

    def _answer(self, request: Request) -> dict[str, Any]:
        return self._source.control(request.op, request.args)
