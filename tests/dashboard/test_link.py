"""The threads between the window and the node, on real sockets."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from functools import partial
from typing import Any

import pytest

from livefit.dashboard.link import STROKES_KEPT, Answered, Commander, Receiver
from livefit.view.asking import Ask
from livefit.wire.control import Handler
from livefit.wire.messages import Cycles, MeanPose, Pose, Request, Snapshot, Stroke
from livefit.wire.sockets import ControlServer, Publisher
from tests.dashboard.dashboard_examples import (
    make_mean_pose,
    make_pose,
    make_snapshot,
    make_strokes,
)

ANY = "tcp://127.0.0.1:0"
DEADLINE_S = 10.0


def until(there: Callable[[], object], what: str) -> None:
    end = time.monotonic() + DEADLINE_S
    while not there():
        if time.monotonic() > end:
            pytest.fail(f"{what} did not happen within {DEADLINE_S:g} s")
        time.sleep(0.005)


@contextmanager
def listening(publisher: Publisher) -> Iterator[Receiver]:
    receiver = Receiver(publisher.endpoint)

    def subscribed() -> int:
        publisher.serve()
        return publisher.listeners("pose")

    receiver.start()
    try:
        until(subscribed, "the subscription")
        yield receiver
    finally:
        receiver.stop()


def test_only_the_newest_of_each_topic_is_kept() -> None:
    with Publisher(ANY, display=True) as publisher, listening(publisher) as receiver:
        for number in range(5):
            publisher.publish(make_snapshot([], number=number))
            publisher.publish(make_pose(frame=number))
        publisher.publish(make_pose(frame=99))
        until(lambda: receiver.received == 11, "the arrival of all messages")
        taken = receiver.take()
        assert receiver.take() == []
    by_kind = {type(message): message for message, _ in taken}
    snapshot, pose = by_kind[Snapshot], by_kind[Pose]
    assert isinstance(snapshot, Snapshot)
    assert isinstance(pose, Pose)
    assert (snapshot.number, pose.frame, len(taken)) == (4, 99, 2)
    assert all(0 <= time.monotonic() - arrived < DEADLINE_S for _, arrived in taken)


def test_every_stroke_is_kept_in_order_and_only_the_newest_of_cycles() -> None:
    with Publisher(ANY, display=True) as publisher, listening(publisher) as receiver:
        strokes = make_strokes(count=1)[:12]
        for number, stroke in enumerate(strokes):
            publisher.publish(stroke)
            publisher.publish(Cycles(node=f"n{number}", sides=[]))
        publisher.publish(make_mean_pose())
        until(lambda: receiver.received == 2 * len(strokes) + 1, "the arrival of all messages")
        taken = [message for message, _ in receiver.take()]
        assert receiver.take() == []
    assert [m for m in taken if isinstance(m, Stroke)] == strokes
    assert [m.node for m in taken if isinstance(m, Cycles)] == [f"n{len(strokes) - 1}"]
    assert sum(isinstance(m, MeanPose) for m in taken) == 1


def arrived(receiver: Receiver, count: int) -> bool:
    return receiver.received == count


def test_strokes_that_nobody_takes_do_not_pile_up() -> None:
    (stroke, *_) = make_strokes(count=1)
    with Publisher(ANY) as publisher, listening(publisher) as receiver:
        for sent in range(1, STROKES_KEPT + 101):
            publisher.publish(stroke.model_copy(update={"stroke": sent}))
            # A display's socket holds little: what is sent must be received before more is.
            if sent % 20 == 0:
                until(partial(arrived, receiver, sent), "the arrival of all strokes")
        kept = [m.stroke for m, _ in receiver.take() if isinstance(m, Stroke)]
    assert kept == list(range(101, STROKES_KEPT + 101))


def test_messages_that_break_the_protocol_are_told_and_forgiven() -> None:
    with Publisher(ANY, display=True) as publisher, listening(publisher) as receiver:
        publisher.socket.send_multipart([b"pose", b"\x80"])
        until(lambda: receiver.fault, "the fault")
        assert receiver.fault is not None
        assert "pose" in receiver.fault
        publisher.publish(make_pose())
        until(lambda: receiver.fault is None, "the end of the fault")


def test_a_bad_address_is_a_fault_not_a_crash() -> None:
    receiver = Receiver("tcp://nowhere")
    receiver.start()
    until(lambda: receiver.fault, "the fault")
    receiver.stop()
    assert receiver.fault is not None
    assert "cannot use the address 'tcp://nowhere'" in receiver.fault


@contextmanager
def answering(handler: Handler) -> Iterator[str]:
    stop = threading.Event()
    with ControlServer(ANY) as server:

        def serve() -> None:
            while not stop.is_set():
                server.poll(handler, 0.02)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield server.endpoint
        finally:
            stop.set()
            thread.join()


def answers(commander: Commander, count: int) -> list[Answered]:
    got: list[Answered] = []

    def all_there() -> bool:
        got.extend(commander.take())
        return len(got) >= count

    until(all_there, "the answers")
    return got


def test_requests_are_answered_in_order_yes_or_no() -> None:
    def handler(request: Request) -> dict[str, Any]:
        if request.op == "set_baseline":
            raise ValueError("no means to keep yet: let the rider pedal")
        return dict(request.args)

    with answering(handler) as endpoint:
        commander = Commander(endpoint, timeout_s=5.0)
        commander.start()
        commander.send("restart_window")
        commander.send("set_baseline")
        commander.send("set_window", {"strokes": 5})
        got = answers(commander, 3)
        commander.stop()
    assert got == [
        Answered(Ask("restart_window"), {}),
        Answered(Ask("set_baseline"), {}, "no means to keep yet: let the rider pedal"),
        Answered(Ask("set_window", {"strokes": 5}), {"strokes": 5}),
    ]


def test_a_mark_does_not_wait_for_an_estimate() -> None:
    searching: Future[dict[str, Any]] = Future()

    def handler(request: Request) -> dict[str, Any] | Future[dict[str, Any]]:
        return searching if request.op == "into_bands" else {}

    with answering(handler) as endpoint:
        commander = Commander(endpoint, timeout_s=5.0)
        commander.start()
        commander.send("into_bands", {"rows": []})
        commander.send("mark")
        first = answers(commander, 1)
        searching.set_result({"said": []})
        second = answers(commander, 1)
        commander.stop()
    assert first == [Answered(Ask("mark"), {})]
    assert second == [Answered(Ask("into_bands", {"rows": []}), {"said": []})]


def test_nobody_there_is_an_answer_too() -> None:
    with ControlServer(ANY) as server:
        endpoint = server.endpoint
    commander = Commander(endpoint, timeout_s=0.05)
    commander.start()
    commander.send("set_baseline")
    (answered,) = answers(commander, 1)
    commander.stop()
    assert answered.ask == Ask("set_baseline")
    assert answered.error is not None
    assert "no answer to 'set_baseline'" in answered.error
