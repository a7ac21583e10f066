"""What a hostile or broken peer can do, and that the others do not notice."""

from __future__ import annotations

import logging
import socket as tcp
import struct
import time
from collections.abc import Iterator
from typing import Any

import msgpack
import pytest
import zmq

from livefit.wire.codec import MAX_BYTES, WireError, decode, encode
from livefit.wire.messages import Message, Request, Snapshot
from livefit.wire.sockets import ControlClient, ControlServer, Limits, Publisher, Subscriber
from tests.wire.msgpack_by_hand import read
from tests.wire.test_control import Serving
from tests.wire.test_sockets import ANY, joined
from tests.wire.wire_examples import frames, snapshot, until

JOIN = b"\x01"


@pytest.fixture
def context() -> Iterator[zmq.Context[zmq.Socket[bytes]]]:
    with zmq.Context() as made:
        yield made


def connected(
    context: zmq.Context[zmq.Socket[bytes]], kind: int, endpoint: str
) -> zmq.Socket[bytes]:
    socket = context.socket(kind)
    socket.linger, socket.sndhwm = 0, 0
    socket.connect(endpoint)
    return socket


def test_a_hundred_thousand_prefixes_cost_one_connection(
    context: zmq.Context[zmq.Socket[bytes]], caplog: pytest.LogCaptureFixture
) -> None:
    with (
        Publisher(ANY) as publisher,
        Subscriber(publisher.endpoint, ["frames"]) as friend,
        connected(context, zmq.XSUB, publisher.endpoint) as flood,
    ):
        joined(publisher, "frames")
        for number in range(100_000):
            flood.send(JOIN + b"prefix %d" % number)
        number, began = 0, time.monotonic()
        got: list[Message] = []
        while time.monotonic() - began < 1.5:
            number += 1
            publisher.publish(frames(number))
            got += [message for _, message in friend.poll(0.002)]

        def all_there() -> bool:
            got.extend(message for _, message in friend.poll(0.05))
            return len(got) >= number

        until(all_there, "the last frame")
        assert got == [frames(k) for k in range(1, number + 1)]
        assert publisher.guard.refused["a peer after 32 offences"] >= 1
        assert sum(len(peer.topics) for peer in publisher.guard.peers.values()) == 1
    said = [r for r in caplog.records if "a topic that there is not" in r.getMessage()]
    assert [record.levelno for record in said] == [logging.WARNING]


def test_who_never_subscribed_or_twice_does_not_spoil_the_count(
    context: zmq.Context[zmq.Socket[bytes]],
) -> None:
    with (
        Publisher(ANY) as publisher,
        Subscriber(publisher.endpoint, ["frames"]) as friend,
    ):
        joined(publisher, "frames")
        with connected(context, zmq.XSUB, publisher.endpoint) as odd:
            odd.send(b"\x00frames")
            odd.send(b"\x00frames")
            for _ in range(3):
                odd.send(JOIN + b"frames")
            odd.send(JOIN + b"description")
            joined(publisher, "description")
            assert publisher.listeners("frames") == 2
        joined(publisher, "description", 0)
        assert publisher.listeners("frames") == 1
        publisher.publish(frames(1))
        until(lambda: friend.poll(0.05), "a frame")


def test_one_that_floods_the_control_socket_is_told_and_then_cut_off(
    context: zmq.Context[zmq.Socket[bytes]],
) -> None:
    with (
        ControlServer(ANY) as server,
        connected(context, zmq.DEALER, server.endpoint) as flood,
        Serving(server, lambda _: {}),
        ControlClient(server.endpoint, timeout_s=5) as friend,
    ):
        for _ in range(20_000):
            flood.send_multipart([b"", encode(Request(op="status"))])
        for _ in range(20):
            friend.request("status")
        replies: list[dict[str, Any]] = []

        def told() -> bool:
            if flood.poll(50):
                replies.append(read(flood.recv_multipart()[-1]))
            return bool(replies) and not replies[-1]["ok"]

        until(told, "a refusal")
        assert "at most 100 requests a second are answered" in replies[-1]["error"]
        until(lambda: server.guard.refused["a peer after 32 offences"], "the end")


