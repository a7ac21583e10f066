"""The program's other commands as processes of their own."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

_END_S = 3.0


class Child(subprocess.Popen[bytes]):
    """One of the program's other commands in a process of its own."""

    def __init__(self, arguments: list[str]) -> None:
        self.command = " ".join(arguments[:2])
        super().__init__([sys.executable, "-m", "livefit", *arguments])


@contextmanager
def child(arguments: list[str]) -> Iterator[Child]:
    """A command that runs until the end of the block."""
    process = Child(arguments)
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(_END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def all_alive(processes: list[Child]) -> None:
    """Raise ``ValueError`` if one has ended by itself."""
    for process in processes:
        if process.poll() is not None:
            raise ValueError(
                f"'livefit {process.command}' ended with status {process.returncode}; see above"
            )
