"""What the node bears: many frames, many listeners, and a source that comes and goes.

``python -m tests.benchmarks load [--seed N] [--short] [--minutes 10] [--beside-minutes 2]``

* Load: a publisher sends the simulated rider at 1,000 Hz with 60 markers, about half of which no
  marker set knows, one frame a message. The real node works on it, and eight displays listen to
  results, poses, strokes and cycles: six as quickly as they can, one that takes all there is every
  half second, and one that takes a single message every half second, which no reader of this
  program does. Beside it, one after the other on the same frames: plain pyzmq that sends every
  message on as it came, to one listener, and an LSL inlet that does nothing with what it is given.
  Frames count as lost when they were sent and never received. Backlog is the number of frames that
  had been sent but were not in the snapshot when it was. The age of what a listener reads is that
  of the frame it shows, from the frame's sending until it was decoded. Wanted: nothing lost, no
  backlog that grows, a listener that takes what is there never more than a second behind.
* Outages: the source is killed and started again, stopped and continued, and cut off by a relay
  that breaks the connection and lets nobody in, for three seconds each. Timed is how long until a
  snapshot says so (the state is silent, or there is a warning), and from the first frame that is
  sent again, heard or not, until a snapshot has a newer frame than before; of this also the part
  from the first frame for which there was a listener. Wanted: below 2 s and below 200 ms.
"""

from __future__ import annotations

import signal
import time
from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Self

import numpy as np
import zmq

from livefit.frames import FloatArray
from livefit.wire.messages import Snapshot
from livefit.wire.sockets import Subscriber, wait
from tests.benchmarks.load_processes import (
    MARKERS,
    RATE_HZ,
    Player,
    Way,
    echo_all,
    listen,
    publish,
    pull_lsl,
    push_lsl,
    write_frames,
    write_log,
)
from tests.benchmarks.processes import ANY, PATIENCE_S, run_real_node
from tests.benchmarks.tables import Cell, load_average, table

SETTLE_S = 8.0
"""Left out at the beginning: the crank is being found, code is run for the first time."""
PARTS = 5
QUICK = 6
PAUSE_S = 0.5
OUTAGE_S = 3.0
BETWEEN_S = 2.0
OUTAGE_ROOM_S = 120.0


@dataclass(frozen=True)
class Taken:
    """Frames sent and received, and the share of a core that receiving took."""

    sent: int
    received: int
    core: float


@dataclass(frozen=True)
class Borne:
    """What became of the load on the node.

    Attributes
    ----------
    sent
        (n,) s, when each frame was sent.
    seen
        (k, 3) of each settled snapshot: when it was sent, s, the newest frame in it, and the
        node's resident memory, MB.
    read
        For each listener (k, 2): frame and when it was read, s.
    told_lost
        Frames that the node itself says are lost.
    """

    taken: Taken
    sent: FloatArray
    seen: FloatArray
    read: list[FloatArray]
    told_lost: int


def arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--minutes", type=float, default=10.0, help="of load on the node")
    parser.add_argument("--beside-minutes", type=float, default=2.0, help="of load on each peer")


def main(options: Namespace) -> None:
    seconds, rounds = (20.0, 1) if options.short else (60 * options.minutes, 3)
    peers_s = seconds if options.short else 60 * options.beside_minutes
    with TemporaryDirectory() as folder:
        frames, log = Path(folder, "frames.npy"), Path(folder, "log.npy")
        count, few = int(seconds * RATE_HZ), Path(folder, "few.npy")
        write_frames(frames, options.seed, count)
        write_frames(few, options.seed, int(peers_s * RATE_HZ))
        write_log(log, count)
        print(f"{seconds:g} s at {RATE_HZ:g} Hz, {MARKERS} markers; load average {load_average()}")
        borne = _bear(frames, log)
        write_log(log, int(peers_s * RATE_HZ))
        beside = {"plain pyzmq, one listener": _echo(few, log), "LSL inlet": _lsl(few)}
        _print_load(borne, beside)
        rows = [row for name in KINDS for row in _outages(frames, Path(folder), name, rounds)]
    print(table(["source", "told after, s", "back after, ms", "once heard, ms"], rows))