def test_a_request_that_is_too_long_is_refused_at_both_ends(
    context: zmq.Context[zmq.Socket[bytes]],
) -> None:
    with ControlServer(ANY) as server, Serving(server, lambda _: {}):
        with ControlClient(server.endpoint, timeout_s=5) as client:
            with pytest.raises(WireError, match="at most 65536 bytes"):
                client.request("a", {"text": "x" * 70_000})
            client.request("status")
        with connected(context, zmq.DEALER, server.endpoint) as long_one:
            long_one.send_multipart([b"", bytes(70_000)])
            assert not long_one.poll(100)


def test_one_that_never_reads_is_cut_off_and_holds_nobody(
    context: zmq.Context[zmq.Socket[bytes]],
) -> None:
    big = {"bytes": bytes(2**20)}
    generous = Limits(rate_hz=1e6, burst=1_000_000)
    with (
        ControlServer(ANY, limits=generous) as server,
        Serving(server, lambda _: big),
        context.socket(zmq.DEALER) as deaf,
        ControlClient(server.endpoint, timeout_s=5) as friend,
    ):
        deaf.linger, deaf.rcvhwm = 0, 1
        deaf.connect(server.endpoint)
        for _ in range(200):
            deaf.send_multipart([b"", encode(Request(op="status"))])
        for _ in range(5):
            assert friend.request("status") == big
        until(
            lambda: server.guard.refused["a peer that does not take its replies"],
            "the end of the deaf one",
        )


def test_connections_beyond_the_limit_are_cut_off_and_those_before_stay(
    context: zmq.Context[zmq.Socket[bytes]],
) -> None:
    with (
        Publisher(ANY, limits=Limits(connections_per_host=4)) as publisher,
        Subscriber(publisher.endpoint, ["frames"]) as friend,
    ):
        joined(publisher, "frames")
        port = int(publisher.endpoint.rpartition(":")[2])
        crowd = [tcp.create_connection(("127.0.0.1", port)) for _ in range(10)]
        try:

            def cut() -> bool:
                publisher.serve()
                return publisher.guard.refused["more than 4 connections of a host"] == 7

            until(cut, "seven of ten")
            publisher.publish(frames(1))
            until(lambda: friend.poll(0.05), "a frame")
        finally:
            for one in crowd:
                one.close()


def test_small_values_by_the_million_are_refused_before_they_fill_the_memory() -> None:
    # 8 MiB of empty lists, one byte each, would be 500 MB of Python lists.
    inner = b"\xdc" + struct.pack(">H", 10_000) + b"\x90" * 10_000
    count = MAX_BYTES // len(inner) - 1
    raw = b"\x81\xa1a\xdc" + struct.pack(">H", count) + inner * count
    with pytest.raises(WireError, match="more than 1000000 values"):
        decode(Snapshot, raw)
    with pytest.raises(WireError, match="max_array_len"):
        decode(Snapshot, msgpack.packb({"rows": [0] * 10_001}))
    assert decode(Snapshot, encode(snapshot())) == snapshot()


def test_a_peer_that_goes_away_while_its_requests_wait_takes_nobody_with_it(
    context: zmq.Context[zmq.Socket[bytes]],
) -> None:
    """With ZeroMQ's heartbeats the process was aborted: libzmq issues 4364 and 4767."""
    with ControlServer(ANY) as server, ControlClient(server.endpoint, timeout_s=5) as friend:
        with connected(context, zmq.DEALER, server.endpoint) as flood:
            for _ in range(3_000):
                flood.send_multipart([b"", encode(Request(op="status"))])
            assert server.socket.poll(5_000)
        deadline = time.monotonic() + 1.2  # the next heartbeat would have come within 0.5 s
        while time.monotonic() < deadline:
            server.socket.poll(50)
            server.guard.serve()
        with Serving(server, lambda _: {}):
            assert friend.request("status") == {}
