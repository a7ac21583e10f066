"""What a running node makes of damaged messages, by the million.

``python -m tests.benchmarks fuzz [--seed N] [--short] [--count N]``

A node works in a process of its own. The first half of the messages goes to it as a source's: the
description of the simulated rider, its frames and device states, each damaged in one to four places
and, one in ten, whole. The other half goes to its control socket as requests, eight under way at a
time, with the limits on their rate out of the way. Every answer must be a reply of the protocol,
and a refusal must say why. What the node counts as refused is held against what decoding the same
bytes here says; messages that decode may be refused later, for buffers that do not fit.

The node's memory is that of `tests.benchmarks.memory`: what is in use must not grow.

At the end the whole ride begins anew, and the node must find the crank and measure the knee.
"""

from __future__ import annotations

import multiprocessing as mp
import random
import threading
import time
from argparse import ArgumentParser, Namespace
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event
from typing import Any

import zmq

from livefit.definitions import load_definitions
from livefit.node.run import NodeEndpoints, run_node
from livefit.node.settings import Settings
from livefit.wire.blocks import describe, pack_block
from livefit.wire.codec import NAMES, WireError, decode, encode
from livefit.wire.messages import DeviceState, Message, Reply, Snapshot
from livefit.wire.sockets import ControlClient, Limits, Subscriber
from tests.benchmarks.memory import Memory, asked, tell
from tests.benchmarks.ride import part_of, record
from tests.benchmarks.tables import Cell, load_average, table
from tests.wire.mutations import REQUESTS, Mutator

ANY = "tcp://127.0.0.1:*"
RATE_HZ = 200.0
PATIENCE_S = 30.0
UNDER_WAY = 8
WHOLE = 0.1
"""Share of messages that are sent undamaged."""
KINDS = {name: kind for kind, name in NAMES.items()}
NO_LIMITS = Limits(rate_hz=1e9, burst=10**9, strikes=10**9)


@dataclass
class Phase:
    """What became of the messages to one socket."""

    name: str
    sent: int = 0
    good: int = 0
    refused: int = 0
    seconds: float = 0.0
    memory: list[Memory] = field(default_factory=list)
    """Of the node, at the beginning and after each quarter."""
    slowest_ms: float = 0.0
    reasons: Counter[str] = field(default_factory=Counter)


def arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--count", type=int, default=100_000, help="messages in all")


