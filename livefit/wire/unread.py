"""A message without an end: what came over a connection since the last that could be read.

ZeroMQ bounds each part of a message and the number of messages that wait, not the number of parts
of one message; until the last part came, none is delivered. A peer that never sends it fills its
reader's memory. How many bytes came over a connection is known to the system (Linux: TCP_INFO,
tcp(7)); one over which far more came than a message may hold, and none could be read, is ended,
which frees them.
"""

from __future__ import annotations

import contextlib
import os
import socket as tcp
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import zmq

EVERY_S: Final = 0.05
AGAIN_S: Final = 0.005
"""From a suspicion until it is looked at again, what waited having been read."""
MOST_FROM_A_SOURCE: Final = 128 * 2**20
"""Bytes that may come from a source while no message can be read."""
MONITOR_HWM: Final = 100_000

_BYTES_RECEIVED: Final = 128
"""Where ``tcpi_bytes_received`` stands in ``struct tcp_info`` (linux/tcp.h)."""


@contextmanager
def connection(number: int) -> Iterator[tcp.socket]:
    """The connection behind a file descriptor, which stays its owner's.

    Raises
    ------
    OSError
        If there is none any more.
    """
    with tcp.socket(fileno=os.dup(number)) as found:
        yield found


def received(number: int) -> int:
    """Bytes that came over a connection, by its file descriptor; 0 where nothing tells."""
    with contextlib.suppress(OSError, AttributeError, struct.error), connection(number) as found:
        info = found.getsockopt(tcp.IPPROTO_TCP, tcp.TCP_INFO, _BYTES_RECEIVED + 8)
        return int(struct.unpack_from("=Q", info, _BYTES_RECEIVED)[0])
    return 0


class Unread:
    """The bytes of one connection that no message that could be read accounts for.

    A reader that was held up finds whole messages waiting: they are read first, and only if none
    was among them is there no end.

    Attributes
    ----------
    suspect
        It has sent so much; the next look decides.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._since = 0
        self._read = self.suspect = False

    def read(self) -> None:
        """A message of this connection could be read."""
        self._read = True

    def endless(self, number: int) -> bool:
        """Look, and say whether it sends a message without an end.

        Parameters
        ----------
        number
            The connection's file descriptor.
        """
        came = received(number)
        if self._read:
            self._since, self._read, self.suspect = came, False, False
        before, self.suspect = self.suspect, came - self._since > self._most
        return before and self.suspect


class SourceWatch:
    """Ends the connection to a source that sends a message without an end; it is made anew at once.

    Parameters
    ----------
    socket, context
        Of the socket that connects; before it does.

    Attributes
    ----------
    ended
        How often.
    """

    def __init__(self, socket: zmq.Socket[bytes], context: zmq.Context[zmq.Socket[bytes]]) -> None:
        self.ended = 0
        self._socket = socket
        self._number: int | None = None
        self._unread = Unread(MOST_FROM_A_SOURCE)
        self._next = 0.0
        events = f"inproc://connected-{id(self)}"
        socket.monitor(events, zmq.EVENT_CONNECTED | zmq.EVENT_DISCONNECTED)
        self._events = context.socket(zmq.PAIR)
        self._events.linger = 0
        self._events.rcvhwm = MONITOR_HWM
        self._events.connect(events)

    def read(self) -> None:
        """A message could be read."""
        self._unread.read()

    def check(self) -> bool:
        """End the connection if it sends a message without an end; True if it did."""
        now = time.monotonic()
        if now < self._next:
            return False
        self._next = now + EVERY_S
        while self._events.poll(0):
            event, number = struct.unpack("=HI", self._events.recv_multipart()[0])
            self._number = number if event == zmq.EVENT_CONNECTED else None
            self._unread = Unread(MOST_FROM_A_SOURCE)
        if self._number is None:
            return False
        if not self._unread.endless(self._number):
            if self._unread.suspect:
                self._next = now + AGAIN_S
            return False
        self.ended += 1
        port = self._socket.getsockopt_string(zmq.LAST_ENDPOINT).rpartition(":")[2]
        with contextlib.suppress(OSError), connection(self._number) as found:
            # The number may belong to something else by now, which is left alone.
            if str(found.getpeername()[1]) == port:
                found.shutdown(tcp.SHUT_RDWR)
        self._number = None
        return True

    def close(self) -> None:
        """Stop watching, before the socket is closed; closing twice does nothing."""
        if not self._events.closed:
            self._socket.disable_monitor()
            self._events.close()
