"""The two threads that talk to the processing node, so that the window never waits for it."""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable

from livefit.wire.messages import Message
from livefit.wire.sockets import ControlClient, EndpointError, Subscriber

TOPICS = ("results", "pose")
POLL_S = 0.1
"""How long a thread waits before it looks whether it is to stop."""


class Receiver:
    """A thread that owns the subscriber and keeps the newest message of each topic.

    Parameters
    ----------
    endpoint
        Where the node publishes its results.
    clock
        Stamps each message on its arrival, s.
    """

    def __init__(self, endpoint: str, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._endpoint = endpoint
        self._clock = clock
        self._newest: dict[str, deque[tuple[Message, float]]] = {t: deque(maxlen=1) for t in TOPICS}
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
        """The newest message of each topic that has not been taken yet, with its arrival."""
        out = []
        for kept in self._newest.values():
            try:
                out.append(kept.pop())
            except IndexError:
                continue
        return out

    def _run(self) -> None:
        try:
            with Subscriber(self._endpoint, TOPICS, display=True) as subscriber:
                while not self._stop.is_set():
                    self._receive(subscriber)
        except EndpointError as error:
            self.fault = str(error)

    def _receive(self, subscriber: Subscriber) -> None:
        refused = subscriber.refused
        received = subscriber.poll(POLL_S)
        arrived = self._clock()
        for topic, message in received:
            self._newest[topic].append((message, arrived))
        self.received += len(received)
        if received:
            self.fault = None
        elif subscriber.refused > refused:
            self.fault = subscriber.last_refusal


class Commander:
    """A thread that sends requests to the node, one after the other.

    Parameters
    ----------
    endpoint
        The node's control address.
    timeout_s
        How long to wait for an answer.
    """

    def __init__(self, endpoint: str, *, timeout_s: float = 1.0) -> None:
        self._endpoint = endpoint
        self._timeout_s = timeout_s
        self._asked: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[tuple[str, str | None]] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="commander", daemon=True)

    def start(self) -> None:
        """Begin to wait for requests."""
        self._thread.start()

    def stop(self) -> None:
        """End after the request under way; what is still to be asked is dropped."""
        self._stop.set()
        self._asked.put(None)
        self._thread.join()

    def send(self, op: str) -> None:
        """Ask the node for ``op``; returns at once."""
        self._asked.put(op)

    def take(self) -> list[tuple[str, str | None]]:
        """Requests answered since the last call, each with None or the reason of its refusal."""
        out = []
        while not self._answers.empty():
            out.append(self._answers.get())
        return out

    def _run(self) -> None:
        while (op := self._asked.get()) is not None and not self._stop.is_set():
            self._answers.put((op, self._ask(op)))

    def _ask(self, op: str) -> str | None:
        try:
            with ControlClient(self._endpoint, timeout_s=self._timeout_s) as client:
                client.request(op)
        except (ValueError, OSError) as error:
            return str(error)
        return None
