"""The node's loop: receive, decode, push, encode, publish. Sockets and the clock live here."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from livefit.definitions import Definitions
from livefit.node.processing import Processing
from livefit.node.requests import LONG, answer, begin
from livefit.node.settings import Settings
from livefit.wire.blocks import joined, runs
from livefit.wire.codec import WireError
from livefit.wire.messages import Description, DeviceState, Frames, Request
from livefit.wire.sockets import (
    CONTROL_ENDPOINT,
    FRAMES_ENDPOINT,
    LIMITS,
    RESULTS_ENDPOINT,
    ControlClient,
    ControlServer,
    Limits,
    Publisher,
    Subscriber,
    Waiter,
    beside,
)

log = logging.getLogger(__name__)

POSE_EVERY_S = 1 / 60
SNAPSHOT_EVERY_S = 0.25
_EARLY_S = POSE_EVERY_S / 4
"""A pose goes out so early where the node is awake anyway; on average it goes out when due."""
_WAIT_S = 0.05
_SERVE_EVERY_S = 0.05
"""Who left, and answers that took a while, are looked after so often; whoever asks, at once."""


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
    limits: Limits = LIMITS,
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
    limits
        What to put up with from those who connect.

    Raises
    ------
    EndpointError
        When an endpoint cannot be bound.
    """
    processing = Processing(definitions, settings)
    with (
        Subscriber(endpoints.frames, ["description", "frames", "device"]) as frames,
        Publisher(
            endpoints.results,
            cached=["results", "baseline", "bicycle"],
            display=True,
            limits=limits,
        ) as results,
        ControlServer(endpoints.control, limits=limits) as control,
    ):
        on_ready(NodeEndpoints(endpoints.frames, results.endpoint, control.endpoint))
        with ThreadPoolExecutor(1, "search") as worker:
            _Loop(processing, frames, results, control, worker).run(stop)


class _Loop:
    def __init__(
        self,
        processing: Processing,
        frames: Subscriber,
        results: Publisher,
        control: ControlServer,
        worker: Executor,
    ) -> None:
        self._worker = worker
        self._search: Future[dict[str, Any]] | None = None
        self._processing = processing
        self._frames = frames
        self._results = results
        self._control = control
        self._refused, self._log_at = 0, 1

    def run(self, stop: Callable[[], bool]) -> None:
        requests = Waiter([self._control, self._results])
        anything = Waiter([self._frames, self._control, self._results])
        next_pose = next_snapshot = next_serve = 0.0
        while not stop():
            poses = self._results.listeners("pose") > 0
            due = min([self._processing.quiet_until, next_snapshot] + poses * [next_pose])
            rest_s = due - time.monotonic()
            ready = requests.wait(rest_s) if rest_s > 0 else anything.wait(_WAIT_S)
            now = time.monotonic()
            if now >= next_serve or any(each is not self._frames for each in ready):
                self._control.poll(self._answer)
                self._results.serve()
                next_serve = now + _SERVE_EVERY_S
            fresh = self._take()
            now = time.monotonic()
            if self._processing.changed or now >= next_snapshot:
                self._results.publish(self._processing.snapshot(now))
                next_snapshot = now + SNAPSHOT_EVERY_S
            self._publish_strokes()
            if fresh and poses and now >= next_pose - _EARLY_S:
                pose = self._processing.pose(now)
                if pose is not None:
                    self._results.publish(pose)
                next_pose = max(next_pose, now - POSE_EVERY_S) + POSE_EVERY_S

    def _publish_strokes(self) -> None:
        """Publish what comes with a stroke or a baseline."""
        strokes = self._processing.trials.strokes()
        if self._results.listeners("strokes"):
            for stroke in strokes:
                self._results.publish(stroke)
        if self._results.listeners("cycles"):
            cycles = self._processing.trials.cycles()
            if cycles is not None:
                self._results.publish(cycles)
        bicycle = self._processing.standing_bicycle()
        if bicycle is not None:
            self._results.publish(bicycle)
        if self._results.listeners("changes"):
            changes = self._processing.trials.changes()
            if changes is not None:
                self._results.publish(changes)
        pose = self._processing.trials.baseline_pose()
        if pose is not None:
            self._results.publish(pose)

    def _take(self) -> bool:
        """Take what has come; True if there were frames."""
        together: list[Frames] = []
        fresh = False
        for _, message in self._frames.poll():
            if isinstance(message, Frames):
                together.append(message)
                continue
            fresh |= self._take_frames(together)
            together = []
            if isinstance(message, Description):
                log.info("stream of %s: %s markers", message.source, len(message.labels))
                self._processing.describe(message)
            elif isinstance(message, DeviceState):
                self._processing.note(message, time.monotonic())
        fresh |= self._take_frames(together)
        refused = self._frames.refused + self._refused
        self._processing.refused_messages = refused
        if refused >= self._log_at:
            # Each time twice as many: a broken sender must not fill the log.
            self._log_at = 2 * refused
            log.warning("%d messages refused; the last: %s", refused, self._frames.last_refusal)
        return fresh

    def _take_frames(self, messages: Sequence[Frames]) -> bool:
        """Take messages that came together as one; where that is refused, one by one."""
        fresh = False
        for run in runs(messages):
            try:
                self._processing.take(joined(run), time.monotonic())
                fresh = True
            except WireError as error:
                if len(run) == 1:
                    self._refuse(str(error))
                else:
                    for message in run:
                        fresh |= self._take_frames([message])
        return fresh

    def _refuse(self, why: str) -> None:
        self._refused += 1
        self._frames.last_refusal = why

    def _answer(self, request: Request) -> dict[str, Any] | Future[dict[str, Any]]:
        if request.op == "source":
            return self._ask_source(request.args)
        if request.op in LONG:
            if self._search is not None and not self._search.done():
                raise ValueError("the search asked for before is still under way: ask again soon")
            search = self._worker.submit(begin(self._processing, request.op, request.args))
            self._search = search
            return search
        return answer(self._processing, request.op, request.args, time.monotonic())

    def _ask_source(self, args: dict[str, Any]) -> dict[str, Any]:
        """Pass a request on to the source's own control socket."""
        endpoint = self._processing.source_control
        if endpoint is None:
            raise ValueError("the source has no control socket: it cannot be asked anything")
        op, arguments = args.get("op"), args.get("args", {})
        if not isinstance(op, str) or not isinstance(arguments, dict):
            raise ValueError('source takes {"op": name, "args": {...}}, got ' + repr(args)[:200])
        with ControlClient(beside(endpoint, self._frames.address), timeout_s=0.5) as client:
            return client.request(op, arguments)