def _print_load(borne: Borne, beside: dict[str, Taken | None]) -> None:
    lasted = borne.sent[-1] - borne.sent[0]
    print(f"frames went out at {(len(borne.sent) - 1) / lasted:.1f} Hz\n")
    rows: list[list[Cell]] = [
        [name, taken.sent, taken.received, taken.sent - taken.received, 100 * taken.core]
        for name, taken in ({"node, eight listeners": borne.taken} | beside).items()
        if taken is not None
    ]
    print(table(["frames", "sent", "received", "lost", "% of a core"], rows))
    print(f"lost as the node itself counts: {borne.told_lost}\n")
    print(table(["backlog, frames", *_QUANTILES, "node's memory, MB"], _over_time(borne)))
    names = [f"quick {k + 1}" for k in range(QUICK)]
    names += [f"all there is every {PAUSE_S:g} s", f"one message every {PAUSE_S:g} s"]
    rows = []
    for name, read in zip(names, borne.read, strict=True):
        # Snapshots go on to show the last frame when the ride is over.
        settled = read[(read[:, 0] >= SETTLE_S * RATE_HZ) & (read[:, 0] < len(borne.sent) - 1)]
        age = 1e3 * (settled[:, 1] - borne.sent[settled[:, 0].astype(np.int64)])
        rows.append([name, len(age), *_quantiles(age)])
    print()
    print(table(["age of what is read, ms", "messages", *_QUANTILES], rows))
    print()


def _over_time(borne: Borne) -> list[list[Cell]]:
    """Backlog of all and of each part of the ride, and the memory when it was over."""
    at, newest, resident_mb = borne.seen.T
    backlog = np.searchsorted(borne.sent, at, side="right") - 1 - newest
    rows: list[list[Cell]] = [["at the beginning", *_quantiles(backlog[:1]), resident_mb[0]]]
    for k, part in enumerate(np.array_split(np.arange(len(at)), PARTS)):
        name = f"part {k + 1} of {PARTS}"
        rows.append([name, *_quantiles(backlog[part]), resident_mb[part[-1]]])
    return [*rows, ["all", *_quantiles(backlog), resident_mb[-1]]]


_QUANTILES = ("p50", "p99", "max")


def _quantiles(values: FloatArray) -> list[float]:
    return [float(np.percentile(values, q)) for q in (50, 99, 100)] if len(values) else [np.nan] * 3


def _bear(frames: Path, log: Path) -> Borne:
    seen: list[tuple[float, float, float]] = []
    with ExitStack() as stack:
        publisher = stack.enter_context(Player(publish, frames, log, "load", ANY, False))
        node = stack.enter_context(Player(run_real_node, publisher.hear()))
        middle = node.middle(str(node.hear()))
        ways = [(0.0, False)] * QUICK + [(PAUSE_S, False), (PAUSE_S, True)]
        listeners = [stack.enter_context(Player(listen, middle.results, *way)) for way in ways]
        for listener in listeners:
            listener.hear()
        results = stack.enter_context(Subscriber(middle.results, ["results"]))
        publisher.begin()
        while not publisher.has_spoken():
            wait([results], 0.05)
            for snapshot in _snapshots(results):
                if snapshot.frame is None or snapshot.frame < SETTLE_S * RATE_HZ:
                    continue
                if not seen:
                    middle.count_cpu()
                seen.append((snapshot.sent, snapshot.frame, node.resident_mb()))
        core = middle.core_share()
        time.sleep(1.0)
        last = _snapshots(results)[-1]
        for listener in listeners:
            listener.end()
        read = [np.asarray(listener.hear()) for listener in listeners]
    if not seen:
        raise RuntimeError("the node had not taken in the first seconds when the ride was over")
    sent = np.load(log)[:, 0]
    taken = Taken(len(sent), last.health.frames, core)
    return Borne(taken, sent, np.array(seen), read, last.health.lost)


def _snapshots(results: Subscriber) -> list[Snapshot]:
    return [message for _, message in results.poll() if isinstance(message, Snapshot)]


def _echo(frames: Path, log: Path) -> Taken:
    received = 0
    with ExitStack() as stack:
        publisher = stack.enter_context(Player(publish, frames, log, "load", ANY, False))
        echo = stack.enter_context(Player(echo_all, publisher.hear()))
        middle = echo.middle(str(echo.hear()))
        context = stack.enter_context(zmq.Context())
        results = stack.enter_context(context.socket(zmq.SUB))
        results.linger = 0
        results.connect(middle.results)
        results.subscribe(b"frames")
        publisher.begin()
        middle.count_cpu()
        while not publisher.has_spoken():
            received += _count(results, 50)
        core = middle.core_share()
        while _count(results, 500):
            received += 1
    return Taken(len(np.load(log, mmap_mode="r")), received, core)


