"""A busy sensor, those who take its frames, and a way between them that can be cut."""

from __future__ import annotations

import contextlib
import multiprocessing as mp
import os
import socket
import struct
import threading
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import zmq

from livefit.frames import StreamInfo
from livefit.wire.blocks import describe
from livefit.wire.codec import TOPICS, decode
from livefit.wire.messages import Frames, Message, Pose, Snapshot
from livefit.wire.sockets import Publisher, Subscriber
from simulators import RiderSimulation, Sensor, observe, stream_info
from tests.benchmarks.processes import ANY, PATIENCE_S, Middle

RATE_HZ = 1000.0
MARKERS = 60
LISTENED = ("results", "pose", "strokes", "cycles")
LATE_FRAMES = 100
"""A live sensor leaves out what it is later with."""
LSL_NAME = "livefit benchmark"

_SPAWN = mp.get_context("spawn")
_SENSOR = Sensor(rate_hz=RATE_HZ, noise_mm=0.5, extra=("HF", "FM", "PED", "BIKE"))
_ALONG_MM = (20.0, 30.0, 40.0)
_CHUNK = 12_000


class Player:
    """A process of the benchmark and a pipe to it, which it is given first, and an event last."""

    def __init__(self, target: Callable[..., None], *args: object) -> None:
        self._pipe, theirs = _SPAWN.Pipe()
        # One event for each: a process may be killed while it holds its lock.
        self._stop = _SPAWN.Event()
        self._process = _SPAWN.Process(target=target, args=(theirs, *args, self._stop), daemon=True)
        self._process.start()

    def hear(self) -> object:
        """What it says next."""
        if not self._pipe.poll(PATIENCE_S):
            raise TimeoutError(f"a process of the benchmark said nothing for {PATIENCE_S:g} s")
        return self._pipe.recv()

    def begin(self) -> None:
        """Let it begin what it waits with."""
        self._pipe.send("begin")

    def has_spoken(self) -> bool:
        """Whether there is something to hear."""
        return self._pipe.poll()

    def middle(self, results: str = "") -> Middle:
        """The process as something whose share of a core is counted."""
        return Middle(self._process, results)

    def resident_mb(self) -> float:
        """Pages in memory, see proc_pid_statm(5)."""
        pages = int(Path(f"/proc/{self._process.pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 2**20

    def signal(self, number: int) -> None:
        """Send it a signal."""
        if self._process.pid is not None:
            os.kill(self._process.pid, number)

    def kill(self) -> None:
        """End it without a word (SIGKILL)."""
        self._process.kill()
        self._process.join(PATIENCE_S)

    def end(self) -> None:
        """Ask it to end."""
        self._stop.set()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._process.is_alive() and error is None:
            self.end()
            self._process.join(PATIENCE_S)
        if self._process.is_alive():
            self.kill()


class Way:
    """A TCP relay to an endpoint. Cut, it breaks its connections and lets nobody in."""

    def __init__(self, endpoint: str) -> None:
        self._behind = ("127.0.0.1", int(endpoint.rpartition(":")[2]))
        self._ends: list[socket.socket] = []
        self._port = 0
        self.mend()
        self.endpoint = f"tcp://127.0.0.1:{self._port}"

    def mend(self) -> None:
        """Let everything through."""
        self._door = socket.create_server(("127.0.0.1", self._port))
        self._port = self._door.getsockname()[1]
        threading.Thread(target=self._welcome, args=(self._door,), daemon=True).start()

    def cut(self) -> None:
        """Let nothing through until it is mended."""
        for end in (self._door, *self._ends):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        self._ends = []

    def _welcome(self, door: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, far = door.accept()[0], socket.create_connection(self._behind)
                for end, other in ((near, far), (far, near)):
                    end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    self._ends.append(end)
                    threading.Thread(target=_carry, args=(end, other), daemon=True).start()


def _carry(source: socket.socket, sink: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while data := source.recv(65_536):
            sink.sendall(data)


def info() -> StreamInfo:
    """The simulated rider's markers, and more that no marker set knows."""
    rider = stream_info(_SENSOR)
    along = [f"along_{k}" for k in range(MARKERS - len(rider.labels))]
    return StreamInfo((*rider.labels, *along), RATE_HZ, rider.up, rider.sampling)


def write_frames(path: Path, seed: int, count: int) -> None:
    """Write (count, 60, 3) float32 mm: the simulated rider with points riding along."""
    rider = RiderSimulation(seed=seed)
    xyz = np.lib.format.open_memmap(
        path, mode="w+", dtype=np.dtype("<f4"), shape=(count, MARKERS, 3)
    )
    for first in range(0, count, _CHUNK):
        made = observe(rider, _SENSOR, first=first, count=min(_CHUNK, count - first)).positions
        along = made[:, : MARKERS - made.shape[1]] + _ALONG_MM
        xyz[first : first + len(made)] = np.concatenate([made, along], axis=1)
    xyz.flush()


def write_log(path: Path, count: int) -> None:
    """Write room for when each of so many frames was sent, and when so while somebody listened."""
    log = np.lib.format.open_memmap(path, mode="w+", dtype=np.float64, shape=(count, 2))
    log[:] = np.nan
    log.flush()


def publish(
    pipe: Connection, frames: Path, log: Path, stream: str, endpoint: str, live: bool, stop: Event
) -> None:
    """Send as many frames as the log has room for, one a message, each when it is due.

    A live sensor begins whether somebody listens or not, and leaves out what it is late with.
    """
    xyz, sent = np.load(frames, mmap_mode="r"), np.load(log, mmap_mode="r+")
    with Publisher(endpoint, cached=["description"]) as publisher:
        publisher.publish(describe(info(), stream=stream, source="benchmark"))
        pipe.send(publisher.endpoint)
        pipe.recv()
        while not (live or publisher.listeners("frames") or stop.is_set()):
            publisher.serve()
            time.sleep(0.01)
        began = time.monotonic()
        k = 0
        while not stop.is_set():
            time.sleep(max(0.0, began + k / RATE_HZ - time.monotonic()))
            due = int((time.monotonic() - began) * RATE_HZ)
            k = due if live and due - k > LATE_FRAMES else k
            if k >= len(sent):
                break
            now = time.monotonic()
            publisher.publish(
                Frames(
                    stream=stream, first=k, count=1, t=struct.pack("<d", k / RATE_HZ),
                    xyz=xyz[k % len(xyz)].tobytes(), sent=now,
                )
            )  # fmt: skip
            sent[k] = now, now if publisher.listeners("frames") else np.nan
            k += 1
        pipe.send("over")
        stop.wait(PATIENCE_S)


def listen(pipe: Connection, results: str, pause_s: float, one_by_one: bool, stop: Event) -> None:
    """Read what a display reads, and say of each frame shown when it was read: (n, 2)."""
    read: list[tuple[float, float]] = []
    with Subscriber(results, LISTENED, display=True) as subscriber:
        pipe.send("listening")
        while not stop.is_set():
            time.sleep(pause_s)
            messages = _next(subscriber) if one_by_one else subscriber.poll(0.1)
            now = time.monotonic()
            read += [
                (message.frame, now)
                for _, message in messages
                if isinstance(message, Snapshot | Pose) and message.frame is not None
            ]
    pipe.send(np.array(read).reshape(-1, 2))


def _next(subscriber: Subscriber) -> list[tuple[str, Message]]:
    try:
        topic, raw = subscriber.socket.recv_multipart(zmq.NOBLOCK)
    except zmq.Again:
        return []
    return [(topic.decode(), decode(TOPICS[topic.decode()], raw))]


def echo_all(pipe: Connection, frames: str, stop: Event) -> None:
    """Plain pyzmq: send on what comes, byte for byte."""
    with (
        zmq.Context() as context,
        context.socket(zmq.SUB) as source,
        context.socket(zmq.PUB) as results,
    ):
        source.linger = results.linger = 0
        results.bind(ANY)
        source.connect(frames)
        source.subscribe(b"frames")
        pipe.send(results.getsockopt_string(zmq.LAST_ENDPOINT))
        while not stop.is_set():
            if source.poll(50):
                results.send_multipart(source.recv_multipart())


def push_lsl(pipe: Connection, frames: Path, stop: Event) -> None:
    """Send all frames through an LSL outlet, each when it is due."""
    import pylsl

    pylsl.set_config_content(_LSL_CONFIG)
    xyz = np.load(frames, mmap_mode="r").reshape(-1, 1, 3 * MARKERS)
    outlet = pylsl.StreamOutlet(
        pylsl.StreamInfo(LSL_NAME, "MoCap", 3 * MARKERS, RATE_HZ, pylsl.cf_float32, LSL_NAME)
    )
    pipe.send("there")
    pipe.recv()
    began = time.monotonic()
    for k, frame in enumerate(xyz):
        time.sleep(max(0.0, began + k / RATE_HZ - time.monotonic()))
        outlet.push_chunk(frame)
        if stop.is_set():
            return
    pipe.send("over")
    stop.wait(PATIENCE_S)


def pull_lsl(pipe: Connection, stop: Event) -> None:
    """Take frames from an LSL inlet and say at the end how many came."""
    import pylsl

    pylsl.set_config_content(_LSL_CONFIG)
    [found] = pylsl.resolve_byprop("source_id", LSL_NAME, timeout=PATIENCE_S)
    inlet = pylsl.StreamInlet(found)
    inlet.open_stream(PATIENCE_S)
    pipe.send("there")
    room = np.empty((1024, 3 * MARKERS), dtype=np.float32)
    count = 0
    while not stop.is_set():
        count += len(inlet.pull_chunk(timeout=0.02, max_samples=len(room), dest_obj=room)[1])
    pipe.send(count)


_LSL_CONFIG = "[multicast]\nResolveScope = machine\n[log]\nlevel = -3\n"
"""Seen on this machine only; has to come before anything else is asked of liblsl."""
