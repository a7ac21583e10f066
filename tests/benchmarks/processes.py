"""A publisher, and what works between it and the listener, as processes of their own."""

from __future__ import annotations

import multiprocessing as mp
import os
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event
from pathlib import Path

import numpy as np
import zmq

from livefit.cli.common import keep_for_good
from livefit.definitions import load_definitions
from livefit.frames import FloatArray
from livefit.node.run import NodeEndpoints, run_node
from livefit.node.settings import Settings
from livefit.wire.blocks import describe, pack_block
from livefit.wire.sockets import Publisher
from tests.benchmarks.ride import part_of, record

PATIENCE_S = 20.0
ANY = "tcp://127.0.0.1:*"
ECHO_EVERY = 20
"""The echo answers one frame in so many."""


class Middle:
    """The process between publisher and listener.

    Attributes
    ----------
    results
        Where it publishes.
    """

    def __init__(self, process: mp.process.BaseProcess, results: str) -> None:
        self._process = process
        self._ticks, self._began = 0, 0.0
        self.results = results

    def count_cpu(self) -> None:
        """Count from now on."""
        self._ticks, self._began = self._cpu_ticks(), time.monotonic()

    def core_share(self) -> float:
        """Share of a core that all its threads have used since then."""
        used = (self._cpu_ticks() - self._ticks) / os.sysconf("SC_CLK_TCK")
        return used / (time.monotonic() - self._began)

    def _cpu_ticks(self) -> int:
        """User and system time, see proc_pid_stat(5)."""
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rpartition(")")[2].split()
        return int(fields[11]) + int(fields[12])


class Ride:
    """The simulated rider's frames, published as they are due, and a process that takes them."""

    def __init__(self, seed: int, rate_hz: float, seconds: float) -> None:
        self._spawn = mp.get_context("spawn")
        self._stop = self._spawn.Event()
        self._pipe, theirs = self._spawn.Pipe()
        self._processes: list[mp.process.BaseProcess] = []
        self._run(_publish, theirs, seed, rate_hz, seconds)
        self._frames = str(_receive(self._pipe))

    def start(self, target: Callable[..., None], *args: object) -> Middle:
        """Put `run_real_node` or `run_echo` between publisher and listener."""
        ours, theirs = self._spawn.Pipe()
        process = self._run(target, theirs, self._frames, *args)
        return Middle(process, str(_receive(ours)))

    def _run(self, target: Callable[..., None], *args: object) -> mp.process.BaseProcess:
        process = self._spawn.Process(target=target, args=(*args, self._stop), daemon=True)
        process.start()
        self._processes.append(process)
        return process

    def begin(self) -> None:
        """Let the ride begin."""
        self._pipe.send("ride")

    def over(self) -> bool:
        """Whether all frames were sent and a moment has passed."""
        return self._pipe.poll()

    def sent(self) -> FloatArray:
        """CLOCK_MONOTONIC, s, at which each frame was given to the publisher to send."""
        return np.asarray(_receive(self._pipe))

    def __enter__(self) -> Ride:
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        for process in self._processes:
            process.join(PATIENCE_S)


def _receive(pipe: Connection) -> object:
    if not pipe.poll(PATIENCE_S):
        raise TimeoutError(f"a process of the benchmark said nothing for {PATIENCE_S:g} s")
    return pipe.recv()


def _publish(pipe: Connection, seed: int, rate_hz: float, seconds: float, stop: Event) -> None:
    info, block = record(seed, rate_hz, int(seconds * rate_hz))
    description = describe(info, stream="ride", source="benchmark")
    sent = np.zeros(len(block))
    with Publisher(ANY, cached=["description"]) as publisher:
        pipe.send(publisher.endpoint)
        publisher.publish(description)
        while not publisher.listeners("frames") and not stop.is_set():
            publisher.serve()
            time.sleep(0.01)
        _receive(pipe)
        began = time.monotonic()
        for k in range(len(block)):
            time.sleep(max(0.0, began + k / rate_hz - time.monotonic()))
            one = part_of(block, k, 1)
            [message] = pack_block(one, description, sent=time.monotonic())
            sent[k] = time.monotonic()
            publisher.publish(message)
        time.sleep(0.2)
        pipe.send(sent)
        stop.wait(PATIENCE_S)


def run_real_node(pipe: Connection, frames: str, stop: Event) -> None:
    """Run the node as it is shipped."""
    keep_for_good()
    endpoints = NodeEndpoints(frames, ANY, ANY)
    run_node(
        load_definitions(), Settings(), endpoints, stop.is_set,
        on_ready=lambda real: pipe.send(real.results),
    )  # fmt: skip


def run_echo(pipe: Connection, frames: str, answer: bytes, stop: Event) -> None:
    """Plain pyzmq: every so many frames the same bytes, and the frame's number behind them."""
    with (
        zmq.Context() as context,
        context.socket(zmq.SUB) as source,
        context.socket(zmq.PUB) as results,
    ):
        source.linger = results.linger = 0
        source.connect(frames)
        source.subscribe(b"frames")
        results.bind(ANY)
        pipe.send(results.getsockopt_string(zmq.LAST_ENDPOINT))
        count = 0
        while not stop.is_set():
            if not source.poll(50):
                continue
            source.recv_multipart()
            if count % ECHO_EVERY == 0:
                results.send_multipart([b"results", answer, b"%d" % count])
            count += 1
