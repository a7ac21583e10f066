"""How long after a frame was sent the numbers that it completes arrive.

``python -m tests.benchmarks latency [--seed N] [--short]``

Three processes on this machine: a publisher sends the simulated rider (30 markers, 250 Hz, one
frame a message) as it rides, the processing node works on it and publishes results and poses, this
process listens. Every snapshot that carries a new value is timed from the sending of the frame
that completed the value; which frame that is, and whether it completed quick values or final
ones, comes from working through the same frames one by one beforehand. A frame is sent
when the publisher is given its message.

* worked: until the node has taken the frame in, by its clock in the snapshot;
* arrived: until the snapshot lies at the listener's socket;
* read: until the listener has decoded it.

The same publisher then feeds a bare echo: a process of plain pyzmq that answers every twentieth
frame, about as often as numbers come, with the very bytes of one snapshot. Rounds follow each
other; other work on the machine makes single rounds worse, so the best and the median round are
given. The last line is what the node's work takes when nothing waits in between: a process that
sleeps between frames finds its caches cold. Wanted: arrived within 2 ms at the 99th percentile,
the node below 10 % of a core.
"""

from __future__ import annotations

import time
from argparse import ArgumentParser, Namespace
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import zmq

from livefit.definitions import load_definitions
from livefit.node.processing import Processing
from livefit.node.run import POSE_EVERY_S
from livefit.node.settings import Settings
from livefit.wire.blocks import FrameReader, describe, pack_block
from livefit.wire.codec import decode, encode
from livefit.wire.messages import Frames, Pose, Snapshot
from livefit.wire.sockets import Subscriber, wait
from tests.benchmarks.processes import Ride, run_echo, run_real_node
from tests.benchmarks.ride import MARKERS, new_kernel, part_of, record
from tests.benchmarks.tables import Cell, load_average, table

RATE_HZ = 250.0
SETTLE_S = 8.0
"""Left out at the beginning: the crank is being found, code is run for the first time."""


@dataclass
class Round:
    """Delays of one round in ms, by what was timed, and the share of a core it took."""

    delays: dict[str, list[float]]
    core: float


def arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--seconds", type=float, default=40.0, help="length of each round")
    parser.add_argument("--rounds", type=int, default=3, help="with the node and the echo each")


def main(options: Namespace) -> None:
    seconds, rounds = (16.0, 1) if options.short else (options.seconds, options.rounds)
    completing = _completing_frames(options.seed, seconds)
    node, echo = [], []
    for _ in range(rounds):
        made, raw = _node_round(options.seed, seconds, completing)
        node.append(made)
        echo.append(_echo_round(options.seed, seconds, raw))
    timed = {kind: len(node[0].delays[f"{kind}, arrived"]) for kind in ("quick", "final")}
    print(
        f"{rounds} rounds of {seconds:g} s at {RATE_HZ:g} Hz, {MARKERS} markers; in each "
        f"{timed['quick']} snapshots with quick and {timed['final']} with final values; "
        f"a snapshot has {len(raw)} bytes; load average {load_average()}"
    )
    print(table(["ms, best round", "p50", "p99", "% of a core"], _rows(node, echo, min)))
    print()
    print(table(["ms, median round", "p50", "p99", "% of a core"], _rows(node, echo, _middle)))
    print(
        f"\nthe node's work without waiting: {100 * _work(options.seed, seconds):.1f} % of a core"
    )


def _middle(values: list[float]) -> float:
    return float(np.median(values))


def _rows(
    node: list[Round], echo: list[Round], over: Callable[[list[float]], float]
) -> list[list[Cell]]:
    def row(name: str, rounds: list[Round]) -> list[float]:
        quantiles = [
            over([float(np.percentile(r.delays[name], q)) for r in rounds]) for q in (50, 99)
        ]
        return [*quantiles, 100 * over([r.core for r in rounds])]

    bare = row("echo", echo)
    rows: list[list[Cell]] = []
    for kind in ("quick", "final"):
        rows += [
            [f"{kind}, {what}", *row(f"{kind}, {what}", node)]
            for what in ("worked", "arrived", "read")
        ]
    rows.append(["bare echo, arrived", *bare])
    for kind in ("quick", "final"):
        ours = row(f"{kind}, arrived", node)
        rows.append([f"{kind} : echo", *(a / b for a, b in zip(ours, bare, strict=True))])
    return rows


