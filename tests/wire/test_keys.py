"""Keys on disk, and sockets that ask for them."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import zmq
import zmq.auth
from zmq.utils.monitor import recv_monitor_message

from livefit.wire import endpoints, guard
from livefit.wire.codec import encode
from livefit.wire.endpoints import Address
from livefit.wire.keys import DIRECTORY_VARIABLE, KeyRing, KeysError, read_public
from livefit.wire.messages import Request
from livefit.wire.sockets import (
    ControlClient,
    ControlServer,
    EndpointError,
    Publisher,
    Subscriber,
    beside,
    wait,
)
from tests.wire.msgpack_by_hand import read
from tests.wire.test_control import Serving
from tests.wire.test_sockets import collected, joined
from tests.wire.wire_examples import frames, until

KEYED = "tcp://127.0.0.1:0#node"


@pytest.fixture
def ring(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> KeyRing:
    """The keys of a machine that listens; it has made its own."""
    monkeypatch.setenv(DIRECTORY_VARIABLE, str(tmp_path / "keys"))
    ring = KeyRing()
    ring.make("node")
    return ring


class Outsider:
    """Plain pyzmq with keys of its own: a second implementation of the other side."""

    def __init__(self) -> None:
        self.public, self.secret = zmq.curve_keypair()
        self.context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self.sockets: list[zmq.Socket[bytes]] = []

    def connect(self, kind: int, endpoint: str, server: bytes | None) -> zmq.Socket[bytes]:
        socket = self.context.socket(kind)
        socket.linger = 0
        if server is not None:
            socket.curve_publickey, socket.curve_secretkey = self.public, self.secret
            socket.curve_serverkey = server
        self.events = socket.get_monitor_socket(
            zmq.EVENT_HANDSHAKE_SUCCEEDED | zmq.EVENT_DISCONNECTED
            | zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL | zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL
            | zmq.EVENT_HANDSHAKE_FAILED_AUTH
        )  # fmt: skip
        self.sockets += [socket, self.events]
        if kind == zmq.SUB:
            socket.subscribe(b"")
        socket.connect(endpoint)
        return socket

    def shut_out(self) -> bool:
        """Whether something went wrong with the connection; fails if it stood."""
        if not self.events.poll(0):
            return False
        event = recv_monitor_message(self.events)["event"]
        assert event != zmq.EVENT_HANDSHAKE_SUCCEEDED
        return True


@pytest.fixture
def outsider() -> Iterator[Outsider]:
    one = Outsider()
    yield one
    for socket in one.sockets:
        socket.close()
    one.context.term()


def echo(request: Request) -> dict[str, Any]:
    return {"op": request.op}


def test_a_pair_is_readable_by_zeromqs_own_means_and_by_nobody_else(ring: KeyRing) -> None:
    pair = ring.pair()
    secret = ring.directory / "node.key_secret"
    assert zmq.auth.load_certificate(secret) == (pair.public, pair.secret)
    assert zmq.curve_public(pair.secret) == pair.public
    assert pair.secret.decode() not in repr(pair)
    ring.allow(zmq.curve_keypair()[0], "tablet")
    for path in [ring.directory, *ring.directory.rglob("*")]:
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660])
def test_a_secret_that_others_can_read_is_not_used(ring: KeyRing, mode: int) -> None:
    secret = ring.directory / "node.key_secret"
    secret.chmod(mode)
    with pytest.raises(KeysError, match=f"open to others .mode 0{mode:o}.*: chmod 600 {secret}"):
        ring.pair()
    with pytest.raises(EndpointError, match=f"chmod 600 {secret}"):
        Publisher(KEYED)
    secret.chmod(0o600)
    ring.directory.chmod(0o755)
    with pytest.raises(KeysError, match=f"chmod 700 {ring.directory}"):
        ring.pair()


def test_keys_are_allowed_changed_and_forgotten(ring: KeyRing) -> None:
    tablet = zmq.curve_keypair()[0]
    ring.allow(tablet, "tablet", watch_only=True)
    assert ring.others()["tablet"].watch_only
    ring.allow(tablet, "tablet")
    assert not ring.others()["tablet"].watch_only
    assert set(ring.allowed()) == {tablet, ring.own()["node"]}
    assert read_public(str(ring.directory / "others" / "tablet.key")) == tablet
    for key, name, text in (
        (zmq.curve_keypair()[0], "tablet", "another key already.*livefit keys forget tablet"),
        (tablet, "other", "known already, as 'tablet'"),
        (ring.own()["node"], "me", "this machine's own"),
        (zmq.curve_keypair()[0], "node", "'node' is taken"),
        (zmq.curve_keypair()[0], "../up", "a name is 1 to 40 letters"),
        (b"too-short", "short", "40 letters of Z85, got 9"),
        (b'"' * 40, "odd", "40 letters of Z85"),
        (b"#" * 40, "large", "40 letters of Z85"),
    ):
        with pytest.raises(KeysError, match=text):
            ring.allow(key, name)
    ring.forget("tablet")
    assert ring.others() == {}
    with pytest.raises(KeysError, match="nobody is called 'tablet'; known are none"):
        ring.forget("tablet")
    with pytest.raises(KeysError, match="a pair of this machine itself"):
        ring.forget("node")


@pytest.mark.parametrize("kind", [Publisher, ControlServer])
@pytest.mark.parametrize(
    "open_address",
    [
        "tcp://0.0.0.0:0", "tcp://*:0", "tcp://*:*", "tcp://192.0.2.7:47801", "tcp://[::]:0",
        "tcp://eth0:0", "tcp://127.0.0.1;0.0.0.0:0", "tcp://127.0.0.1.example.org:0",
    ],
)  # fmt: skip
def test_no_socket_is_opened_beyond_the_loopback_without_keys(
    kind: Any, open_address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def opened(*_: object) -> None:
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(zmq, "Context", opened)
    with pytest.raises(EndpointError, match=r"without keys: every.*livefit keys make NAME.*#NAME"):
        kind(open_address)


@pytest.mark.parametrize("address", ["udp://127.0.0.1:1", "pgm://127.0.0.1;239.0.0.1:1", "x"])
def test_other_transports_are_not_listened_on(address: str) -> None:
    with pytest.raises(EndpointError, match="neither tcp:// nor ipc://"):
        Address.listening(address)


def test_an_address_with_unknown_keys_is_refused_with_the_remedy(ring: KeyRing) -> None:
    with pytest.raises(EndpointError, match=r"'stranger'.*livefit keys make stranger"):
        Publisher("tcp://0.0.0.0:0#stranger")
    with pytest.raises(EndpointError, match=r"key of 'far' is not known.*keys allow PUBLIC_KEY"):
        ControlClient("tcp://127.0.0.1:1#far")
    for bad in ("tcp://127.0.0.1:1#", "tcp://127.0.0.1:1#node:"):
        with pytest.raises(EndpointError, match="named behind the #"):
            ControlClient(bad)
    with pytest.raises(EndpointError, match="no key is named behind the #"):
        Publisher("tcp://127.0.0.1:0#")
    ring.make("second")
    with pytest.raises(EndpointError, match="several pairs of keys here, node, second"):
        ControlClient("tcp://127.0.0.1:1#node")


def test_with_the_right_keys_data_and_control_work(ring: KeyRing) -> None:
    with (
        Publisher(KEYED) as publisher,
        Subscriber(f"{publisher.endpoint}#node", ["frames"]) as subscriber,
    ):
        joined(publisher, "frames")
        publisher.publish(frames(1))
        assert collected(subscriber, 1) == [("frames", frames(1))]
    with (
        ControlServer(KEYED) as server,
        Serving(server, echo),
        ControlClient(f"{server.endpoint}#node", timeout_s=10) as client,
    ):
        assert client.request("set_window") == {"op": "set_window"}


@pytest.mark.parametrize("case", ["no key", "wrong server key", "stranger"])
def test_whoever_has_not_the_right_keys_gets_nothing_and_disturbs_nobody(
    ring: KeyRing, outsider: Outsider, case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(endpoints, "HANDSHAKE_MS", 200)
    server_key = {
        "no key": None,
        "wrong server key": zmq.curve_keypair()[0],
        "stranger": ring.own()["node"],
    }[case]
    if case == "wrong server key":
        ring.allow(outsider.public, "outsider")
    with (
        Publisher(KEYED, cached=["frames"]) as publisher,
        Subscriber(f"{publisher.endpoint}#node", ["frames"]) as friend,
    ):
        publisher.publish(frames(0))
        thief = outsider.connect(zmq.SUB, publisher.endpoint, server_key)
        numbers = iter(range(1, 1_000_000))

        def shut_out() -> bool:
            publisher.publish(frames(next(numbers)))
            return outsider.shut_out()

        until(shut_out, "the refusal")
        joined(publisher, "frames")
        publisher.publish(frames(1_000_000))
        until(lambda: ("frames", frames(1_000_000)) in friend.poll(0.05), "a friend's frame")
        assert not thief.poll(50)
        assert sum(publisher.guard.refused.values()) >= 1

    asked: list[str] = []

    def note(request: Request) -> dict[str, Any]:
        asked.append(request.op)
        return {}

    with ControlServer(KEYED) as server, Serving(server, note):
        thief = outsider.connect(zmq.DEALER, server.endpoint, server_key)
        thief.send_multipart([b"", encode(Request(op="steal"))])
        until(outsider.shut_out, "the refusal")
        with ControlClient(f"{server.endpoint}#node", timeout_s=10) as friend_asks:
            friend_asks.request("status")
        assert not thief.poll(50)
    assert asked == ["status"]


def test_a_watch_only_key_sees_everything_and_changes_nothing(
    ring: KeyRing, outsider: Outsider, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "RELOAD_S", 0.0)
    ring.allow(outsider.public, "tablet", watch_only=True)
    node = ring.own()["node"]
    with Publisher(KEYED) as publisher:
        screen = outsider.connect(zmq.SUB, publisher.endpoint, node)
        joined(publisher, "frames")
        publisher.publish(frames(3))
        assert screen.poll(10_000)
        assert screen.recv_multipart() == [b"frames", encode(frames(3))]
    with ControlServer(KEYED) as server, Serving(server, echo):
        asking = outsider.connect(zmq.REQ, server.endpoint, node)

        def answer(op: str) -> dict[str, Any]:
            asking.send(encode(Request(op=op)))
            assert asking.poll(10_000)
            reply: dict[str, Any] = read(asking.recv())
            return reply

        assert answer("status")["result"] == {"op": "status"}
        assert answer("history")["result"] == {"op": "history"}
        refused = answer("set_window")
        assert not refused["ok"]
        assert (
            "the key of 'tablet' is for watching only: 'set_window' is refused" in refused["error"]
        )
        ring.allow(outsider.public, "tablet")
        until(lambda: answer("set_window")["ok"], "the new right")


def test_a_forgotten_key_is_cut_off(
    ring: KeyRing, outsider: Outsider, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "RELOAD_S", 0.0)
    monkeypatch.setattr(endpoints, "HANDSHAKE_MS", 200)  # until a refused one tries again
    ring.allow(outsider.public, "tablet")
    with Publisher(KEYED) as publisher:
        screen = outsider.connect(zmq.SUB, publisher.endpoint, ring.own()["node"])
        joined(publisher, "frames")
        ring.forget("tablet")
        joined(publisher, "frames", 0)
        assert publisher.guard.refused["somebody whose key was forgotten"] >= 1
        # The name in other hands gives the old key no rights.
        ring.allow(zmq.curve_keypair()[0], "tablet")
        until(lambda: _served(publisher, "a key that is not allowed") >= 2, "further refusals")
        assert publisher.listeners("frames") == 0
        ring.forget("tablet")
        ring.allow(outsider.public, "tablet")

        def back() -> bool:
            screen.poll(0)  # ZeroMQ subscribes anew in here
            publisher.serve()
            return publisher.listeners("frames") == 1

        until(back, "the one who had gone on trying")
        assert set(publisher.guard.refused) <= {
            "somebody whose key was forgotten",
            "a key that is not allowed",
            "a connection without a valid handshake",
        }


def _served(publisher: Publisher, refusal: str) -> int:
    publisher.serve()
    return publisher.guard.refused[refusal]


def test_newcomers_are_let_in_while_the_owner_waits(ring: KeyRing) -> None:
    with (
        ControlServer(KEYED) as server,
        ControlClient(f"{server.endpoint}#node", timeout_s=10) as client,
        Serving(server, echo),
    ):
        assert client.request("a") == {"op": "a"}
        assert not wait([client], 0.01)


def test_a_client_that_is_not_answered_says_that_keys_may_be_why(ring: KeyRing) -> None:
    with (
        ControlServer(KEYED) as server,
        ControlClient(server.endpoint, timeout_s=0.05) as without,
        pytest.raises(TimeoutError, match="If it listens with keys, name its key: ADDRESS#NAME"),
    ):
        without.request("status")


def test_the_sources_control_is_looked_for_on_its_machine() -> None:
    frames_at = "tcp://192.0.2.7:47800#me:sensor"
    assert beside("tcp://0.0.0.0:5", frames_at) == "tcp://192.0.2.7:5#me:sensor"
    assert beside("tcp://127.0.0.1:5", frames_at) == "tcp://192.0.2.7:5#me:sensor"
    assert beside("tcp://192.0.2.9:5", frames_at) == "tcp://192.0.2.9:5#me:sensor"
    assert beside("tcp://127.0.0.1:5", "ipc://frames") == "tcp://127.0.0.1:5"
