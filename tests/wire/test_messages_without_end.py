"""Peers that send parts of one message for ever: they are cut off, the others notice nothing.

ZeroMQ's own sockets send no message before it is whole, so these peers speak its protocol by hand
(ZMTP 3.0, rfc.zeromq.org/spec/23).
"""

from __future__ import annotations

import contextlib
import socket as tcp
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import zmq

from livefit.frames import MarkerBlock, StreamInfo
from livefit.wire.blocks import pack_block
from livefit.wire.codec import encode
from livefit.wire.messages import Request
from livefit.wire.sockets import ControlClient, ControlServer, Limits, Publisher, Subscriber
from livefit.wire.unread import MOST_FROM_A_SOURCE
from tests.recording.recorded_examples import INFO, description, frames_of
from tests.wire.test_sockets import ANY

DEADLINE_S = 20.0
MOST_MB = 300.0
"""8 MB that one connection may have unread, and what comes until that is looked at: gigabytes a
second are sent, so that a reader that did not look would have passed this at once."""
SOURCE_MB = 500.0
"""128 MB that a source may be ahead, and as much again as came meanwhile; twice over."""


def greeting() -> bytes:
    return b"\xff" + bytes(8) + b"\x7f\x03\x00" + b"NULL".ljust(20, b"\0") + bytes(32)


def ready(kind: bytes) -> bytes:
    body = b"\x05READY\x0bSocket-Type" + len(kind).to_bytes(4, "big") + kind
    return b"\x04" + bytes([len(body)]) + body


def part(size: int) -> bytes:
    """One part, with more to come."""
    return b"\x03" + size.to_bytes(8, "big") + bytes(size)


