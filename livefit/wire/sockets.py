"""The sockets that messages travel on; the only place that knows ZeroMQ.

Every publisher, subscriber and control socket is a context manager, closes without lingering and
is used from one thread. :func:`wait` waits for several of them at once.
"""

from __future__ import annotations

import errno
import math
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from types import TracebackType
from typing import Any, Final, Self

import zmq

from livefit.wire.codec import NAMES, TOPICS, WireError, decode, encode
from livefit.wire.messages import Message, Reply, Request

FRAMES_ENDPOINT: Final = "tcp://127.0.0.1:47800"
RESULTS_ENDPOINT: Final = "tcp://127.0.0.1:47801"
CONTROL_ENDPOINT: Final = "tcp://127.0.0.1:47802"
SOURCE_CONTROL_ENDPOINT: Final = "tcp://127.0.0.1:47803"

FRAMES_HWM: Final = 10_000
"""Messages kept for a slow processing node: 50 s at 200 Hz, one frame a message."""
DISPLAY_HWM: Final = 50
DISPLAY_BUFFER: Final = 16 * 1024
"""Bytes of socket buffer for displays; with the mark above a slow one stays under 1 s behind."""
LOSSLESS_HWM: Final = 100

HEARTBEAT_MS: Final = 500
HEARTBEAT_TIMEOUT_MS: Final = 1_500
RECONNECT_MS: Final = 10
RECONNECT_MAX_MS: Final = 200
DRAIN: Final = 1_000
"""Messages that one poll returns at most, so that a fast sender cannot hold its reader."""

JOINED, LEFT = b"\x01", b"\x00"
"""How an event on a publisher's socket begins; the topic follows."""


class EndpointError(OSError):
    """An address that cannot be used."""


def _no_address(endpoint: str, why: str) -> EndpointError:
    return EndpointError(
        f"cannot use the address {endpoint!r}: {why}. Expected something like {FRAMES_ENDPOINT}"
    )


class _Endpoint:
    """What all sockets share: a context of their own, opening, closing."""

    def __init__(self, kind: int, options: dict[int, int]) -> None:
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._linger_ms = 0
        self.socket = self._context.socket(kind)
        common = {
            zmq.LINGER: 0,
            zmq.MAXMSGSIZE: 16 * 2**20,
            zmq.HEARTBEAT_IVL: HEARTBEAT_MS,
            zmq.HEARTBEAT_TIMEOUT: HEARTBEAT_TIMEOUT_MS,
            zmq.RECONNECT_IVL: RECONNECT_MS,
            zmq.RECONNECT_IVL_MAX: RECONNECT_MAX_MS,
        }
        for option, value in (common | options).items():
            self.socket.setsockopt(option, value)

    def _open(self, how: Callable[[str], object], endpoint: str) -> str:
        """Bind or connect, and return the real address."""
        try:
            # ZeroMQ reads 80x as 80, and 70000 as 4464.
            port = endpoint.rpartition(":")[2]
            if endpoint.startswith("tcp://") and port != "*" and not 0 <= int(port) < 65_536:
                raise ValueError(f"there is no port {port}")
            how(endpoint)
        except ValueError as error:
            self.close()
            raise _no_address(endpoint, str(error)) from error
        except zmq.ZMQError as error:
            self.close()
            if error.errno == errno.EADDRINUSE:
                raise EndpointError(
                    f"cannot listen on {endpoint}: the address is in use. Another process of this "
                    "program is probably running: end it, or choose another address"
                ) from error
            raise _no_address(endpoint, error.strerror) from error
        return self.socket.getsockopt_string(zmq.LAST_ENDPOINT)

    def close(self) -> None:
        """Close the socket; closing twice does nothing."""
        if not self.socket.closed:
            self.socket.close(linger=self._linger_ms)
            self._context.term()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


class Publisher(_Endpoint):
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
    ) -> None:
        hwm = DISPLAY_HWM if display else LOSSLESS_HWM if lossless else FRAMES_HWM
        options: dict[int, int] = {
            zmq.SNDHWM: hwm,
            zmq.XPUB_VERBOSER: 1,
            zmq.XPUB_NODROP: int(lossless),
            zmq.SNDTIMEO: 20 if lossless else 0,
        }
        super().__init__(zmq.XPUB, options | ({zmq.SNDBUF: DISPLAY_BUFFER} if display else {}))
        self._cached = frozenset(cached)
        self._last: dict[str, bytes] = {}
        self._owed: set[str] = set()
        self._listeners: Counter[str] = Counter()
        self.endpoint = self._open(self.socket.bind, endpoint)
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
        raw = encode(message)
        self.serve()
        if topic in self._cached:
            self._last[topic] = raw
        return not self._owed and self._send(topic, raw)

    def serve(self) -> None:
        """Note who came and who left, and send newcomers the last message of cached topics."""
        while self.socket.poll(0, zmq.POLLIN):
            event = self.socket.recv()
            if event[:1] not in (JOINED, LEFT):
                continue
            prefix = event[1:].decode("utf-8", "replace")
            self._listeners[prefix] += 1 if event[:1] == JOINED else -1
            if event[:1] == JOINED:
                self._owed.update(topic for topic in self._last if topic.startswith(prefix))
        self._owed = {topic for topic in self._owed if not self._send(topic, self._last[topic])}

    def listeners(self, topic: str) -> int:
        """Return how many subscriptions to a topic there are, as of the last :meth:`serve`."""
        return sum(n for prefix, n in self._listeners.items() if topic.startswith(prefix))

    def _send(self, topic: str, raw: bytes) -> bool:
        try:
            self.socket.send_multipart([topic.encode(), raw])
        except zmq.Again:
            return False
        return True


