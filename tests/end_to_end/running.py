"""Real processes for end-to-end tests."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import IO

from livefit.wire.messages import Snapshot
from livefit.wire.sockets import Subscriber

PATIENCE_S = 40.0


def free_address() -> str:
    """An address on this machine that nobody uses."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return f"tcp://127.0.0.1:{probe.getsockname()[1]}"


@dataclass
class Fit:
    """A source and a node as processes of their own."""

    frames: str = field(default_factory=free_address)
    results: str = field(default_factory=free_address)
    control: str = field(default_factory=free_address)
    source_control: str = field(default_factory=free_address)
    processes: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def start_source(self, *source: str) -> None:
        where = ["--frames", self.frames, "--control", self.source_control]
        self._start("source", ["capture", *(source or ("simulated",)), *where])

    def start_node(self, *options: str) -> None:
        where = [
            "--frames", self.frames, "--results", self.results, "--control", self.control,
        ]  # fmt: skip
        self._start("node", ["process", *where, *options])

    def start_watch(self) -> None:
        """Start it and wait until it shows something."""
        with tempfile.TemporaryFile() as shown:
            self._start("watch", ["watch", "--results", self.results], shown)
            deadline = time.monotonic() + PATIENCE_S
            while not shown.tell() and time.monotonic() < deadline:
                time.sleep(0.05)
                shown.seek(0, os.SEEK_END)

    def _start(self, name: str, arguments: list[str], out: IO[bytes] | None = None) -> None:
        command = [sys.executable, "-m", "livefit", *arguments]
        self.processes[name] = subprocess.Popen(command, stdout=out)

    def kill(self, name: str) -> None:
        self.processes[name].kill()
        self.processes.pop(name).wait()

    def interrupt(self, name: str) -> int:
        """Ctrl-C; returns the exit status."""
        process = self.processes.pop(name)
        process.send_signal(signal.SIGINT)
        return process.wait(10)

    def close(self) -> None:
        for name in list(self.processes):
            self.kill(name)


def wait_for(results: Subscriber, wanted: Callable[[Snapshot], bool]) -> Snapshot:
    """First snapshot that is as wanted; the failure quotes the last one seen."""
    deadline = time.monotonic() + PATIENCE_S
    last: Snapshot | None = None
    while time.monotonic() < deadline:
        for _, message in results.poll(0.2):
            if isinstance(message, Snapshot):
                last = message
                if wanted(message):
                    return message
    seen = last.model_copy(update={"rows": last.rows[:3]}) if last else None
    raise AssertionError(f"no such snapshot within {PATIENCE_S:g} s; the last one seen: {seen}")


def strokes(snapshot: Snapshot) -> int:
    """Fewest strokes in the window of any side."""
    return min(snapshot.strokes.values(), default=0)
