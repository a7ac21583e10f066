"""The sockets that messages travel on; only this package knows ZeroMQ.

Every publisher, subscriber and control socket is a context manager, closes without lingering and
is used from one thread. :class:`Waiter` and :func:`wait` wait for several of them at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import zmq

from livefit.wire.codec import NAMES, TOPICS, PackedRows, WireError, decode, encode
from livefit.wire.control import ControlClient, ControlServer, RefusedError
from livefit.wire.endpoints import (
    CONTROL_ENDPOINT,
    FRAMES_ENDPOINT,
    RESULTS_ENDPOINT,
    SOURCE_CONTROL_ENDPOINT,
    Address,
    Endpoint,
    EndpointError,
    Listening,
    Waiter,
    beside,
    milliseconds,
    wait,
)
from livefit.wire.guard import LIMITS, Limits, readable
from livefit.wire.messages import Message
from livefit.wire.unread import SourceWatch

__all__ = [
    "CONTROL_ENDPOINT",
    "FRAMES_ENDPOINT",
    "LIMITS",
    "RESULTS_ENDPOINT",
    "SOURCE_CONTROL_ENDPOINT",
    "ControlClient",
    "ControlServer",
    "EndpointError",
    "Limits",
    "Publisher",
    "RefusedError",
    "Subscriber",
    "Waiter",
    "beside",
    "wait",
]

FRAMES_HWM: Final = 10_000
"""Messages kept for a slow processing node: 50 s at 200 Hz, one frame a message."""
RECEIVING_HWM: Final = 1_000
"""Messages kept by a listener that is behind; past that the sender keeps them."""
DISPLAY_HWM: Final = 50
DISPLAY_BUFFER: Final = 64 * 1024
"""Bytes of socket buffer for displays: two snapshots, so that one goes out in one piece; with the
mark above a display that takes all there is, however seldom, stays less than 1 s behind."""
LOSSLESS_HWM: Final = 100
SUBSCRIPTIONS_HWM: Final = 16
"""Subscriptions of one connection that ZeroMQ takes in before it looks at the others."""
MAX_SUBSCRIPTION_BYTES: Final = 1_024
"""Room for the handshake, the longest thing that a listener has to say."""
DRAIN: Final = 1_000
"""Messages that one poll returns at most, so that a fast sender cannot hold its reader."""

JOINED, LEFT = b"\x01", b"\x00"
"""How an event on a publisher's socket begins; the topic follows."""


class Publisher(Listening):
    """Sends messages to whoever listens.

    Parameters
    ----------
    endpoint
        Where to listen; port 0 or ``*`` takes a free one.
    cached
        Topics whose last message every new listener gets at once.
    display
        Keep little for a slow listener: what it misses is old anyway.
    lossless
        Lose nothing: :meth:`publish` refuses a message while a listener is behind, and closing
        waits for what is under way.
    limits
        What to put up with from listeners.

    Attributes
    ----------
    endpoint
        The real address.
    """

    def __init__(
        self,
        endpoint: str,
        *,
        cached: Iterable[str] = (),
        display: bool = False,
        lossless: bool = False,
        limits: Limits = LIMITS,
    ) -> None:
        hwm = DISPLAY_HWM if display else LOSSLESS_HWM if lossless else FRAMES_HWM
        options: dict[int, int] = {
            zmq.SNDHWM: hwm,
            zmq.RCVHWM: SUBSCRIPTIONS_HWM,
            zmq.MAXMSGSIZE: MAX_SUBSCRIPTION_BYTES,
            zmq.XPUB_VERBOSER: 1,
            zmq.XPUB_NODROP: int(lossless),
            zmq.SNDTIMEO: 20 if lossless else 0,
        }
        if display:
            options[zmq.SNDBUF] = DISPLAY_BUFFER
        super().__init__(zmq.XPUB, options, endpoint, limits)
        self._cached = frozenset(cached)
        self._last: dict[str, bytes] = {}
        self._owed: set[str] = set()
        self._rows = PackedRows()
        self.endpoint = self._open(self.socket.bind)
        self._lossless = lossless
        self._linger_ms = 5_000 if lossless else 0

    def publish(self, message: Message) -> bool:
        """Send a message under its topic, after what new listeners are owed.

        Returns
        -------
        bool
            False if a lossless publisher's listener is behind: the message was not sent, offer it
            again. Otherwise True.
        """
        topic = NAMES[type(message)]
        self.serve()
        if not self._lossless and topic not in self._cached and not self.listeners(topic):
            return True
        raw = encode(message, self._rows)
        if topic in self._cached:
            self._last[topic] = raw
        return not self._owed and self._send(topic, raw)

    def publish_raw(self, topic: str, raw: bytes) -> bool:
        """Send bytes as they are, also such as no message is, to try out whoever listens.

        Returns
        -------
        bool
            As from :meth:`publish`.
        """
        self.serve()
        return not self._owed and self._send(topic, raw)

    def serve(self) -> None:
        """Note who came and who left, and send newcomers the last message of cached topics."""
        self.guard.serve()
        for _ in range(DRAIN):
            if not readable(self.socket):
                break
            self._note(self.socket.recv(copy=False))
        self._owed = {topic for topic in self._owed if not self._send(topic, self._last[topic])}

    def listeners(self, topic: str) -> int:
        """Return how many subscriptions to a topic there are, as of the last :meth:`serve`."""
        return sum(
            topic.startswith(prefix) for peer in self.guard.peers.values() for prefix in peer.topics
        )

    def _note(self, event: zmq.Frame) -> None:
        """Note the beginning or end of a subscription; of a lost connection the guard knows."""
        sender = self.guard.peer(event)
        if sender is None:
            return
        number, peer = sender
        peer.unread.read()
        raw = event.bytes
        prefix = raw[1:].decode("utf-8", "replace")
        if not self.guard.within_rate(peer):
            self.guard.strike(number, peer, "subscriptions in too quick a succession")
        elif raw[:1] == LEFT:
            peer.topics.discard(prefix)
        elif raw[:1] == JOINED and any(topic.startswith(prefix) for topic in TOPICS):
            peer.topics.add(prefix)
            self._owed.update(topic for topic in self._last if topic.startswith(prefix))
        else:
            self.guard.strike(number, peer, "a subscription to a topic that there is not")

    def _send(self, topic: str, raw: bytes) -> bool:
        try:
            self.socket.send_multipart([topic.encode(), raw])
        except zmq.Again:
            return False
        return True