def speak(connection: tcp.socket, kind: bytes, size: int, stop: threading.Event) -> int:
    """Shake hands and send parts until the connection is ended; returns the bytes sent."""
    sent = 0
    many = part(size) * max(1, 2**20 // size)
    connection.settimeout(1.0)
    with contextlib.suppress(OSError):
        connection.sendall(greeting())
        connection.recv(64)
        connection.sendall(ready(kind))
        while not stop.is_set():
            sent += connection.send(many)
    return sent


@contextmanager
def hostile(endpoint: str, kind: bytes, size: int) -> Iterator[list[int]]:
    """A peer that connects and, cut off, connects again; what it sent each time."""
    stop, sent = threading.Event(), list[int]()

    def go_on() -> None:
        port = int(endpoint.rpartition(":")[2])
        while not stop.is_set():
            with contextlib.suppress(OSError), tcp.create_connection(("127.0.0.1", port), 1.0) as c:
                sent.append(speak(c, kind, size, stop))

    thread = threading.Thread(target=go_on)
    thread.start()
    try:
        yield sent
    finally:
        stop.set()
        thread.join(10.0)
        assert not thread.is_alive()


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 2**20


pytestmark = pytest.mark.skipif(
    not hasattr(tcp, "TCP_INFO"), reason="this system does not tell what came over a connection"
)


def test_requests_without_end() -> None:
    with ControlServer(ANY) as server, ControlClient(server.endpoint) as client:
        with hostile(server.endpoint, b"DEALER", 60_000) as sent:
            before, most, end = resident_mb(), 0.0, time.monotonic() + DEADLINE_S
            while server.guard.refused["a message without an end"] < 3:
                assert time.monotonic() < end, (server.guard.refused, sent)
                server.poll(lambda _: {}, 0.01)
                most = max(most, resident_mb())
            answers: list[object] = []
            asking = threading.Thread(target=lambda: answers.append(client.request("status")))
            asking.start()
            while asking.is_alive():
                server.poll(lambda _: {"well": True}, 0.01)
            asking.join()
        assert answers == [{"well": True}]
        assert most - before < MOST_MB


def test_subscriptions_without_end() -> None:
    described = description()
    with (
        Publisher(ANY, cached=["description"]) as publisher,
        Subscriber(publisher.endpoint, ["description"]) as listener,
        hostile(publisher.endpoint, b"SUB", 1_000) as sent,
    ):
        before, most, end = resident_mb(), 0.0, time.monotonic() + DEADLINE_S
        heard = 0
        while publisher.guard.refused["a message without an end"] < 3 or heard < 3:
            assert time.monotonic() < end, (publisher.guard.refused, sent, heard)
            publisher.publish(described)
            heard += len(listener.poll(0.01))
            most = max(most, resident_mb())
        assert most - before < MOST_MB
        assert listener.refused == 0


def test_a_source_without_end_is_left_and_found_again() -> None:
    """It mends its ways: the same address serves a sound source afterwards."""
    stop = threading.Event()
    with tcp.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        server.settimeout(0.2)

        def serve() -> None:
            while not stop.is_set():
                with contextlib.suppress(OSError):
                    found, _ = server.accept()
                    with found:
                        speak(found, b"PUB", 2**20, stop)

        thread = threading.Thread(target=serve)
        thread.start()
        endpoint = f"tcp://127.0.0.1:{port}"
        listener = Subscriber(endpoint, ["frames", "description"])
        try:
            before, most, end = resident_mb(), 0.0, time.monotonic() + DEADLINE_S
            while listener.refused < 2:
                assert time.monotonic() < end
                assert listener.poll(0.01) == []
                most = max(most, resident_mb())
            assert "without an end" in str(listener.last_refusal)
            assert most - before < SOURCE_MB
        finally:
            stop.set()
            thread.join(10.0)
            server.close()
    described = description()
    with listener, Publisher(endpoint, cached=["description"]) as publisher:
        end = time.monotonic() + DEADLINE_S
        heard: list[object] = []
        while not heard:
            assert time.monotonic() < end
            publisher.publish(described)
            heard = list(listener.poll(0.01))


def test_whole_messages_that_wait_for_a_reader_held_up_are_no_fault() -> None:
    """More bytes wait than a message without an end may bring; none of them is lost."""
    block = frames_of(1_000)
    info = StreamInfo((*INFO.labels, "L_CA", "L_VM", "L_LM"), 100.0, "+z")
    both = MarkerBlock(block.numbers, block.t, np.tile(block.positions, (1, 2, 1)))
    [large] = pack_block(both, description(info=info, precision="f8"))
    assert 1_000 * len(encode(large)) > MOST_FROM_A_SOURCE
    count, sent = 1_300, 0
    with (
        Publisher(ANY, lossless=True) as publisher,
        Subscriber(publisher.endpoint, ["frames"]) as listener,
    ):
        end = time.monotonic() + DEADLINE_S
        while not publisher.listeners("frames"):
            assert time.monotonic() < end
            publisher.serve()

        def send() -> None:
            nonlocal sent
            while sent < count and time.monotonic() < end:
                sent += publisher.publish(large)

        sending = threading.Thread(target=send)
        sending.start()
        heard = len(listener.poll(1.0))
        time.sleep(2.0)
        waits = sent - heard
        while heard < count and time.monotonic() < end:
            heard += len(listener.poll(0.1))
        sending.join()
        assert waits * len(encode(large)) > MOST_FROM_A_SOURCE
        assert (heard, listener.refused) == (count, 0)


def test_requests_that_wait_for_a_server_held_up_are_no_fault() -> None:
    """Also where it would bear less than is waiting."""
    count, answers = 40, list[object]()
    limits = Limits(unread_bytes=1_000)
    with ControlServer(ANY, limits=limits) as server:
        asking = zmq.Context().socket(zmq.DEALER)
        asking.linger = 0
        asking.connect(server.endpoint)
        for k in range(count):
            asking.send_multipart(
                [b"", encode(Request(op="status", args={"k": k, "x": "x" * 2_000}))]
            )
        end = time.monotonic() + DEADLINE_S
        while len(answers) < count:
            assert time.monotonic() < end
            time.sleep(0.06)
            server.poll(lambda request: {"k": request.args["k"]}, 0.01)
            while asking.poll(0):
                answers.append(asking.recv_multipart())
        assert not server.guard.refused
        asking.context.destroy()
