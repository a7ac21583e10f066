"""Addresses, and what all sockets have in common.

An address may name keys: ``tcp://HOST:PORT#MINE`` where this process listens, with the pair MINE
of this machine, and ``tcp://HOST:PORT#THEIRS`` or ``#MINE:THEIRS`` where it connects.
"""

from __future__ import annotations

import errno
import ipaddress
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Self

import zmq

from livefit.wire.guard import LIMITS, Guard, Limits
from livefit.wire.keys import KeyRing, KeysError

FRAMES_ENDPOINT: Final = "tcp://127.0.0.1:47800"
RESULTS_ENDPOINT: Final = "tcp://127.0.0.1:47801"
CONTROL_ENDPOINT: Final = "tcp://127.0.0.1:47802"
SOURCE_CONTROL_ENDPOINT: Final = "tcp://127.0.0.1:47803"

KEEPALIVE_S: Final = 1
SILENT_MS: Final = 3_000
"""After so long without a sign of life a connection is given up."""
HANDSHAKE_MS: Final = 5_000
RECONNECT_MS: Final = 10
RECONNECT_MAX_MS: Final = 100
MAX_WIRE_BYTES: Final = 16 * 2**20


class EndpointError(OSError):
    """An address that cannot be used."""


def _no_address(endpoint: str, why: str) -> EndpointError:
    return EndpointError(
        f"cannot use the address {endpoint!r}: {why}. Expected something like {FRAMES_ENDPOINT}"
    )


@dataclass(frozen=True)
class Address:
    """An address in its parts: where, and the names of the keys to use."""

    plain: str
    mine: str | None
    theirs: str | None

    @classmethod
    def listening(cls, text: str) -> Address:
        """Read an address to listen at.

        Raises
        ------
        EndpointError
            If it is open to other machines and names no keys.
        """
        plain, sharp, name = text.partition("#")
        if not plain.startswith(("tcp://", "ipc://")):
            raise _no_address(text, "it begins with neither tcp:// nor ipc://")
        if sharp and not name:
            raise _no_address(text, "no key is named behind the #")
        if not name and plain.startswith("tcp://") and not _is_loopback(plain):
            raise EndpointError(
                f"cannot listen on {plain} without keys: everybody on that network could see the "
                "rider's data and control the session. Listen on 127.0.0.1, or make a pair of keys "
                "with 'livefit keys make NAME', let the others in with 'livefit keys allow', and "
                f"write {plain}#NAME"
            )
        return cls(plain, name or None, None)

    @classmethod
    def connecting(cls, text: str) -> Address:
        """Read an address to connect to.

        Raises
        ------
        EndpointError
            If it does not name the key of the other side where it names any.
        """
        plain, sharp, names = text.partition("#")
        mine, _, theirs = names.rpartition(":")
        if sharp and not theirs:
            raise _no_address(text, "the other side's key is not named behind the #")
        return cls(plain, mine or None, theirs or None)


def beside(control: str, frames: str) -> str:
    """Return a source's control address as it is reached from where its frames are received.

    A source that says "here" or "everywhere" means its own machine; it has one pair of keys.

    Examples
    --------
    >>> beside("tcp://0.0.0.0:47803", "tcp://192.0.2.7:47800#sensor")
    'tcp://192.0.2.7:47803#sensor'
    >>> beside("tcp://127.0.0.1:47803", "tcp://127.0.0.1:47800")
    'tcp://127.0.0.1:47803'
    """
    plain, sharp, names = frames.partition("#")
    host, _, port = control.rpartition(":")
    if plain.startswith("tcp://") and (host == "tcp://0.0.0.0" or _is_loopback(control)):
        host = plain.rpartition(":")[0]
    return f"{host}:{port}{sharp}{names}"


