"""Lines of text from outside: over UDP, TCP, standard input or a serial port.

A link that is lost waits and comes back by itself.
"""

from __future__ import annotations

import logging
import queue
import select
import socket
import sys
import threading
import time
from collections.abc import Callable
from typing import IO, Any, Protocol
from urllib.parse import SplitResult, parse_qs, urlsplit

from livefit.sources.base import optional_package

log = logging.getLogger(__name__)

ADDRESSES = (
    "udp://HOST:PORT, tcp://HOST:PORT, tcp-listen://HOST:PORT, "
    "serial:///dev/NAME?baud=115200 or stdin:"
)
LONGEST_LINE = 1_000_000
"""Bytes: 1,000 markers need a tenth of it."""
TRY_AGAIN_S = 0.5
_CHUNK = 65_536
_DATAGRAMS = 1_000
"""Taken by one read at most, so that a fast sender cannot hold its reader."""
_BAUD = 115_200


class Link(Protocol):
    """Where lines come from.

    Attributes
    ----------
    connections
        How often the sender was reached anew: when it changes, what comes may be another device.
    """

    connections: int

    @property
    def overlong(self) -> int:
        """Lines thrown away for their length."""

    def read(self, timeout_s: float) -> list[bytes]:
        """Return the whole lines that have come; none if none came within ``timeout_s``.

        Raises
        ------
        EOFError
            At the end, if the link has one.
        """

    def close(self) -> None:
        """Let go of the socket or port."""


class LineCutter:
    r"""Cuts a flow of bytes into lines.

    Examples
    --------
    >>> cutter = LineCutter()
    >>> cutter.cut(b"one\r\ntw"), cutter.cut(b"o\n\n")
    ([b'one'], [b'two'])
    """

    def __init__(self) -> None:
        self._rest = b""
        self._skipping = False
        self.overlong = 0

    def cut(self, data: bytes) -> list[bytes]:
        """Take what has come and return the lines that are whole, without empty ones."""
        *whole, rest = (self._rest + data).split(b"\n")
        if whole and self._skipping:
            del whole[0]
            self._skipping = False
        if len(rest) > LONGEST_LINE:
            self.overlong += not self._skipping
            self._skipping, rest = True, b""
        self._rest = rest
        return [line for line in map(bytes.strip, whole) if line]

    def forget(self) -> None:
        """Throw the beginning of a line away, whose end will not come."""
        self._rest, self._skipping = b"", False


class DatagramLink:
    """Whole lines in UDP datagrams, one or several in each.

    Parameters
    ----------
    host, port
        Where to listen; port 0 takes a free one.

    Attributes
    ----------
    port
        The real one.
    """

    def __init__(self, host: str, port: int) -> None:
        self._socket = _opened(
            lambda: _bound(socket.SOCK_DGRAM, host, port), f"udp://{host}:{port}"
        )
        self._socket.setblocking(False)
        self.port: int = self._socket.getsockname()[1]
        self.connections = 1
        self.overlong = 0

    def read(self, timeout_s: float) -> list[bytes]:
        """Return the lines of the datagrams that have come."""
        lines: list[bytes] = []
        if not select.select([self._socket], [], [], timeout_s)[0]:
            return lines
        for _ in range(_DATAGRAMS):
            try:
                data = self._socket.recv(_CHUNK)
            except BlockingIOError:
                break
            lines += [line for line in map(bytes.strip, data.split(b"\n")) if line]
        return lines

    def close(self) -> None:
        """Stop listening."""
        self._socket.close()


