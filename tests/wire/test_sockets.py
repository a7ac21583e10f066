"""The sockets, over real loopback TCP on free ports."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from functools import partial
from typing import Any

import msgpack
import pytest
import zmq

from livefit.wire import sockets
from livefit.wire.codec import encode
from livefit.wire.messages import Description, Frames, Message, Snapshot
from livefit.wire.sockets import (
    ControlClient,
    ControlServer,
    EndpointError,
    Publisher,
    Subscriber,
)
from tests.wire.wire_examples import description, frames, snapshot, until

ANY = "tcp://127.0.0.1:0"


def free_endpoint() -> str:
    """Return an address that nobody listens at."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return f"tcp://127.0.0.1:{probe.getsockname()[1]}"


def joined(publisher: Publisher, topic: str, count: int = 1) -> None:
    def there() -> bool:
        publisher.serve()
        return publisher.listeners(topic) == count

    until(there, f"{count} listeners to {topic}")


def collected(subscriber: Subscriber, count: int) -> list[tuple[str, Message]]:
    got: list[tuple[str, Message]] = []

    def enough() -> bool:
        got.extend(subscriber.poll(0.05))
        return len(got) >= count

    until(enough, f"{count} messages")
    return got


def test_the_real_address_is_known_and_messages_arrive_in_order() -> None:
    with Publisher(ANY) as publisher, Subscriber(publisher.endpoint, ["frames"]) as subscriber:
        assert publisher.endpoint.startswith("tcp://127.0.0.1:")
        assert not publisher.endpoint.endswith(":0")
        joined(publisher, "frames")
        for number in range(50):
            assert publisher.publish(frames(number))
        got = collected(subscriber, 50)
        assert got == [("frames", frames(number)) for number in range(50)]


def test_a_star_takes_a_free_port_too() -> None:
    with Publisher("tcp://127.0.0.1:*") as publisher:
        assert int(publisher.endpoint.rpartition(":")[2]) > 0


def test_only_the_topics_asked_for_arrive() -> None:
    with Publisher(ANY) as publisher, Subscriber(publisher.endpoint, ["results"]) as subscriber:
        joined(publisher, "results")
        publisher.publish(frames(1))
        publisher.publish(snapshot())
        until(lambda: subscriber.poll(0.05) == [("results", snapshot())], "the snapshot alone")


def test_a_late_listener_gets_the_description_and_the_last_snapshot() -> None:
    with Publisher(ANY, cached=["description", "results"]) as publisher:
        publisher.publish(description())
        publisher.publish(frames(1))
        publisher.publish(snapshot(1))
        publisher.publish(snapshot(2))
        for _ in range(2):
            topics = ["frames", "results", "description"]
            with Subscriber(publisher.endpoint, topics) as late:
                got: list[Message] = []

                def all_there(got: list[Message] = got, late: Subscriber = late) -> bool:
                    publisher.serve()
                    got.extend(message for _, message in late.poll(0.02))
                    return len(got) >= 2

                until(all_there, "description and snapshot")
                assert sorted(map(type, got), key=str) == sorted([Description, Snapshot], key=str)
                assert snapshot(2) in got


def test_listeners_are_counted_as_they_come_and_go() -> None:
    with Publisher(ANY) as publisher:
        with Subscriber(publisher.endpoint, ["frames"]):
            joined(publisher, "frames")
            with Subscriber(publisher.endpoint, ["frames"]):
                joined(publisher, "frames", 2)
            joined(publisher, "frames", 1)
        joined(publisher, "frames", 0)


def test_flow_returns_after_the_publisher_is_killed_and_started_again() -> None:
    first = Publisher(ANY)
    endpoint = first.endpoint
    with Subscriber(endpoint, ["frames"]) as subscriber:
        joined(first, "frames")
        first.publish(frames(1))
        until(lambda: subscriber.poll(0.05), "a frame of the first publisher")
        first.close()
        with Publisher(endpoint) as second:
            again = ("frames", frames(2, stream="b"))

            def flows() -> bool:
                second.publish(frames(2, stream="b"))
                return again in subscriber.poll(0.02)

            until(flows, "a frame of the second publisher")


def test_a_subscriber_may_start_before_its_publisher() -> None:
    endpoint = free_endpoint()
    with Subscriber(endpoint, ["frames"]) as subscriber:
        assert subscriber.poll(0.0) == []
        with Publisher(endpoint) as publisher:

            def flows() -> bool:
                publisher.publish(frames(1))
                return bool(subscriber.poll(0.02))

            until(flows, "a frame")