def _is_loopback(plain: str) -> bool:
    rest = plain.removeprefix("tcp://")
    host = (rest.rpartition(":")[0] or rest).strip("[]")
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class Endpoint:
    """What all sockets share: a context of their own, keys, opening, closing.

    Parameters
    ----------
    kind, options
        Of the ZeroMQ socket.
    where
        Where to listen or to connect.

    Attributes
    ----------
    secure
        Whether keys are asked for.

    Raises
    ------
    EndpointError
        If keys are missing or cannot be used.
    """

    def __init__(self, kind: int, options: dict[int, int], where: Address) -> None:
        self._plain = where.plain
        keys = _keys(where)
        self.secure = bool(keys)
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._linger_ms = 0
        self.socket = self._context.socket(kind)
        common = {
            zmq.LINGER: 0,
            zmq.MAXMSGSIZE: MAX_WIRE_BYTES,
            # Not ZeroMQ's own heartbeats: 4.3.5 aborts the process when one is due on a connection
            # that was lost while it waited at the high water mark.
            zmq.TCP_KEEPALIVE: 1,
            zmq.TCP_KEEPALIVE_IDLE: KEEPALIVE_S,
            zmq.TCP_KEEPALIVE_INTVL: KEEPALIVE_S,
            zmq.TCP_KEEPALIVE_CNT: SILENT_MS // 1000 // KEEPALIVE_S - 1,
            zmq.TCP_MAXRT: SILENT_MS,
            zmq.HANDSHAKE_IVL: HANDSHAKE_MS,
            zmq.RECONNECT_IVL: RECONNECT_MS,
            zmq.RECONNECT_IVL_MAX: RECONNECT_MAX_MS,
        }
        for option, value in (common | options).items():
            self.socket.setsockopt(option, value)
        for option, key in keys.items():
            self.socket.setsockopt(option, key)

    def _open(self, how: Callable[[str], object]) -> str:
        """Bind or connect, and return the real address."""
        endpoint = self._plain
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

    def __exit__(self, *_: object) -> None:
        self.close()


class Listening(Endpoint):
    """A socket that others connect to.

    Attributes
    ----------
    guard
        Who is connected, and what was refused.
    """

    def __init__(
        self, kind: int, options: dict[int, int], address: str, limits: Limits = LIMITS
    ) -> None:
        super().__init__(kind, options, Address.listening(address))
        ring = KeyRing() if self.secure else None
        self.guard = Guard(self.socket, self._context, ring, limits)

    def close(self) -> None:
        """Close the socket; closing twice does nothing."""
        self.guard.close()
        super().close()


def _keys(where: Address) -> dict[int, bytes | int]:
    """Return the socket options for the keys that an address names."""
    if where.mine is None and where.theirs is None:
        return {}
    try:
        ring = KeyRing()
        pair = ring.pair(where.mine)
        keys: dict[int, bytes | int] = {
            zmq.CURVE_PUBLICKEY: pair.public,
            zmq.CURVE_SECRETKEY: pair.secret,
        }
        if where.theirs is None:
            ring.allowed()
            return keys | {zmq.CURVE_SERVER: 1}
        return keys | {zmq.CURVE_SERVERKEY: ring.public_of(where.theirs)}
    except KeysError as error:
        raise EndpointError(f"cannot use the address {where.plain!r}: {error}") from error


class Waiter:
    """Waits for several sockets at once, again and again; newcomers are decided on meanwhile.

    Parameters
    ----------
    endpoints
        What to wait for, while they are open.
    """

    def __init__(self, endpoints: Sequence[Endpoint]) -> None:
        self._endpoints = {endpoint.socket: endpoint for endpoint in endpoints}
        self._guards = {
            endpoint.guard.zap: endpoint.guard
            for endpoint in endpoints
            if isinstance(endpoint, Listening) and endpoint.guard.zap is not None
        }
        self._poller = zmq.Poller()
        for socket in (*self._endpoints, *self._guards):
            self._poller.register(socket, zmq.POLLIN)

    def wait(self, timeout_s: float) -> list[Endpoint]:
        """Return those that have something to receive; none if none had in time."""
        deadline = time.monotonic() + timeout_s
        left = timeout_s
        while True:
            found = self._poller.poll(milliseconds(left))
            for socket, _ in found:
                if socket in self._guards:
                    self._guards[socket].serve()
            ready = [self._endpoints[socket] for socket, _ in found if socket in self._endpoints]
            left = deadline - time.monotonic()
            if ready or not found or left <= 0:
                return ready


def wait(endpoints: Sequence[Endpoint], timeout_s: float) -> bool:
    """Wait once until one of the sockets has something to receive; False if none had in time."""
    return bool(Waiter(endpoints).wait(timeout_s))


def milliseconds(seconds: float) -> int:
    """Return a time-out in ms, never negative: to ZeroMQ that would mean for ever."""
    return max(0, math.ceil(1000 * seconds))
