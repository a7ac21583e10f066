"""The capture process: publishes what a source hands out."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Any
from uuid import uuid4

from livefit.sources.base import Source
from livefit.wire.blocks import describe, pack_block
from livefit.wire.messages import Description, Frames, Request
from livefit.wire.sockets import ControlServer, Publisher

log = logging.getLogger(__name__)

READ_S = 0.02
_LISTEN_S = 0.01


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
            description = describe(
                source.describe(),
                stream=uuid4().hex,
                source=source.name,
                side=side,
                control=control.endpoint,
            )
            publisher.publish(description)
            _Loop(source, description, publisher, control, stop).run(lossless)
    finally:
        source.close()


class _Loop:
    def __init__(
        self,
        source: Source,
        description: Description,
        publisher: Publisher,
        control: ControlServer,
        stop: Callable[[], bool],
    ) -> None:
        self._source = source
        self._description = description
        self._publisher = publisher
        self._control = control
        self._stop = stop

    def run(self, lossless: bool) -> None:
        while lossless and not self._stop() and not self._publisher.listeners("frames"):
            self._serve(_LISTEN_S)
        while not self._stop():
            self._serve(0.0)
            try:
                block = self._source.read(READ_S)
            except EOFError as end:
                log.info("%s", end)
                return
            if block is not None and len(block):
                for message in pack_block(block, self._description, sent=time.monotonic()):
                    self._send(message)

    def _serve(self, timeout_s: float) -> None:
        self._publisher.serve()
        self._control.poll(self._answer, timeout_s)

    def _send(self, message: Frames) -> None:
        while not self._publisher.publish(message) and not self._stop():
            self._serve(_LISTEN_S)

    def _answer(self, request: Request) -> dict[str, Any]:
        return self._source.control(request.op, request.args)
