"""Who is connected to a socket that listens, whether they may be, and how much they may ask.

A hostile or broken peer is cut off; it costs the others nothing. Everything happens in the thread
that owns the socket: the IO thread of ZeroMQ holds a newcomer back until it was decided on
(rfc.zeromq.org/spec/27).
"""

from __future__ import annotations

import contextlib
import logging
import socket as tcp
import struct
import time
from collections import Counter
from dataclasses import dataclass, field
from typing import Final

import zmq
from zmq.utils import z85

from livefit.wire.keys import KeyRing, KeysError, Known
from livefit.wire.unread import AGAIN_S, EVERY_S, MONITOR_HWM, Unread, connection

log = logging.getLogger(__name__)

ZAP_ENDPOINT: Final = "inproc://zeromq.zap.01"
ZAP_VERSION: Final = b"1.0"
DOMAIN: Final = b"livefit"

WATCHING: Final = ("status", "history")
"""What a key that is for watching only may ask for."""

RELOAD_S: Final = 1.0
"""How old the list of allowed keys may be."""
LOGGED: Final = 50
"""Different refusals that are logged; all are counted."""
_DRAIN: Final = 1_000

_EVENTS: Final = (
    zmq.EVENT_ACCEPTED | zmq.EVENT_DISCONNECTED | zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL
    | zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL
)  # fmt: skip


# Plain integers: pyzmq's flags take longer than the question.
_STATE: Final = int(zmq.EVENTS)
_TO_RECEIVE: Final = int(zmq.POLLIN)


@dataclass(frozen=True)
class Limits:
    """What one listening socket puts up with."""

    connections: int = 128
    connections_per_host: int = 64
    rate_hz: float = 100.0
    """Requests, or subscriptions and their ends, from one connection in the long run."""
    burst: int = 200
    """And at once."""
    strikes: int = 32
    """Offences of one connection, without a moment's rest between them, until it is cut."""
    control_s: float = 0.01
    """Time for requests before it is the turn of something else; one is always answered."""
    unread_bytes: int = 8 * 2**20
    """What one connection may send while no message of it can be read, because none is whole."""


LIMITS: Final = Limits()


@dataclass
class Peer:
    """One connection."""

    host: str
    tokens: float
    filled: float
    unread: Unread
    topics: set[str] = field(default_factory=set)
    key: bytes = b""
    """Public key, by which alone a peer is known; empty without keys."""
    name: str = ""
    strikes: int = 0

    def __str__(self) -> str:
        """Return what a refusal calls it."""
        return self.name or self.host


def readable(socket: zmq.Socket[bytes]) -> bool:
    """Say whether there is something to receive; a fraction of what polling costs."""
    return int(socket.getsockopt(_STATE)) & _TO_RECEIVE != 0