class Subscriber(_Endpoint):
    """Receives the messages of some topics, and survives whatever else comes.

    Attributes
    ----------
    refused
        Messages that did not follow the protocol.
    last_refusal
        What was wrong with the latest of them.
    """

    def __init__(self, endpoint: str, topics: Sequence[str], *, display: bool = False) -> None:
        options: dict[int, int] = {zmq.RCVHWM: FRAMES_HWM}
        if display:
            options = {zmq.RCVHWM: DISPLAY_HWM, zmq.RCVBUF: DISPLAY_BUFFER}
        super().__init__(zmq.SUB, options)
        unknown = sorted(set(topics) - set(TOPICS))
        if unknown:
            self.close()
            known = ", ".join(TOPICS)
            raise ValueError(f"there is no topic {', '.join(unknown)}; the topics are {known}")
        for topic in sorted(topics):
            self.socket.subscribe(topic)
        self.refused = 0
        self.last_refusal: str | None = None
        self.endpoint = self._open(self.socket.connect, endpoint)

    def poll(self, timeout_s: float = 0.0) -> list[tuple[str, Message]]:
        """Wait for a message, then return all that are there, oldest first.

        Anything mangled is counted in ``refused`` and left out.
        """
        received: list[tuple[str, Message]] = []
        if not self.socket.poll(_ms(timeout_s)):
            return received
        for _ in range(DRAIN):
            try:
                parts = self.socket.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                break
            try:
                received.append(_message(parts))
            except WireError as error:
                self.refused += 1
                self.last_refusal = str(error)
        return received


class ControlServer(_Endpoint):
    """Answers requests, one at a time."""

    def __init__(self, endpoint: str) -> None:
        super().__init__(zmq.ROUTER, {})
        self.endpoint = self._open(self.socket.bind, endpoint)

    def poll(self, handler: Callable[[Request], dict[str, Any]], timeout_s: float = 0.0) -> int:
        """Wait for a request, then answer all that are there, and return how many.

        Parameters
        ----------
        handler
            Does what a request asks and returns the result. ``ValueError`` and ``TimeoutError``
            become the reply's error. Any other exception is answered and raised again.
        timeout_s
            How long to wait for the first, s.
        """
        if not self.socket.poll(_ms(timeout_s)):
            return 0
        answered = 0
        while answered < DRAIN:
            try:
                parts = self.socket.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                break
            end = parts.index(b"") + 1 if b"" in parts else 1
            envelope, body = parts[:end], parts[end:]
            answered += 1
            try:
                raw = encode(Reply(ok=True, result=handler(_request(body))))
            except (ValueError, TimeoutError) as error:
                raw = encode(Reply(ok=False, error=str(error)))
            except Exception:
                raw = encode(Reply(ok=False, error="the program failed on this; see its log"))
                self.socket.send_multipart([*envelope, raw])
                raise
            self.socket.send_multipart([*envelope, raw])
        return answered


class RefusedError(ValueError):
    """The other side understood a request and said no; the text is its own."""


class ControlClient(_Endpoint):
    """Sends requests and waits for their replies."""

    def __init__(self, endpoint: str, *, timeout_s: float = 1.0) -> None:
        self.timeout_s = timeout_s
        # IMMEDIATE: a request that nobody took must not be carried out when somebody comes.
        options: dict[int, int] = {zmq.REQ_RELAXED: 1, zmq.REQ_CORRELATE: 1, zmq.IMMEDIATE: 1}
        super().__init__(zmq.REQ, options)
        self.endpoint = endpoint
        self._open(self.socket.connect, endpoint)

    def request(self, op: str, args: dict[str, Any] | None = None) -> dict[str, Any]:
        """Ask for something and return the result.

        Raises
        ------
        RefusedError
            If the other side says no.
        TimeoutError
            If there is no answer within ``timeout_s``.
        WireError
            If the request or the answer does not follow the protocol.
        """
        raw = encode(Request(op=op, args=args or {}))
        deadline = time.monotonic() + self.timeout_s
        if not self.socket.poll(_ms(self.timeout_s), zmq.POLLOUT):
            raise self._silent(op)
        self.socket.send(raw)
        if not self.socket.poll(_ms(deadline - time.monotonic())):
            raise self._silent(op)
        reply = decode(Reply, self.socket.recv())
        if not reply.ok:
            raise RefusedError(reply.error or f"{op!r} was refused without a reason")
        return reply.result

    def _silent(self, op: str) -> TimeoutError:
        return TimeoutError(
            f"no answer to {op!r} from {self.endpoint} within {self.timeout_s:g} s: "
            "is the process that should answer there running? Start it, or correct the address"
        )


def wait(endpoints: Sequence[_Endpoint], timeout_s: float) -> bool:
    """Wait until one of the sockets has something to receive; False if none had in time."""
    poller = zmq.Poller()
    for endpoint in endpoints:
        poller.register(endpoint.socket, zmq.POLLIN)
    return bool(poller.poll(_ms(timeout_s)))


def _ms(seconds: float) -> int:
    """Return a time-out in ms, never negative: to ZeroMQ that would mean for ever."""
    return max(0, math.ceil(1000 * seconds))


def _message(parts: Sequence[bytes]) -> tuple[str, Message]:
    if len(parts) != 2:
        raise WireError("?", "", "two parts, topic and message", f"{len(parts)}")
    topic = parts[0].decode("utf-8", "replace")
    if topic not in TOPICS:
        raise WireError(topic, "", f"one of {', '.join(TOPICS)}", "a topic this protocol has not")
    return topic, decode(TOPICS[topic], parts[1])


def _request(body: Sequence[bytes]) -> Request:
    if len(body) != 1:
        raise WireError("request", "", "one part after the empty one", f"{len(body)}")
    return decode(Request, body[0])
