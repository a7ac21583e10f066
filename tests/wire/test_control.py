"""Control sockets: requests, replies, and what goes wrong with them."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import msgpack
import pytest
import zmq

from livefit.wire.codec import encode
from livefit.wire.messages import Request
from livefit.wire.sockets import (
    ControlClient,
    ControlServer,
    EndpointError,
    Publisher,
    RefusedError,
    Subscriber,
    wait,
)
from tests.wire.test_sockets import ANY, free_endpoint, joined
from tests.wire.wire_examples import frames, until


@pytest.fixture
def server() -> Iterator[ControlServer]:
    with ControlServer(ANY) as served:
        yield served


def handle(request: Request) -> dict[str, Any]:
    match request.op:
        case "double":
            return {"value": 2 * request.args["value"]}
        case "slow":
            raise TimeoutError("no answer from the source")
        case "astray":
            raise EndpointError("cannot use the address 'x'")
        case "broken":
            raise KeyError("a fault of the program")
        case "unsendable":
            return {"value": object()}
        case _:
            raise ValueError(f"there is no {request.op!r}; there is 'double'")


class Serving:
    """Answers in a thread until the test is over, and keeps what the handler raised."""

    def __init__(
        self, server: ControlServer, handler: Callable[[Request], dict[str, Any]] = handle
    ) -> None:
        self.server, self.handler, self.over = server, handler, threading.Event()
        self.raised: list[Exception] = []
        self.thread = threading.Thread(target=self.run)

    def run(self) -> None:
        while not self.over.is_set():
            try:
                self.server.poll(self.handler, 0.01)
            except KeyError as error:
                self.raised.append(error)

    def __enter__(self) -> Serving:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.over.set()
        self.thread.join()


def test_a_request_is_answered(server: ControlServer) -> None:
    with Serving(server), ControlClient(server.endpoint, timeout_s=10) as client:
        assert client.request("double", {"value": 21}) == {"value": 42}
        with pytest.raises(RefusedError, match="there is no 'treble'; there is 'double'"):
            client.request("treble")
        with pytest.raises(RefusedError, match="no answer from the source"):
            client.request("slow")
        with pytest.raises(RefusedError, match="cannot use the address 'x'"):
            client.request("astray")
        with pytest.raises(RefusedError, match="'value': expected nil, a number, text, bytes"):
            client.request("unsendable")
        assert client.request("double", {"value": 1}) == {"value": 2}


def test_a_fault_of_the_program_is_answered_and_raised(server: ControlServer) -> None:
    with Serving(server) as serving:
        with ControlClient(server.endpoint, timeout_s=10) as client:
            with pytest.raises(RefusedError, match="the program failed on this; see its log"):
                client.request("broken")
            assert client.request("double", {"value": 1}) == {"value": 2}
        until(lambda: serving.raised, "the exception")


@pytest.mark.parametrize(
    ("parts", "text"),
    [
        ([b"", b"\xc1"], "message 'request': expected one msgpack map"),
        ([b"", b"\x80"], "field 'op': expected this field, found nothing"),
        ([b"", b"\x80", b"\x80"], "expected one part after the empty one, found 2"),
        ([b"\x80"], "expected one part after the empty one, found 0|field 'op'"),
    ],
)
def test_a_mangled_request_gets_an_answer(
    server: ControlServer, parts: list[bytes], text: str
) -> None:
    with zmq.Context() as context, context.socket(zmq.DEALER) as odd, Serving(server):
        odd.setsockopt(zmq.LINGER, 0)
        odd.connect(server.endpoint)
        odd.send_multipart(parts)
        assert odd.poll(10_000)
        reply = msgpack.unpackb(odd.recv_multipart()[-1])
        assert reply["ok"] is False
        assert any(word in reply["error"] for word in text.split("|"))


def test_a_plain_request_socket_is_answered_too(server: ControlServer) -> None:
    with zmq.Context() as context, context.socket(zmq.REQ) as plain, Serving(server):
        plain.setsockopt(zmq.LINGER, 0)
        plain.connect(server.endpoint)
        plain.send(encode(Request(op="double", args={"value": 3})))
        assert plain.poll(10_000)
        assert msgpack.unpackb(plain.recv())["result"] == {"value": 6}


def test_a_dead_server_is_said_in_words_and_never_gets_the_request_later() -> None:
    endpoint = free_endpoint()
    with ControlClient(endpoint, timeout_s=0.05) as client:
        with pytest.raises(
            TimeoutError, match=rf"no answer to 'double' from {endpoint} within 0.0"
        ):
            client.request("double", {"value": 1})
        with ControlServer(endpoint) as late, Serving(late):
            client.timeout_s = 10
            assert client.request("double", {"value": 2}) == {"value": 4}


def test_a_late_answer_is_never_taken_for_the_next(server: ControlServer) -> None:
    with ControlClient(server.endpoint, timeout_s=0.1) as client:
        with pytest.raises(TimeoutError, match="is the process that should answer there running"):
            client.request("double", {"value": 1})
        with Serving(server):
            client.timeout_s = 10
            assert client.request("double", {"value": 2}) == {"value": 4}


def test_waiting_for_several_sockets_ends_with_the_first(server: ControlServer) -> None:
    with (
        Publisher(ANY) as publisher,
        Subscriber(publisher.endpoint, ["frames"]) as subscriber,
        ControlClient(server.endpoint, timeout_s=10) as client,
    ):
        assert wait([publisher], 10)  # somebody came
        joined(publisher, "frames")
        assert not wait([subscriber, server], 0.01)
        publisher.publish(frames(1))
        assert wait([subscriber, server], 10)
        assert subscriber.poll()
        asking = threading.Thread(target=client.request, args=("double", {"value": 1}))
        asking.start()
        assert wait([subscriber, server], 10)
        assert server.poll(handle) == 1
        asking.join()


def test_what_takes_long_is_answered_when_it_is_done_and_the_rest_at_once() -> None:
    futures: list[Future[dict[str, Any]]] = []

    def later(request: Request) -> dict[str, Any] | Future[dict[str, Any]]:
        if request.op != "later":
            return handle(request)
        futures.append(Future())
        return futures[-1]

    with (
        ControlServer(ANY) as server,
        ControlClient(server.endpoint, timeout_s=10.0) as patient,
        ControlClient(server.endpoint, timeout_s=10.0) as other,
        ThreadPoolExecutor(2) as pool,
    ):

        def served(answer: Future[dict[str, Any]]) -> dict[str, Any]:
            until(lambda: server.poll(later, 0.01) is not None and answer.done(), "the answer")
            return answer.result()

        for result, told in (({"value": 7}, None), (None, "too far")):
            slow = pool.submit(patient.request, "later")
            assert served(pool.submit(other.request, "double", {"value": 2})) == {"value": 4}
            until(lambda: server.poll(later, 0.01) is not None and futures, "the request")
            assert not slow.done()
            future = futures.pop()
            if told is None:
                future.set_result(result or {})
                assert served(slow) == result
            else:
                future.set_exception(ValueError(told))
                with pytest.raises(RefusedError, match=told):
                    served(slow)
