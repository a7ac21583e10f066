"""How long ``livefit demo`` listens before it draws a picture."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from livefit.cli.children import Child
from livefit.cli.demo import free_address, listen
from livefit.wire.messages import Message, Snapshot
from livefit.wire.sockets import Publisher
from tests.wire.wire_examples import snapshot

SLOW_S = 1.0


class Asleep(Child):
    """A process that does nothing."""

    def __init__(self, command: str) -> None:
        self.command = command
        subprocess.Popen.__init__(self, [sys.executable, "-c", "import time; time.sleep(60)"])


@pytest.fixture
def processes() -> Iterator[list[Child]]:
    """Stand-ins for the node and the source."""
    both: list[Child] = [Asleep("process --frames"), Asleep("capture simulated")]
    yield both
    for process in both:
        process.kill()
        process.wait()


class Node:
    """Publishes a snapshot ten times a second, without a stream at first."""

    def __init__(self, stream_after_s: float) -> None:
        self.endpoint = free_address()
        self._after = stream_after_s
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Node:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._done.set()
        self._thread.join()

    def _run(self) -> None:
        begin, said = time.monotonic(), snapshot()
        with Publisher(self.endpoint) as results:
            while not self._done.wait(0.1):
                late = time.monotonic() - begin > self._after
                results.publish(said if late else said.model_copy(update={"stream": None}))


def heard(
    endpoint: str, seconds: float, processes: list[Child], stopped: Callable[[], bool]
) -> tuple[float, int]:
    """Seconds that passed, and messages that came of a stream."""
    of_stream = 0

    def take(message: Message, _: float) -> None:
        nonlocal of_stream
        of_stream += isinstance(message, Snapshot) and message.stream is not None

    passed = listen(take, endpoint, seconds, stopped, processes, patience_s=10.0)
    return passed, of_stream


def test_the_time_begins_with_the_stream(processes: list[Child]) -> None:
    """Counted from its own start it would be over before the stream began."""
    with Node(stream_after_s=2 * SLOW_S) as node:
        passed, of_stream = heard(node.endpoint, SLOW_S, processes, lambda: False)
    assert passed >= SLOW_S
    assert of_stream >= 2


def test_an_interrupt_gives_the_seconds_that_passed(processes: list[Child]) -> None:
    begin = time.monotonic()
    with Node(stream_after_s=0.0) as node:
        passed, _ = heard(
            node.endpoint, 90.0, processes, lambda: time.monotonic() - begin > 2 * SLOW_S
        )
    assert 0.0 < passed < 10.0


@pytest.mark.parametrize(
    ("node_speaks", "named"), [(False, "livefit process"), (True, "livefit capture simulated")]
)
def test_a_stream_that_does_not_begin_is_an_error_that_says_whose(
    node_speaks: bool, named: str, processes: list[Child]
) -> None:
    with Node(stream_after_s=60.0) as node:
        endpoint = node.endpoint if node_speaks else free_address()
        with pytest.raises(TimeoutError, match=f"nothing came from '{named}"):
            listen(lambda *_: None, endpoint, 3.0, lambda: False, processes, patience_s=SLOW_S)


def test_an_interrupt_before_the_first_frame_draws_nothing(processes: list[Child]) -> None:
    with pytest.raises(ValueError, match="before the first frame"):
        listen(lambda *_: None, free_address(), 3.0, lambda: True, processes)