def _completing_frames(seed: int, seconds: float) -> dict[int, str]:
    """Numbers of the frames after which there are new values, and of which kind."""
    info, block = record(seed, RATE_HZ, int(seconds * RATE_HZ))
    description = describe(info, stream="again", source="benchmark")
    reader, kernel = FrameReader(description), new_kernel(info)
    seen: set[tuple[str, str, int]] = set()
    found = {}
    for k in range(len(block)):
        final = kernel.push(reader.read(pack_block(part_of(block, k, 1), description)[0]))
        quick = {(v.side, v.event, int(v.strokes[0])) for v in kernel.quick()}
        if final:
            found[k] = "final"
        elif not quick <= seen:
            found[k] = "quick"
        seen = quick
    return found


def _node_round(seed: int, seconds: float, completing: dict[int, str]) -> tuple[Round, bytes]:
    times: dict[str, list[tuple[int, float]]] = defaultdict(list)
    raw, before, settled = b"", -1, False
    with Ride(seed, RATE_HZ, seconds) as ride:
        middle = ride.start(run_real_node)
        with (
            Subscriber(middle.results, ["results"], display=True) as results,
            zmq.Context() as context,
            context.socket(zmq.SUB) as poses,
        ):
            poses.linger = poses.rcvhwm = 0
            poses.connect(middle.results)
            poses.subscribe(b"pose")
            ride.begin()
            while not ride.over():
                if not wait([results], 0.05):
                    continue
                there = time.monotonic()
                snapshots = [m for _, m in results.poll() if isinstance(m, Snapshot)]
                decoded = time.monotonic()
                for snapshot in snapshots:
                    if snapshot.frame is None:
                        continue
                    if not settled and snapshot.frame > SETTLE_S * RATE_HZ:
                        middle.count_cpu()
                        settled = True
                    new = [k for k in range(before + 1, snapshot.frame + 1) if k in completing]
                    before = snapshot.frame
                    if new and settled:
                        raw = encode(snapshot)
                        for what, at in zip(
                            ("worked", "arrived", "read"),
                            (snapshot.sent, there, decoded),
                            strict=True,
                        ):
                            times[f"{completing[new[0]]}, {what}"].append((new[0], at))
            core = middle.core_share()
        sent = ride.sent()
    delays = {name: [1e3 * (at - float(sent[k])) for k, at in own] for name, own in times.items()}
    return Round(delays, core), raw


def _echo_round(seed: int, seconds: float, answer: bytes) -> Round:
    times = []
    settled = False
    with Ride(seed, RATE_HZ, seconds) as ride:
        middle = ride.start(run_echo, answer)
        with zmq.Context() as context, context.socket(zmq.SUB) as results:
            results.linger = 0
            results.connect(middle.results)
            results.subscribe(b"results")
            ride.begin()
            while not ride.over():
                if not results.poll(50):
                    continue
                there = time.monotonic()
                number = int(results.recv_multipart()[2])
                if number > SETTLE_S * RATE_HZ:
                    if not settled:
                        middle.count_cpu()
                        settled = True
                    times.append((number, there))
            core = middle.core_share()
        sent = ride.sent()
    return Round({"echo": [1e3 * (at - float(sent[k])) for k, at in times]}, core)


def _work(seed: int, seconds: float) -> float:
    """CPU time of the node's work on each frame in turn, over the time the frames last."""
    info, block = record(seed, RATE_HZ, int(seconds * RATE_HZ))
    description = describe(info, stream="again", source="benchmark")
    messages = [encode(pack_block(part_of(block, k, 1), description)[0]) for k in range(len(block))]
    processing = Processing(load_definitions(), Settings())
    processing.describe(description)
    first, pose_every = int(SETTLE_S * RATE_HZ), round(POSE_EVERY_S * RATE_HZ)
    began = time.process_time()
    for k, raw in enumerate(messages):
        if k == first:
            began = time.process_time()
        processing.take(decode(Frames, raw), k / RATE_HZ)
        if processing.changed:
            encode(processing.snapshot(k / RATE_HZ))
        if k % pose_every == 0:
            pose = processing.pose(k / RATE_HZ)
            if isinstance(pose, Pose):
                encode(pose)
    return (time.process_time() - began) * RATE_HZ / (len(messages) - first)