class Guard:
    """Watches the connections of one socket that listens.

    Parameters
    ----------
    socket, context
        Of the socket; before it is bound.
    ring
        Whom to let in; None: everybody, unasked.
    limits
        What to put up with.

    Attributes
    ----------
    zap
        Where ZeroMQ asks about newcomers; None without keys.
    peers
        Those connected, by file descriptor.
    refused
        How often what was refused.
    """

    def __init__(
        self,
        socket: zmq.Socket[bytes],
        context: zmq.Context[zmq.Socket[bytes]],
        ring: KeyRing | None,
        limits: Limits,
    ) -> None:
        self.limits = limits
        self.peers: dict[int, Peer] = {}
        self.refused: Counter[str] = Counter()
        self.zap: zmq.Socket[bytes] | None = None
        self._logged: set[tuple[str, str]] = set()
        self._socket = socket
        self._ring = ring
        self._allowed: dict[bytes, Known] = {}
        self._read_at = self._look_at = time.monotonic()
        if ring is not None:
            self._allowed = ring.allowed()
            self.zap = context.socket(zmq.REP)
            self.zap.linger = 0
            self.zap.bind(ZAP_ENDPOINT)
            socket.zap_domain = DOMAIN
            # Without this ZeroMQ lets everybody in whenever nobody answers its question.
            socket.setsockopt(zmq.ZAP_ENFORCE_DOMAIN, 1)
        events = f"inproc://events-{id(self)}"
        socket.monitor(events, _EVENTS)
        self._events = context.socket(zmq.PAIR)
        self._events.linger = 0
        # The IO thread waits for room here; it must not wait while the owner is at work.
        self._events.rcvhwm = MONITOR_HWM
        self._events.connect(events)

    def close(self) -> None:
        """Close everything but the socket itself; closing twice does nothing."""
        if not self._events.closed:
            # First the sender: the IO thread would wait for ever for somebody who listens.
            self._socket.disable_monitor()
            self._events.close()
        if self.zap is not None:
            self.zap.close()

    def serve(self) -> None:
        """Decide on newcomers and note who came and went."""
        if self.zap is not None:
            self._keep_fresh()
            for _ in range(_DRAIN):
                if not readable(self.zap):
                    break
                self.zap.send_multipart(self._decision(self.zap.recv_multipart()))
        self.note()
        self._end_endless()

    def note(self) -> None:
        """Note who came and went. ZeroMQ tells of it before it delivers what they send."""
        while readable(self._events):
            event, value = struct.unpack("=HI", self._events.recv_multipart()[0])
            if event == zmq.EVENT_ACCEPTED:
                self._welcome(value)
            elif event == zmq.EVENT_DISCONNECTED:
                self.peers.pop(value, None)
            else:
                self.refuse("a connection without a valid handshake")

    def peer(self, frame: zmq.Frame) -> tuple[int, Peer] | None:
        """Return who sent this, with the file descriptor; None if the connection is gone."""
        try:
            number = int(frame.get(zmq.SRCFD))
        except zmq.ZMQError:
            return None
        self.note()
        peer = self.peers.get(number)
        if peer is None:
            return None
        if self._ring is not None and not peer.key:
            peer.key = str(frame.get("User-Id")).encode()
            known = self._allowed.get(peer.key)
            peer.name = known.name if known else "?"
        return number, peer

    def _end_endless(self) -> None:
        """Cut off who sends a message without an end."""
        now = time.monotonic()
        if now < self._look_at:
            return
        self._look_at = now + EVERY_S
        for number, peer in list(self.peers.items()):
            if peer.unread.endless(number):
                self.cut(number, "a message without an end")
            elif peer.unread.suspect:
                self._look_at = now + AGAIN_S

    def within_rate(self, peer: Peer) -> bool:
        """Count one more message of a peer; False if it sends too many."""
        now, full = time.monotonic(), float(self.limits.burst)
        peer.tokens = min(full, peer.tokens + self.limits.rate_hz * (now - peer.filled))
        peer.filled = now
        if peer.tokens == full:
            peer.strikes = 0
        if peer.tokens < 1:
            return False
        peer.tokens -= 1
        return True

    def may(self, peer: Peer, op: str) -> str | None:
        """Return None if a peer may ask for an operation, otherwise in words why not."""
        if self._ring is None:
            return None
        known = self._allowed.get(peer.key)
        if known is None:
            return f"the key of {peer.name!r} is no longer allowed here"
        if known.watch_only and op not in WATCHING:
            return (
                f"the key of {known.name!r} is for watching only: {op!r} is refused, it may ask "
                f"for {' and '.join(WATCHING)}. To change that, on the machine that refused: "
                f"livefit keys allow PUBLIC_KEY --name {known.name}"
            )
        return None

    def strike(self, number: int, peer: Peer, what: str) -> None:
        """Count an offence of a peer, and cut it off when it was one too many."""
        self.refuse(what, str(peer))
        peer.strikes += 1
        if peer.strikes > self.limits.strikes:
            self.cut(number, f"a peer after {self.limits.strikes} offences")

    def cut(self, number: int, why: str) -> None:
        """End a connection; the number may belong to something else by now, which is left alone."""
        peer = self.peers.get(number)
        if peer is None:
            return
        self.refuse(why, str(peer))
        port = self._socket.getsockopt_string(zmq.LAST_ENDPOINT).rpartition(":")[2]
        with contextlib.suppress(OSError), connection(number) as found:
            if str(found.getsockname()[1]) == port:
                found.shutdown(tcp.SHUT_RDWR)

    def refuse(self, what: str, who: str = "") -> None:
        """Count a refusal by its kind, and log the first of each kind and sender."""
        self.refused[what] += 1
        if (what, who) not in self._logged and len(self._logged) < LOGGED:
            self._logged.add((what, who))
            log.warning("refused: %s%s", what, f" (from {who})" if who else "")

    def _decision(self, question: list[bytes]) -> list[bytes]:
        """Answer ZeroMQ's question about a newcomer (rfc.zeromq.org/spec/27)."""
        version, number, _, address, _, mechanism, *credentials = question
        if version == ZAP_VERSION and mechanism == b"CURVE" and len(credentials) == 1:
            key = z85.encode(credentials[0])
            if key in self._allowed:
                return [ZAP_VERSION, number, b"200", b"OK", key, b""]
            self.refuse(
                "a key that is not allowed",
                f"{address.decode('ascii', 'replace')}; if you know whose it is: "
                f"livefit keys allow '{key.decode()}' --name NAME",
            )
        # "Not now": after "no", 400, it would not try again, and would miss that it was allowed.
        return [ZAP_VERSION, number, b"300", b"this key is not allowed here", b"", b""]

    def _keep_fresh(self) -> None:
        """Read the list of allowed keys again now and then; cut off who is on it no longer."""
        now = time.monotonic()
        if self._ring is None or now - self._read_at < RELOAD_S:
            return
        self._read_at = now
        try:
            self._allowed = self._ring.allowed()
        except KeysError as error:
            self.refuse("a change of the allowed keys", str(error))
        for number, peer in self.peers.items():
            if peer.key and peer.key not in self._allowed:
                self.cut(number, "somebody whose key was forgotten")

    def _welcome(self, number: int) -> None:
        host = "?"
        with contextlib.suppress(OSError), connection(number) as found:
            host = str(found.getpeername()[0])
        same = sum(peer.host == host for peer in self.peers.values())
        self.peers[number] = Peer(
            host, float(self.limits.burst), time.monotonic(), Unread(self.limits.unread_bytes)
        )
        if same >= self.limits.connections_per_host:
            self.cut(number, f"more than {self.limits.connections_per_host} connections of a host")
        elif len(self.peers) > self.limits.connections:
            self.cut(number, f"more than {self.limits.connections} connections")
