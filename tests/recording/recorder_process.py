"""The recorder as a process of its own, and a source that it hears."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from livefit.frames import MarkerBlock
from livefit.recording.reading import Entry, NoRecordingError, entries, survey
from livefit.wire.blocks import pack_block
from livefit.wire.messages import Description, Message
from livefit.wire.sockets import Publisher
from tests.end_to_end.running import PATIENCE_S, free_address


@dataclass
class Recorder:
    """``livefit record`` under way."""

    into: Path
    frames: str = field(default_factory=free_address)
    results: str = field(default_factory=free_address)
    control: str = field(default_factory=free_address)

    def start(self, *options: str) -> Recorder:
        where = ["--frames", self.frames, "--results", self.results, "--into", str(self.into)]
        where += ["--control", self.control]
        command = [sys.executable, "-m", "livefit", "record", *where, *options]
        self.process = subprocess.Popen(command, stderr=subprocess.PIPE)
        return self

    def __enter__(self) -> Recorder:
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    def kill(self) -> None:
        """Kill -9."""
        if self.process.returncode is None:
            self.process.kill()
            self.process.communicate()

    def ended(self) -> tuple[int, str]:
        """Exit status and what was said, once it has ended by itself."""
        _, said = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, said.decode()

    def interrupt(self) -> tuple[int, str]:
        """Ctrl-C."""
        self.process.send_signal(signal.SIGINT)
        return self.ended()

    @property
    def path(self) -> Path:
        """The newest file."""
        return max(self.into.glob("*.mcap"), key=lambda path: path.stat().st_mtime_ns)


def recorded(into: Path) -> list[Entry]:
    """What can be read of the newest recording in a directory, none if there is none yet."""
    paths = sorted(into.glob("*.mcap"), key=lambda path: path.stat().st_mtime_ns)
    try:
        return list(entries(survey(paths[-1]))) if paths else []
    except NoRecordingError:
        return []


def wait_until(come: Callable[[], bool], meanwhile: Callable[[], object] = lambda: None) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not come():
        if time.monotonic() > deadline:
            raise AssertionError(f"what was waited for did not come within {PATIENCE_S:g} s")
        meanwhile()
        time.sleep(0.01)


def send(publisher: Publisher, message: Message) -> None:
    """Send a message to listeners that may be behind."""
    wait_until(lambda: publisher.publish(message))


def send_block(publisher: Publisher, block: MarkerBlock, described: Description) -> None:
    for message in pack_block(block, described):
        send(publisher, message)