def _count(results: zmq.Socket[bytes], patience_ms: int) -> int:
    """Receive one message and return 1, or 0 if none comes in time."""
    if not results.poll(patience_ms):
        return 0
    results.recv_multipart()
    return 1


def _lsl(frames: Path) -> Taken | None:
    if find_spec("pylsl") is None:
        return None
    with Player(push_lsl, frames) as outlet:
        outlet.hear()
        with Player(pull_lsl) as inlet:
            inlet.hear()
            middle = inlet.middle()
            outlet.begin()
            middle.count_cpu()
            while not outlet.has_spoken():
                time.sleep(0.05)
            core = middle.core_share()
            time.sleep(1.0)
            inlet.end()
            received = inlet.hear()
    return Taken(len(np.load(frames, mmap_mode="r")), int(str(received)), core)


class Source:
    """A live source, what may befall it, and how that ends.

    Attributes
    ----------
    endpoint, way
        Where it is reached, directly and by a way that can be cut.
    log
        Where the times of its frames are written.
    """

    def __init__(self, frames: Path, folder: Path) -> None:
        self._frames, self._folder = frames, folder
        self._starts, self.endpoint = 0, ANY
        self.start()
        self.endpoint = str(self._player.hear())
        self.way = Way(self.endpoint)

    def start(self) -> None:
        self._starts += 1
        self.log = self._folder / f"start-{self._starts}.npy"
        write_log(self.log, int(OUTAGE_ROOM_S * RATE_HZ))
        stream = f"start {self._starts}"
        self._player = Player(publish, self._frames, self.log, stream, self.endpoint, True)
        self._player.begin()

    def kill(self) -> None:
        self._player.kill()

    def stop(self) -> None:
        self._player.signal(signal.SIGSTOP)

    def go_on(self) -> None:
        self._player.signal(signal.SIGCONT)

    def cut(self) -> None:
        self.way.cut()

    def mend(self) -> None:
        self.way.mend()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._player.kill()
        self.way.cut()


KINDS: dict[str, tuple[Callable[[Source], None], Callable[[Source], None]]] = {
    "killed": (Source.kill, Source.start),
    "stopped": (Source.stop, Source.go_on),
    "cut off": (Source.cut, Source.mend),
}
"""How an outage begins and ends."""


def _outages(frames: Path, folder: Path, name: str, rounds: int) -> list[list[Cell]]:
    begin, end = KINDS[name]
    rows: list[list[Cell]] = []
    with (
        Source(frames, folder) as source,
        Player(
            run_real_node, source.way.endpoint if name == "cut off" else source.endpoint
        ) as node,
        Subscriber(str(node.hear()), ["results"]) as results,
    ):
        _until(results, lambda snapshot: snapshot.state == "riding")
        for _ in range(rounds):
            _newest(results, time.monotonic() + BETWEEN_S)
            began = time.monotonic()
            begin(source)
            told = _until(results, lambda snapshot: snapshot.state == "silent")
            before = _newest(results, began + OUTAGE_S)
            ended = time.monotonic()
            end(source)
            back = _until(results, partial(_is_newer, before))
            times = np.load(source.log)
            first, heard = (float(column[column >= ended].min()) for column in times.T)
            rows.append([name, told - began, 1e3 * (back - first), 1e3 * (back - heard)])
    return rows


def _is_newer(before: Snapshot, snapshot: Snapshot) -> bool:
    place = (snapshot.stream, snapshot.frame)
    return snapshot.frame is not None and place != (before.stream, before.frame)


def _until(results: Subscriber, arrived: Callable[[Snapshot], bool]) -> float:
    """Wait for a snapshot and return when (s) it was read."""
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        wait([results], 0.05)
        if any(arrived(snapshot) for snapshot in _snapshots(results)):
            return time.monotonic()
    raise TimeoutError(f"no snapshot of the node was as expected within {PATIENCE_S:g} s")


def _newest(results: Subscriber, until: float) -> Snapshot:
    """The newest snapshot at a time (s)."""
    newest: Snapshot | None = None
    while time.monotonic() < until:
        wait([results], 0.01)
        newest = ([newest, *_snapshots(results)])[-1]
    if newest is None:
        raise TimeoutError("the node published no snapshot")
    return newest
