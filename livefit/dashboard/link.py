"""The threads that talk to the processing node, so that the window never waits for it."""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from livefit.view.asking import Ask
from livefit.view.estimating import INTO_BANDS, PREDICT
from livefit.wire.messages import Message
from livefit.wire.sockets import ControlClient, EndpointError, Subscriber

NEWEST = ("results", "pose", "cycles", "changes", "baseline", "bicycle")
"""Topics of which only the newest message counts."""
STROKES = "strokes"
"""The topic of which every message counts."""
STROKES_KEPT = 4_000
SLOW = (PREDICT, INTO_BANDS)
"""Requests that the node may need longer for."""
SLOW_S = 8.0
"""How long an answer to them is waited for."""
POLL_S = 0.1
"""How long a thread waits before it looks whether it is to stop."""


class Receiver:
    """A thread that owns the subscriber and keeps what has not been taken yet.

    That is the newest message of each topic, and of strokes the last few thousand.

    Parameters
    ----------
    endpoint
        Where the node publishes its results.
    topics
        What to listen to.
    clock
        Stamps each message on its arrival, s.
    """

    def __init__(
        self,
        endpoint: str,
        topics: Sequence[str] = (*NEWEST, STROKES),
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._endpoint = endpoint
        self._clock = clock
        self._kept: dict[str, deque[tuple[Message, float]]] = {
            topic: deque(maxlen=STROKES_KEPT if topic == STROKES else 1) for topic in topics
        }
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="receiver", daemon=True)
        self.received = 0
        """Messages that have come in so far."""
        self.fault: str | None = None
        """In words, why nothing comes in, if it is known."""

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def stop(self) -> None:
        """Stop listening and close the socket."""
        self._stop.set()
        self._thread.join()

    def take(self) -> list[tuple[Message, float]]:
        """What has come since the last call, with its arrival: strokes last, oldest first."""
        out = []
        for kept in self._kept.values():
            # Only what is there now: the thread goes on adding.
            for _ in range(len(kept)):
                try:
                    out.append(kept.popleft())
                except IndexError:
                    break
        return out

    def _run(self) -> None:
        try:
            with Subscriber(self._endpoint, [*self._kept], display=True) as subscriber:
                while not self._stop.is_set():
                    self._receive(subscriber)
        except EndpointError as error:
            self.fault = str(error)

    def _receive(self, subscriber: Subscriber) -> None:
        refused = subscriber.refused
        received = subscriber.poll(POLL_S)
        arrived = self._clock()
        for topic, message in received:
            self._kept[topic].append((message, arrived))
        self.received += len(received)
        if received:
            self.fault = None
        elif subscriber.refused > refused:
            self.fault = subscriber.last_refusal


@dataclass(frozen=True)
class Answered:
    """A request and what came of it: a result, or in words why there is none."""

    ask: Ask
    result: dict[str, Any]
    error: str | None = None


class Commander:
    """Threads that send requests to the node, one after the other.

    Requests of `SLOW` have a thread of their own: a mark must not wait for them.

    Parameters
    ----------
    endpoint
        The node's control address.
    timeout_s
        How long to wait for an answer.
    """

    def __init__(self, endpoint: str, *, timeout_s: float = 1.0) -> None:
        self._endpoint = endpoint
        self._lanes: dict[bool, queue.SimpleQueue[Ask | None]] = {
            slow: queue.SimpleQueue() for slow in (False, True)
        }
        self._answers: queue.SimpleQueue[Answered] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._threads = [
            threading.Thread(target=self._run, args=args, name="commander", daemon=True)
            for args in ((self._lanes[False], timeout_s), (self._lanes[True], SLOW_S))
        ]

    def start(self) -> None:
        """Begin to wait for requests."""
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End after the request under way; what is still to be asked is dropped."""
        self._stop.set()
        for lane in self._lanes.values():
            lane.put(None)
        for thread in self._threads:
            thread.join()

    def send(self, op: str, args: Mapping[str, Any] | None = None) -> None:
        """Ask the node for ``op``; returns at once."""
        self._lanes[op in SLOW].put(Ask(op, dict(args or {})))

    def take(self) -> list[Answered]:
        """Requests answered since the last call."""
        out = []
        while not self._answers.empty():
            out.append(self._answers.get())
        return out

    def _run(self, lane: queue.SimpleQueue[Ask | None], timeout_s: float) -> None:
        while (ask := lane.get()) is not None and not self._stop.is_set():
            self._answers.put(self._answered(ask, timeout_s))

    def _answered(self, ask: Ask, timeout_s: float) -> Answered:
        try:
            with ControlClient(self._endpoint, timeout_s=timeout_s) as client:
                return Answered(ask, client.request(ask.op, ask.args))
        except (ValueError, OSError) as error:
            return Answered(ask, {}, str(error))