class FlowLink:
    """Lines from a connection that may be lost, and is then opened again and again.

    Parameters
    ----------
    name
        For people.
    connect
        Opens the connection, or raises ``OSError``; may return None for "not yet".
    receive
        Waits at most so many seconds for bytes: b"" none came, None the connection is lost.
    """

    def __init__(
        self,
        name: str,
        connect: Callable[[float], Any],
        receive: Callable[[Any, float], bytes | None],
        on_close: Callable[[], object] = lambda: None,
    ) -> None:
        self._name = name
        self._connect, self._receive, self._on_close = connect, receive, on_close
        self._connection: Any = None
        self._cutter = LineCutter()
        self._retry_at = 0.0
        self.connections = 0

    @property
    def overlong(self) -> int:
        """Lines thrown away for their length."""
        return self._cutter.overlong

    def read(self, timeout_s: float) -> list[bytes]:
        """Return the lines that have come; opens the connection if need be."""
        if self._connection is None and not self._opened(timeout_s):
            return []
        try:
            data = self._receive(self._connection, timeout_s)
        except OSError as error:
            log.warning("%s: %s", self._name, error)
            data = None
        if data is None:
            log.warning("%s: the connection was lost; waiting for it to come back", self._name)
            self._drop()
            return []
        return self._cutter.cut(data)

    def _opened(self, timeout_s: float) -> bool:
        wait = self._retry_at - time.monotonic()
        if wait > 0:
            time.sleep(min(wait, timeout_s))
            return False
        try:
            self._connection = self._connect(timeout_s)
        except OSError as error:
            self._retry_at = time.monotonic() + TRY_AGAIN_S
            log.info("%s: cannot be opened yet: %s", self._name, error)
        if self._connection is None:
            return False
        self.connections += 1
        self._cutter.forget()
        return True

    def _drop(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def close(self) -> None:
        """Let go of the connection."""
        self._drop()
        self._on_close()


class FileLink:
    """Lines from a file that another program writes, standard input for example.

    Parameters
    ----------
    file
        Open for reading bytes.
    """

    def __init__(self, file: IO[bytes]) -> None:
        self.connections = 1
        self.overlong = 0
        self._lines: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        # A thread, since no system lets every kind of file be waited for.
        threading.Thread(target=self._take, args=(file,), daemon=True).start()

    def _take(self, file: IO[bytes]) -> None:
        cutter = LineCutter()
        while data := file.readline(_CHUNK):
            for line in cutter.cut(data):
                self._lines.put(line)
            self.overlong = cutter.overlong
        for line in cutter.cut(b"\n"):
            self._lines.put(line)
        self._lines.put(b"")

    def read(self, timeout_s: float) -> list[bytes]:
        """Return the lines that have come.

        Raises
        ------
        EOFError
            After the last line.
        """
        lines: list[bytes] = []
        try:
            lines.append(
                self._lines.get(timeout=timeout_s) if timeout_s else self._lines.get(False)
            )
            while lines[-1] and len(lines) < _DATAGRAMS:
                lines.append(self._lines.get(False))
        except queue.Empty:
            return lines
        if lines[-1]:
            return lines
        if len(lines) > 1:
            self._lines.put(lines.pop())
            return lines
        raise EOFError("the input has ended")

    def close(self) -> None:
        """Do nothing: the file belongs to whoever opened it."""


def open_link(address: str) -> Link:
    """Open where lines come from.

    Raises
    ------
    ValueError
        If the address is not one of the forms, or a package for it is missing.
    OSError
        If it cannot be listened at.
    """
    parts = urlsplit(address)
    if parts.scheme == "stdin":
        return FileLink(sys.stdin.buffer)
    if parts.scheme == "serial":
        return _serial_link(address, parts)
    try:
        host, port = parts.hostname, parts.port
    except ValueError as error:
        raise ValueError(f"address {address!r}: {error}") from error
    if host and port is not None:
        if parts.scheme == "udp":
            return DatagramLink(host, port)
        if parts.scheme == "tcp":
            return FlowLink(
                address, lambda timeout: socket.create_connection((host, port), timeout), _received
            )
        if parts.scheme == "tcp-listen":
            return _listening_link(address, host, port)
    raise ValueError(f"expected an address of one of the forms {ADDRESSES}, got {address!r}")


def _listening_link(address: str, host: str, port: int) -> Link:
    door = _opened(lambda: _bound(socket.SOCK_STREAM, host, port), address)
    door.listen(1)

    def accept(timeout_s: float) -> socket.socket | None:
        door.settimeout(timeout_s)
        try:
            return door.accept()[0]
        except (TimeoutError, BlockingIOError):
            return None

    return FlowLink(address, accept, _received, door.close)


def _received(connection: socket.socket, timeout_s: float) -> bytes | None:
    if not select.select([connection], [], [], timeout_s)[0]:
        return b""
    return connection.recv(_CHUNK) or None


def _serial_link(address: str, parts: SplitResult) -> Link:
    serial = optional_package("serial", "serial")
    device = parts.path if not parts.netloc else parts.netloc + parts.path
    baud = parse_qs(parts.query).get("baud", [str(_BAUD)])[0]
    if not device or not baud.isdigit():
        raise ValueError(f"expected serial:///dev/NAME?baud=NUMBER, got {address!r}")

    def receive(port: Any, timeout_s: float) -> bytes:
        port.timeout = timeout_s
        data: bytes = port.read(port.in_waiting or 1)
        return data

    return FlowLink(address, lambda _: serial.Serial(device, int(baud)), receive)


def _bound(kind: int, host: str, port: int) -> socket.socket:
    family, _, _, _, place = socket.getaddrinfo(host, port, type=kind)[0]
    opened = socket.socket(family, kind)
    try:
        if kind == socket.SOCK_STREAM:
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        opened.bind(place)
    except OSError:
        opened.close()
        raise
    return opened


def _opened(open_it: Callable[[], socket.socket], address: str) -> socket.socket:
    try:
        return open_it()
    except OSError as error:
        raise OSError(
            f"cannot listen at {address}: {error}. Is another program listening there? End it, "
            "or choose another address"
        ) from error