def test_a_lossless_publisher_waits_for_a_slow_listener_and_loses_nothing() -> None:
    messages = [frames(first, 100) for first in range(0, 400_000, 100)]
    with (
        Publisher(ANY, lossless=True) as publisher,
        Subscriber(publisher.endpoint, ["frames"], display=True) as subscriber,
    ):
        joined(publisher, "frames")
        sent: list[int] = []
        # Read nothing before the sender has to wait: one that drops would lose frames from here.
        while publisher.publish(messages[len(sent)]):
            sent.append(messages[len(sent)].first)
        received: list[int] = []

        def all_came() -> bool:
            while len(sent) < len(messages) and publisher.publish(messages[len(sent)]):
                sent.append(messages[len(sent)].first)
            received.extend(m.first for _, m in subscriber.poll(0.02) if isinstance(m, Frames))
            return len(received) >= len(messages)

        until(all_came, "every frame", 60)
    assert received == sent == [message.first for message in messages]


def test_a_lossless_publisher_delivers_what_is_under_way_when_it_closes() -> None:
    publisher = Publisher(ANY, lossless=True)
    with Subscriber(publisher.endpoint, ["frames"]) as subscriber:
        joined(publisher, "frames")
        for number in range(50):
            until(partial(publisher.publish, frames(number)), "room")
        publisher.close()
        collected(subscriber, 50)


def test_a_listener_that_stands_still_costs_an_ordinary_publisher_nothing() -> None:
    with (
        Publisher(ANY, display=True) as publisher,
        Subscriber(publisher.endpoint, ["results"], display=True) as subscriber,
    ):
        joined(publisher, "results")
        for number in range(2_000):
            assert publisher.publish(snapshot(number))
        got: list[int] = []

        def last_comes() -> bool:
            publisher.publish(snapshot(10_000))
            got.extend(m.number for _, m in subscriber.poll(0.02) if isinstance(m, Snapshot))
            return 10_000 in got

        until(last_comes, "the newest snapshot")
        assert len(set(got)) < 2_000  # a display is not owed what it did not take


@pytest.fixture
def stranger() -> Iterator[tuple[zmq.Socket[bytes], str]]:
    """A publisher that knows nothing of the protocol, and its address."""
    with zmq.Context() as context, context.socket(zmq.XPUB) as sender:
        sender.setsockopt(zmq.LINGER, 0)
        port = sender.bind_to_random_port("tcp://127.0.0.1")
        yield sender, f"tcp://127.0.0.1:{port}"


def test_mangled_messages_are_counted_and_the_good_one_still_comes(
    stranger: tuple[zmq.Socket[bytes], str],
) -> None:
    sender, endpoint = stranger
    with Subscriber(endpoint, ["frames"]) as subscriber:
        assert sender.recv() == b"\x01frames"
        for parts in (
            [b"frames"],
            [b"frames", b"\xc1"],
            [b"frames", encode(frames(1)), b"more"],
            [b"frames-of-another-kind", encode(frames(1))],
            [b"frames", msgpack.packb({"stream": "a", "first": 1, "count": 1, "t": b""})],
            [b"frames", encode(frames(7))],
        ):
            sender.send_multipart(parts)
        got = collected(subscriber, 1)
        assert got == [("frames", frames(7))]
        assert subscriber.refused == 5
        expected = "message 'frames', field 'xyz': expected this field, found nothing"
        assert subscriber.last_refusal == expected


def test_what_strangers_send_to_a_publisher_is_no_subscription() -> None:
    with (
        Publisher(ANY) as publisher,
        zmq.Context() as context,
        context.socket(zmq.XSUB) as odd,
    ):
        odd.setsockopt(zmq.LINGER, 0)
        odd.connect(publisher.endpoint)
        odd.send(b"hello")
        odd.send(b"")
        odd.send(b"\x01frames")
        joined(publisher, "frames")


def test_an_address_in_use_is_said_in_words() -> None:
    with (
        Publisher(ANY) as publisher,
        pytest.raises(
            EndpointError,
            match=rf"cannot listen on {publisher.endpoint}: the address is in use. .*end",
        ),
    ):
        Publisher(publisher.endpoint)


@pytest.mark.parametrize("kind", [Publisher, ControlServer, ControlClient])
@pytest.mark.parametrize(
    "endpoint", ["nonsense", "tcp://127.0.0.1", "tcp://127.0.0.1:70000", "tcp://127.0.0.1:80x"]
)
def test_an_address_that_is_none_is_said_in_words(kind: Any, endpoint: str) -> None:
    with pytest.raises(EndpointError, match=f"cannot use the address '{endpoint}'.*tcp://127"):
        kind(endpoint)


def test_a_topic_that_does_not_exist_is_refused() -> None:
    with pytest.raises(ValueError, match="no topic marks; the topics are description, frames, d"):
        Subscriber(ANY, ["marks"])


def test_closing_twice_does_nothing() -> None:
    publisher = Publisher(ANY)
    publisher.close()
    publisher.close()
    assert publisher.socket.closed


def test_default_addresses_are_local_and_differ() -> None:
    addresses = {
        sockets.FRAMES_ENDPOINT,
        sockets.RESULTS_ENDPOINT,
        sockets.CONTROL_ENDPOINT,
        sockets.SOURCE_CONTROL_ENDPOINT,
    }
    assert len(addresses) == 4
    assert all(address.startswith("tcp://127.0.0.1:") for address in addresses)