def main(options: Namespace) -> None:
    count = 4_000 if options.short else options.count
    spawn = mp.get_context("spawn")
    stop = spawn.Event()
    ours, theirs = spawn.Pipe()
    with zmq.Context() as context, context.socket(zmq.XPUB) as source:
        source.linger = 0
        # The node takes every message: the sender waits for it.
        source.setsockopt(zmq.XPUB_NODROP, 1)
        source.sndtimeo = int(1000 * PATIENCE_S)
        frames_at = f"tcp://127.0.0.1:{source.bind_to_random_port('tcp://127.0.0.1')}"
        node = spawn.Process(target=_node, args=(theirs, frames_at, stop), daemon=True)
        node.start()
        at: NodeEndpoints = ours.recv()
        try:
            while source.recv() != b"\x01frames":
                pass
            memory = partial(asked, ours)
            ride = _Ride(options.seed)
            with Subscriber(at.results, ["results"], display=True) as results:
                _measures(source, results, ride)
                phases = [
                    _data(source, at, ride, count // 2, options.seed, memory),
                    _control(context, at, count - count // 2, options.seed, memory),
                ]
                _print(phases)
                with ControlClient(at.control, timeout_s=PATIENCE_S) as control:
                    # Some of the requests were good ones, for a window of one stroke too.
                    control.request("set_window", {"strokes": 10})
                knee = _measures(source, results, ride)
        finally:
            stop.set()
            node.join(PATIENCE_S)
    print(
        f"\nafterwards the node measured a whole ride (knee at the bottom {knee:.1f} deg) and "
        f"ended with status {node.exitcode}; load average {load_average()}"
    )


def _node(pipe: Connection, frames: str, stop: Event) -> None:
    def ready(at: NodeEndpoints) -> None:
        pipe.send(at)
        threading.Thread(target=tell, args=(pipe,), daemon=True).start()

    run_node(
        load_definitions(), Settings(), NodeEndpoints(frames, ANY, ANY), stop.is_set,
        on_ready=ready, limits=NO_LIMITS,
    )  # fmt: skip


class _Ride:
    """The simulated rider's frames as messages."""

    def __init__(self, seed: int) -> None:
        self._info, self._block = record(seed, RATE_HZ, int(12 * RATE_HZ))
        self._starts = 0

    def begin(self) -> list[Message]:
        """A stream of its own: description and frames."""
        self._starts += 1
        description = describe(self._info, stream=f"s{self._starts}", source="benchmark")
        frames = [
            message
            for first in range(0, len(self._block), 10)
            for message in pack_block(part_of(self._block, first, 10), description)
        ]
        return [description, *frames]


def _send(source: zmq.Socket[bytes], name: str, raw: bytes) -> None:
    source.send_multipart([name.encode(), raw])


def _measures(source: zmq.Socket[bytes], results: Subscriber, ride: _Ride) -> float:
    """Send a whole ride; return the knee angle, deg, that the node makes of it."""
    messages = ride.begin()
    stream = messages[0].stream  # type: ignore[attr-defined]
    for message in messages:
        _send(source, NAMES[type(message)], encode(message))
    end = time.monotonic() + PATIENCE_S
    seen = "no snapshot"
    while time.monotonic() < end:
        for _, message in results.poll(0.1):
            if isinstance(message, Snapshot) and message.stream == stream:
                seen = f"{message.state}, {message.problem}, {message.strokes} in {message.window}"
                for row in message.rows:
                    if (row.measure, row.event) == ("knee_flexion", "bdc") and row.n >= 5:
                        return row.mean or float("nan")
    raise TimeoutError(
        f"the node measured nothing of a whole ride within {PATIENCE_S:g} s; last seen: {seen}"
    )


def _expected(name: str, raw: bytes) -> str | None:
    try:
        decode(KINDS[name], raw)
    except WireError as error:
        return str(error)
    return None


def _data(
    source: zmq.Socket[bytes],
    at: NodeEndpoints,
    ride: _Ride,
    count: int,
    seed: int,
    memory: Callable[[], Memory],
) -> Phase:
    phase = Phase("data")
    chance = random.Random(seed)
    description, *frames = whole = ride.begin()
    device = DeviceState(stream="s2", battery=0.5, link=1.0, temperature_c=31.5, lost=2, note="")
    mutator = Mutator([description, *frames[:200], *[device] * 20], seed)
    with ControlClient(at.control, timeout_s=PATIENCE_S) as control:
        before = control.request("status")["health"]["refused_messages"]
        began = time.monotonic()
        for k in range(count):
            if k % max(count // 4, 1) == 0:
                # An answer: what was sent before has been worked on.
                _ask(control, phase)
                phase.memory.append(memory())
            if chance.random() < WHOLE:
                message = whole[k % len(whole)]
                name, raw = NAMES[type(message)], encode(message)
            else:
                name, raw = mutator.next()
            _send(source, name, raw)
            reason = _expected(name, raw)
            phase.good += reason is None
            if reason is not None:
                phase.reasons[_kind(reason)] += 1
            if k % 20_000 == 0:
                _ask(control, phase)
        phase.sent = count
        # The last message is behind all others in the queue.
        _send(source, "description", b"the end")
        phase.refused = _settled(control, before) - 1
    phase.seconds = time.monotonic() - began
    phase.memory.append(memory())
    return phase


def _ask(control: ControlClient, phase: Phase) -> dict[str, Any]:
    began = time.monotonic()
    result = control.request("status")
    phase.slowest_ms = max(phase.slowest_ms, 1e3 * (time.monotonic() - began))
    return result


def _settled(control: ControlClient, before: int) -> int:
    """Refusals since then, once their number stays."""
    last, same = -1, 0
    while same < 10:
        now = control.request("status")["health"]["refused_messages"] - before
        same = same + 1 if now == last else 0
        last = now
        time.sleep(0.1)
    return last


def _control(
    context: zmq.Context[zmq.Socket[bytes]],
    at: NodeEndpoints, count: int, seed: int, memory: Callable[[], Memory],
) -> Phase:  # fmt: skip
    phase = Phase("control")
    chance = random.Random(seed)
    mutator = Mutator(REQUESTS, seed)
    whole = [encode(request) for request in REQUESTS]
    under_way: list[tuple[str | None, float]] = []
    began = time.monotonic()
    with context.socket(zmq.DEALER) as asking:
        asking.linger = 0
        asking.connect(at.control)
        while phase.sent < count or under_way:
            while phase.sent < count and len(under_way) < UNDER_WAY:
                if phase.sent % max(count // 4, 1) == 0:
                    phase.memory.append(memory())
                raw = chance.choice(whole) if chance.random() < WHOLE else mutator.next()[1]
                asking.send_multipart([b"%d" % phase.sent, b"", raw])
                under_way.append((_expected("request", raw), time.monotonic()))
                phase.sent += 1
            if not asking.poll(int(1000 * PATIENCE_S)):
                raise TimeoutError(f"{len(under_way)} requests were not answered")
            number, _, answer = asking.recv_multipart()
            reply = decode(Reply, answer)
            if int(number) != phase.sent - len(under_way):
                raise ValueError(f"request {phase.sent - len(under_way)} was not answered")
            reason, sent = under_way.pop(0)
            phase.slowest_ms = max(phase.slowest_ms, 1e3 * (time.monotonic() - sent))
            _check(reply, reason)
            phase.good += reply.ok
            phase.refused += not reply.ok
            if reason is not None:
                phase.reasons[_kind(reason)] += 1
            elif not reply.ok:
                phase.reasons["(read, and refused by the operation)"] += 1
    phase.seconds = time.monotonic() - began
    phase.memory.append(memory())
    return phase


def _check(reply: Reply, reason: str | None) -> None:
    if reason is not None and (reply.ok or reply.error != reason):
        raise ValueError(f"expected the refusal {reason!r}, got {reply!r:.300}")
    if not reply.ok and not reply.error:
        raise ValueError("a request was refused without a reason")
    if reply.error and "the program failed" in reply.error:
        raise ValueError(f"the node failed: {reply.error}")


def _kind(reason: str) -> str:
    """A refusal without what was found: there are as many of those as there are messages."""
    expected = reason.partition("expected ")[2].partition(", found")[0]
    return expected if len(expected) <= 60 else expected[:57] + "..."


def _print(phases: list[Phase]) -> None:
    rows: list[list[Cell]] = [
        [
            p.name,
            p.sent,
            p.good,
            p.refused,
            p.sent / p.seconds,
            p.slowest_ms,
            ", ".join(f"{each.resident:.0f}" for each in p.memory),
            ", ".join(f"{each.in_use:.1f}" for each in p.memory),
        ]
        for p in phases
    ]
    head = [
        "to",
        "sent",
        "readable",
        "refused",
        "per s",
        "slowest answer ms",
        "node's MB, a quarter each",
        "in use",
    ]
    print(table(head, rows))
    for phase in phases:
        print(f"\nmost frequent refusals of {phase.name}; {len(phase.reasons)} kinds in all")
        print(table(["expected", "times"], [[r, n] for r, n in phase.reasons.most_common(12)]))
