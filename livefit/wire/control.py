"""Control sockets: requests and their replies."""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from functools import partial
from typing import Any, Final

import zmq

from livefit.wire.codec import WireError, decode, encode
from livefit.wire.endpoints import Address, Endpoint, EndpointError, Listening, milliseconds, wait
from livefit.wire.guard import LIMITS, Limits, Peer, readable
from livefit.wire.messages import Reply, Request

DRAIN: Final = 1_000
"""Requests that one poll answers at most."""
MAX_REQUEST_BYTES: Final = 64 * 1024
REQUESTS_HWM: Final = 32
"""Requests of one connection that wait."""
REPLIES_HWM: Final = 16
"""Replies kept for one that does not take them."""
REPLY_MS: Final = 20
"""How long to wait for room for one."""

KEYS_HINT: Final = {
    True: ". Does it know this machine's key, and is the key behind the # its own?",
    False: ". If it listens with keys, name its key: ADDRESS#NAME",
}
"""What to add where keys may be the reason."""


Handler = Callable[[Request], "dict[str, Any] | Future[dict[str, Any]]"]


class ControlServer(Listening):
    """Answers requests, one at a time."""

    def __init__(self, endpoint: str, *, limits: Limits = LIMITS) -> None:
        options: dict[int, int] = {
            zmq.RCVHWM: REQUESTS_HWM,
            zmq.SNDHWM: REPLIES_HWM,
            zmq.MAXMSGSIZE: MAX_REQUEST_BYTES,
            # ZeroMQ would drop what has no room without a word, also where it is late to see that
            # there is room again.
            zmq.ROUTER_MANDATORY: 1,
            zmq.SNDTIMEO: REPLY_MS,
        }
        super().__init__(zmq.ROUTER, options, endpoint, limits)
        self.endpoint = self._open(self.socket.bind)
        self._later: list[tuple[list[bytes], int, Future[dict[str, Any]]]] = []

    def poll(self, handler: Handler, timeout_s: float = 0.0) -> int:
        """Wait for a request, then answer all that are there, and return how many.

        Parameters
        ----------
        handler
            Does what a request asks and returns the result, or a future of it: that is answered by
            the first poll after it is done, other requests meanwhile. ``ValueError``,
            ``TimeoutError`` and ``EndpointError`` become the reply's error. Any other exception is
            answered and raised again.
        timeout_s
            How long to wait for the first, s.
        """
        self.guard.serve()
        self._send_what_is_done()
        if not readable(self.socket) and not (timeout_s > 0 and wait([self], timeout_s)):
            return 0
        answered = 0
        end = time.monotonic() + self.guard.limits.control_s
        while answered < DRAIN and (not answered or time.monotonic() < end):
            try:
                frames = self.socket.recv_multipart(zmq.NOBLOCK, copy=False)
            except zmq.Again:
                break
            sender = self.guard.peer(frames[0])
            if sender is None:
                continue
            parts = [frame.bytes for frame in frames]
            sender[1].unread.read()
            end_of_envelope = parts.index(b"") + 1 if b"" in parts else 1
            answered += 1
            envelope, body = parts[:end_of_envelope], parts[end_of_envelope:]
            self._answer(envelope, sender[0], partial(self._result, handler, body, *sender))
        return answered

    def _send_what_is_done(self) -> None:
        done = [each for each in self._later if each[2].done()]
        self._later = [each for each in self._later if not each[2].done()]
        for envelope, number, future in done:
            self._answer(envelope, number, future.result)

    def _answer(
        self,
        envelope: list[bytes],
        number: int,
        result: Callable[[], dict[str, Any] | Future[dict[str, Any]]],
    ) -> None:
        """Send what a request comes to, or keep its envelope until that is known."""
        reply, fault = _reply(result)
        if isinstance(reply, Future):
            self._later.append((envelope, number, reply))
            return
        self._send([*envelope, reply], number)
        if fault is not None:
            raise fault

    def _send(self, parts: Sequence[bytes], number: int) -> None:
        try:
            self.socket.send_multipart(parts)
        except zmq.Again:
            self.guard.cut(number, "a peer that does not take its replies")
        except zmq.ZMQError as error:
            if error.errno != errno.EHOSTUNREACH:  # it is gone
                raise

    def _result(
        self, handler: Handler, body: Sequence[bytes], number: int, peer: Peer
    ) -> dict[str, Any] | Future[dict[str, Any]]:
        """What the handler makes of a request that may be made."""
        if not self.guard.within_rate(peer):
            self.guard.strike(number, peer, "requests in too quick a succession")
            raise ValueError(
                f"at most {self.guard.limits.rate_hz:g} requests a second are answered; "
                "ask less often"
            )
        try:
            request = _request(body)
        except WireError:
            self.guard.strike(number, peer, "a request that does not follow the protocol")
            raise
        if why := self.guard.may(peer, request.op):
            self.guard.refuse("a request that the key gives no right to", str(peer))
            raise ValueError(why)
        return handler(request)


def _reply(
    result: Callable[[], dict[str, Any] | Future[dict[str, Any]]],
) -> tuple[bytes | Future[dict[str, Any]], Exception | None]:
    """The answer to one request, and what the program itself did wrong."""
    try:
        found = result()
        if isinstance(found, Future):
            return found, None
        return encode(Reply(ok=True, result=found)), None
    except (ValueError, TimeoutError, EndpointError) as error:
        return encode(Reply(ok=False, error=str(error))), None
    except Exception as error:
        return encode(Reply(ok=False, error="the program failed on this; see its log")), error


class RefusedError(ValueError):
    """The other side understood a request and said no; the text is its own."""


class ControlClient(Endpoint):
    """Sends requests and waits for their replies."""

    def __init__(self, endpoint: str, *, timeout_s: float = 1.0) -> None:
        self.timeout_s = timeout_s
        # IMMEDIATE: a request that nobody took must not be carried out when somebody comes.
        options: dict[int, int] = {zmq.REQ_RELAXED: 1, zmq.REQ_CORRELATE: 1, zmq.IMMEDIATE: 1}
        super().__init__(zmq.REQ, options, Address.connecting(endpoint))
        self.endpoint = endpoint
        self._open(self.socket.connect)

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
        if len(raw) > MAX_REQUEST_BYTES:
            raise WireError("request", "", f"at most {MAX_REQUEST_BYTES} bytes", f"{len(raw)}")
        deadline = time.monotonic() + self.timeout_s
        if not self.socket.poll(milliseconds(self.timeout_s), zmq.POLLOUT):
            raise self._silent(op)
        self.socket.send(raw)
        if not self.socket.poll(milliseconds(deadline - time.monotonic())):
            raise self._silent(op)
        reply = decode(Reply, self.socket.recv())
        if not reply.ok:
            raise RefusedError(reply.error or f"{op!r} was refused without a reason")
        return reply.result

    def tell(self, op: str, args: dict[str, Any]) -> bool:
        """Send a request whose answer does not matter, and never wait; False: nobody took it.

        The answer, if one comes, is left behind with the next request.
        """
        try:
            self.socket.send(encode(Request(op=op, args=args)), zmq.NOBLOCK)
        except zmq.Again:
            return False
        return True

    def _silent(self, op: str) -> TimeoutError:
        return TimeoutError(
            f"no answer to {op!r} from {self.endpoint} within {self.timeout_s:g} s: "
            "is the process that should answer there running? Start it, or correct the address"
            + KEYS_HINT[self.secure]
        )


def _request(body: Sequence[bytes]) -> Request:
    if len(body) != 1:
        raise WireError("request", "", "one part after the empty one", f"{len(body)}")
    return decode(Request, body[0])
