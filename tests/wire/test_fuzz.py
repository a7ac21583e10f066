"""Damaged messages of every kind, by the thousand: refused with reasons, or read, and no more."""

from __future__ import annotations

import gc
import tracemalloc
from collections import Counter
from itertools import pairwise
from statistics import median
from typing import Any

import pytest
import zmq

from livefit.wire.codec import NAMES, TOPICS, WireError, decode, encode
from livefit.wire.messages import Description, Message, Request
from livefit.wire.sockets import ControlServer, Limits, Subscriber
from tests.wire.msgpack_by_hand import read
from tests.wire.mutations import PUBLISHED, REQUESTS, Mutator
from tests.wire.test_control import Serving
from tests.wire.test_sockets import ANY
from tests.wire.wire_examples import description, until

KINDS = {name: kind for kind, name in NAMES.items()}
COUNT = 4_000


def test_there_is_a_message_of_every_kind_to_damage() -> None:
    assert {type(message) for message in PUBLISHED + REQUESTS} == set(NAMES)


def outcome(name: str, raw: bytes) -> str | None:
    """Return what is said of it, None if it is a message; anything but a WireError passes on."""
    try:
        decode(KINDS[name], raw)
    except WireError as error:
        refusal = error
    else:
        return None
    assert refusal.expected
    assert refusal.found
    assert name in str(refusal)
    assert len(str(refusal)) < 1_000
    return str(refusal)


@pytest.mark.parametrize("seed", [1, 2])
def test_damage_is_refused_with_a_reason_and_leaves_nothing_in_memory(seed: int) -> None:
    mutator = Mutator(PUBLISHED + REQUESTS, seed)
    damaged = [mutator.next() for _ in range(COUNT)]
    outcomes: Counter[bool] = Counter()
    held = []
    tracemalloc.start()
    for _ in range(5):
        for name, raw in damaged:
            outcomes[outcome(name, raw) is None] += 1
        gc.collect()
        held.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    # The first pass fills caches, and one of Python's own tables may still grow once.
    assert median(later - earlier for earlier, later in pairwise(held)) < 1_000
    assert outcomes[True] > COUNT / 5  # the damage is not so coarse that nothing passes
    assert outcomes[False] > COUNT


def test_a_subscriber_counts_every_refusal() -> None:
    mutator = Mutator(PUBLISHED, 3)
    damaged = [(name, raw) for name, raw in (mutator.next() for _ in range(3_000))]
    damaged = [(name, raw) for name, raw in damaged if name in TOPICS]
    expected = [name for name, raw in damaged if outcome(name, raw) is None]
    with zmq.Context() as context, context.socket(zmq.XPUB) as sender:
        sender.linger, sender.sndhwm = 0, 0
        port = sender.bind_to_random_port("tcp://127.0.0.1")
        with Subscriber(f"tcp://127.0.0.1:{port}", list(TOPICS)) as subscriber:
            for _ in TOPICS:
                assert sender.recv()[:1] == b"\x01"
            for name, raw in damaged:
                sender.send_multipart([name.encode(), raw])
            sender.send_multipart([b"description", encode(description("last"))])
            got: list[tuple[str, Message]] = []

            def all_there() -> bool:
                got.extend(subscriber.poll(0.05))
                last = got[-1][1] if got else None
                return isinstance(last, Description) and last.stream == "last"

            until(all_there, "the last message")
            assert [topic for topic, _ in got[:-1]] == expected
            assert subscriber.refused == len(damaged) - len(expected)
            assert subscriber.last_refusal


def test_every_damaged_request_is_answered_in_words() -> None:
    mutator = Mutator(REQUESTS, 4)
    damaged = [raw for _, raw in (mutator.next() for _ in range(2_000))]
    reasons = [outcome("request", raw) for raw in damaged]
    generous = Limits(rate_hz=1e6, burst=1_000_000, strikes=1_000_000)
    asked: list[Request] = []

    def note(request: Request) -> dict[str, Any]:
        asked.append(request)
        return {}

    with (
        ControlServer(ANY, limits=generous) as server,
        zmq.Context() as context,
        context.socket(zmq.DEALER) as asking,
        Serving(server, note),
    ):
        asking.linger = 0
        asking.connect(server.endpoint)
        for raw, reason in zip(damaged, reasons, strict=True):
            asking.send_multipart([b"", raw])
            assert asking.poll(10_000)
            reply = read(asking.recv_multipart()[-1])
            assert (reply["ok"], reply["error"]) == (reason is None, reason)
        bad = server.guard.refused["a request that does not follow the protocol"]
    assert bad == sum(reason is not None for reason in reasons)
    assert len(asked) == len(reasons) - bad


def test_damage_is_the_same_for_the_same_seed() -> None:
    one, two = Mutator(PUBLISHED, 7), Mutator(PUBLISHED, 7)
    first = [one.next() for _ in range(100)]
    assert first == [two.next() for _ in range(100)]
    other = Mutator(PUBLISHED, 8)
    assert first != [other.next() for _ in range(100)]
