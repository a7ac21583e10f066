"""The node's loop: receive, decode, push, encode, publish. Sockets and the clock live here."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from livefit.definitions import Definitions
from livefit.node.processing import Processing
from livefit.node.settings import Settings
from livefit.wire.codec import WireError
from livefit.wire.messages import Description, Frames, Request
from livefit.wire.sockets import (
    CONTROL_ENDPOINT,
    FRAMES_ENDPOINT,
    RESULTS_ENDPOINT,
    ControlClient,
    ControlServer,
    Publisher,
    Subscriber,
    wait,
)

log = logging.getLogger(__name__)

POSE_EVERY_S = 1 / 60
SNAPSHOT_EVERY_S = 0.25
_WAIT_S = 0.05


@dataclass(frozen=True)
class NodeEndpoints:
    """Where the node listens for frames, publishes results and answers requests."""

    frames: str = FRAMES_ENDPOINT
    results: str = RESULTS_ENDPOINT
    control: str = CONTROL_ENDPOINT


def run_node(
    definitions: Definitions,
    settings: Settings,
    endpoints: NodeEndpoints,
    stop: Callable[[], bool],
    *,
    on_ready: Callable[[NodeEndpoints], None] = lambda _: None,
) -> None:
    """Process frames until `stop` says so.

    Parameters
    ----------
    definitions, settings
        What to compute.
    endpoints
        Port 0 or ``*`` takes a free one.
    stop
        Asked several times a second.
    on_ready
        Called once with the real endpoints.

    Raises
    ------
    EndpointError
        When an endpoint cannot be bound.
    """
    processing = Processing(definitions, settings)
    with (
        Subscriber(endpoints.frames, ["description", "frames"]) as frames,
        Publisher(endpoints.results, cached=["results"], display=True) as results,
        ControlServer(endpoints.control) as control,
    ):
        on_ready(NodeEndpoints(endpoints.frames, results.endpoint, control.endpoint))
        _Loop(processing, frames, results, control).run(stop)


class _Loop:
    def __init__(
        self,
        processing: Processing,
        frames: Subscriber,
        results: Publisher,
        control: ControlServer,
    ) -> None:
        self._processing = processing
        self._frames = frames
        self._results = results
        self._control = control
        self._refused = 0

    def run(self, stop: Callable[[], bool]) -> None:
        next_pose = next_snapshot = 0.0
        while not stop():
            if not wait([self._control, self._results], self._processing.quiet_s):
                wait([self._frames, self._control, self._results], _WAIT_S)
            self._control.poll(self._answer)
            self._results.serve()
            fresh = self._take()
            now = time.monotonic()
            if self._processing.changed or now >= next_snapshot:
                self._results.publish(self._processing.snapshot(now))
                next_snapshot = now + SNAPSHOT_EVERY_S
            if fresh and now >= next_pose and self._results.listeners("pose"):
                pose = self._processing.pose(now)
                if pose is not None:
                    self._results.publish(pose)
                next_pose = now + POSE_EVERY_S

    def _take(self) -> bool:
        """Take what has come; True if there were frames."""
        fresh = False
        for _, message in self._frames.poll():
            if isinstance(message, Description):
                log.info("stream of %s: %s markers", message.source, len(message.labels))
                self._processing.describe(message)
            elif isinstance(message, Frames):
                try:
                    self._processing.take(message, time.monotonic())
                    fresh = True
                except WireError as error:
                    self._refuse(str(error))
        refused = self._frames.refused + self._refused
        if refused != self._processing.refused_messages:
            self._processing.refused_messages = refused
            log.warning("%d messages refused; the last: %s", refused, self._frames.last_refusal)
        return fresh

    def _refuse(self, why: str) -> None:
        self._refused += 1
        self._frames.last_refusal = why

    def _answer(self, request: Request) -> dict[str, Any]:
        if request.op == "source":
            return self._ask_source(request.args)
        return self._processing.request(request.op, request.args, time.monotonic())

    def _ask_source(self, args: dict[str, Any]) -> dict[str, Any]:
        """Pass a request on to the source's own control socket."""
        endpoint = self._processing.source_control
        if endpoint is None:
            raise ValueError("the source has no control socket: it cannot be asked anything")
        op, arguments = args.get("op"), args.get("args", {})
        if not isinstance(op, str) or not isinstance(arguments, dict):
            raise ValueError('source takes {"op": name, "args": {...}}, got ' + repr(args)[:200])
        with ControlClient(endpoint, timeout_s=0.5) as client:
            return client.request(op, arguments)