class Subscriber(Endpoint):
    """Receives the messages of some topics, and survives whatever else comes.

    Attributes
    ----------
    address
        As it was given, with the names of the keys.
    refused
        Messages that did not follow the protocol.
    last_refusal
        What was wrong with the latest of them.
    """

    def __init__(self, endpoint: str, topics: Sequence[str], *, display: bool = False) -> None:
        options: dict[int, int] = {zmq.RCVHWM: RECEIVING_HWM}
        if display:
            options = {zmq.RCVHWM: DISPLAY_HWM, zmq.RCVBUF: DISPLAY_BUFFER}
        unknown = sorted(set(topics) - set(TOPICS))
        if unknown:
            known = ", ".join(TOPICS)
            raise ValueError(f"there is no topic {', '.join(unknown)}; the topics are {known}")
        super().__init__(zmq.SUB, options, Address.connecting(endpoint))
        for topic in sorted(topics):
            self.socket.subscribe(topic)
        self.address = endpoint
        self.refused = 0
        self.last_refusal: str | None = None
        self._watch = SourceWatch(self.socket, self._context)
        self.endpoint = self._open(self.socket.connect)

    def poll(self, timeout_s: float = 0.0) -> list[tuple[str, Message]]:
        """Wait for a message, then return all that are there, oldest first.

        Anything mangled is counted in ``refused`` and left out.
        """
        return [(topic, message) for topic, message, _ in self.poll_raw(timeout_s)]

    def poll_raw(self, timeout_s: float = 0.0) -> list[tuple[str, Message, bytes]]:
        """Like :meth:`poll`, each message also in the very bytes in which it came."""
        received: list[tuple[str, Message, bytes]] = []
        if self._watch.check():
            self.refused += 1
            self.last_refusal = "a message without an end: the connection was made anew"
        if timeout_s > 0:
            self.socket.poll(milliseconds(timeout_s))
        for _ in range(DRAIN):
            if not readable(self.socket):
                break
            parts = self.socket.recv_multipart()
            self._watch.read()
            try:
                received.append((*_message(parts), parts[-1]))
            except WireError as error:
                self.refused += 1
                self.last_refusal = str(error)
        return received

    def close(self) -> None:
        """Close the socket; closing twice does nothing."""
        self._watch.close()
        super().close()


def _message(parts: Sequence[bytes]) -> tuple[str, Message]:
    if len(parts) != 2:
        raise WireError("?", "", "two parts, topic and message", f"{len(parts)}")
    topic = parts[0].decode("utf-8", "replace")
    if topic not in TOPICS:
        raise WireError(topic, "", f"one of {', '.join(TOPICS)}", "a topic this protocol has not")
    return topic, decode(TOPICS[topic], parts[1])
