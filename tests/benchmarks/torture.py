"""What is left of a recording when recorder, node, source, disk or directory fail under it.

``python -m tests.benchmarks torture [--seed N] [--moments N] [--short]``

A source, the real node and the real recorder run as processes of their own. At a random moment
one of them is killed (-9), the disk becomes full (a file-size limit, and as root a small file
system in memory), the directory is removed, or a permission is lost: the directory may not be
written when the recording begins, or not even be entered while it goes on (root gives up its right
to pass over that), or the open file becomes immutable. Then the file is read: every frame that
the recorder had reported as written must be there with the very bytes that were sent, no other may
be, and whoever records must have been told. After a kill the file is also cut short at many bytes
of its last block.
"""

from __future__ import annotations

import multiprocessing as mp
import resource
import shutil
import signal
import subprocess
import tempfile
import time
from argparse import ArgumentParser, Namespace
from collections import Counter
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event
from pathlib import Path

import numpy as np

from livefit.definitions import load_definitions
from livefit.frames import MarkerBlock, StreamInfo
from livefit.node.run import NodeEndpoints, run_node
from livefit.node.settings import Settings
from livefit.recording.reading import NoRecordingError, Survey, entries, survey
from livefit.recording.recorder import Progress, run_recorder
from livefit.wire.blocks import describe, pack_block
from livefit.wire.codec import decode
from livefit.wire.messages import Frames
from livefit.wire.sockets import Publisher
from tests.benchmarks.tables import table
from tests.end_to_end.running import free_address
from tests.recording.permissions import bound_by_permissions, immutable

KINDS = (
    "recorder killed", "source killed", "node killed", "file limit", "disk full", "removed",
    "no place", "directory shut", "file immutable",
)  # fmt: skip
RATE_HZ = 500.0
CUTS = 40
_PATIENCE_S = 60.0
_INFO = StreamInfo(("R_CA", "R_VM", "R_LM"), RATE_HZ, "+z")


def arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--moments", type=int, default=200, help="how often something fails")


def main(options: Namespace) -> None:
    moments = 2 * len(KINDS) if options.short else options.moments
    random = np.random.default_rng(options.seed)
    rounds: Counter[str] = Counter()
    found: Counter[str] = Counter()
    frames: Counter[str] = Counter()
    began = time.monotonic()
    for k in range(moments):
        kind = KINDS[k % len(KINDS)]
        try:
            frames[kind] += fail_once(kind, random)
        except AssertionError as error:
            found[kind] += 1
            print(f"{kind}, moment {k}: {error}", flush=True)
        except PermissionError as error:
            print(f"{kind} cannot be had here: {error}")
            continue
        rounds[kind] += 1
    print(f"seed {options.seed}, {time.monotonic() - began:.0f} s")
    head = ["what failed", "moments", "frames read back", "faults"]
    print(table(head, [[kind, rounds[kind], frames[kind], found[kind]] for kind in KINDS]))


def positions_of(stream: str, number: int) -> bytes:
    """What is sent in a frame, as its bytes: made anew from its number by whoever checks."""
    seed = int.from_bytes(stream.encode(), "little") + number
    return np.random.default_rng(seed).normal(0.0, 500.0, 9).astype("<f4").tobytes()


def _source(frames: str, stream: str, stop: Event) -> None:
    described = describe(_INFO, stream=stream, source="torture")
    with Publisher(frames, cached=["description"]) as publisher:
        publisher.publish(described)
        while not publisher.listeners("frames") and not stop.is_set():
            publisher.serve()
            time.sleep(0.005)
        began, number = time.monotonic(), 0
        while not stop.is_set():
            publisher.serve()
            while number < (time.monotonic() - began) * RATE_HZ:
                xyz = np.frombuffer(positions_of(stream, number), "<f4").astype(np.float64)
                block = MarkerBlock(
                    np.array([number]), np.array([number / RATE_HZ]), xyz.reshape(1, 3, 3)
                )
                for message in pack_block(block, described):
                    publisher.publish(message)
                number += 1
            time.sleep(0.002)


def _node(at: NodeEndpoints, stop: Event) -> None:
    run_node(load_definitions(), Settings(), at, stop.is_set)


def _recorder(
    at: NodeEndpoints, into: Path, limit: int | None, bound: bool, pipe: Connection, stop: Event
) -> None:
    if limit is not None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    def told(progress: Progress) -> None:
        pipe.send(progress.frames)

    try:
        with bound_by_permissions(into.parent) if bound else nullcontext():
            end = run_recorder(
                at.frames, at.results, into, stop.is_set,
                control_endpoint=at.control, keep_free=0, on_progress=told,
            )  # fmt: skip
        pipe.send(f"ended: {end.frames} frames, {end.lost} lost")
    except OSError as error:
        pipe.send(f"stopped: {error}")


@dataclass
class _Run:
    """The three processes of a round."""

    into: Path
    limit: int | None = None
    bound: bool = False
    """Whether the recorder is bound by permissions, though it is root's."""

    def __post_init__(self) -> None:
        self._context = mp.get_context("forkserver")
        self._context.set_forkserver_preload(["tests.benchmarks.torture"])
        self.at = NodeEndpoints(free_address(), free_address(), free_address())
        self.stop = self._context.Event()
        self.stop_recorder = self._context.Event()
        self.pipe, theirs = self._context.Pipe(duplex=False)
        self.processes = {
            "source": self._start(_source, self.at.frames, "one", self.stop),
            "node": self._start(_node, self.at, self.stop),
            "recorder": self._start(
                _recorder, self.at, self.into, self.limit, self.bound, theirs, self.stop_recorder
            ),
        }
        self.written = 0
        self.said: str | None = None

    def _start(self, target: Callable[..., object], *args: object) -> mp.process.BaseProcess:
        process = self._context.Process(target=target, args=args, daemon=True)
        process.start()
        return process

    def another_source(self) -> None:
        self.processes["source"] = self._start(_source, self.at.frames, "two", self.stop)

    def listen(self, seconds: float, *, until: int = 10**9) -> None:
        """Hear what the recorder reports, until it has written so many frames or the time is up."""
        end = time.monotonic() + seconds
        while self.said is None and self.written < until and time.monotonic() < end:
            self._hear(0.01)

    def kill(self, name: str) -> None:
        process = self.processes[name]
        process.kill()
        process.join(_PATIENCE_S)
        while self._hear(0.0):
            pass

    def _hear(self, seconds: float) -> bool:
        """Take one report of the recorder; False: there is none."""
        try:
            said = self.pipe.recv() if self.pipe.poll(seconds) else None
        except EOFError:
            return False
        if isinstance(said, int):
            self.written = said
        elif said is not None:
            self.said = str(said)
        return said is not None

    def finish(self) -> None:
        """End the recorder as Ctrl-C would."""
        self.stop_recorder.set()
        self.listen(_PATIENCE_S)

    def close(self) -> None:
        for process in self.processes.values():
            process.kill()
            process.join(_PATIENCE_S)
        self.pipe.close()


def fail_once(kind: str, random: np.random.Generator) -> int:
    """One moment; returns how many frames were read back.

    Raises
    ------
    AssertionError
        If a frame is missing or invented, or nobody was told.
    PermissionError
        Where no file system can be mounted, or no permission be lost.
    """
    with tempfile.TemporaryDirectory() as made:
        into = Path(made) / "rides"
        into.mkdir()
        if kind == "disk full":
            _mount(into, int(random.integers(100, 300)))
        limit = int(random.integers(60_000, 200_000)) if kind == "file limit" else None
        if kind == "no place":
            into.chmod(0o500)
        run = _Run(into, limit, bound=kind in ("no place", "directory shut"))
        try:
            return _fail(kind, run, random)
        finally:
            run.close()
            if kind == "disk full":
                subprocess.run(["umount", "--lazy", str(into)], check=True)


def _mount(into: Path, kilobytes: int) -> None:
    mount = ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(into)]
    done = subprocess.run(mount, capture_output=True, text=True, check=False)
    if done.returncode:
        raise PermissionError(done.stderr.strip())


def _fail(kind: str, run: _Run, random: np.random.Generator) -> int:
    run.listen(_PATIENCE_S, until=1)
    if kind == "no place":
        _check("no recording can be made in" in str(run.said), f"was told {run.said}")
        _check(not list(run.into.iterdir()), "something was left behind")
        return 0
    _check(run.written > 0 or run.said is not None, "nothing was ever recorded")
    run.listen(float(random.uniform(0.0, 1.5)))
    if kind == "recorder killed":
        run.kill("recorder")
    elif kind in ("source killed", "node killed"):
        run.kill(kind.split()[0])
        if kind == "source killed":
            run.another_source()
        run.listen(0.7)
        run.finish()
        _check(run.said is not None and run.said.startswith("ended"), f"was told {run.said}")
    elif kind == "removed":
        shutil.rmtree(run.into)
        run.listen(_PATIENCE_S)
        _check("was removed while it was written" in str(run.said), f"was told {run.said}")
        return 0
    elif kind == "directory shut":
        run.into.chmod(0)
        before = run.written
        run.listen(_PATIENCE_S, until=before + round(RATE_HZ))
        run.finish()
        run.into.chmod(0o700)
        _check(run.said is not None and run.said.startswith("ended"), f"was told {run.said}")
        _check(run.written > before, "it was not written on")
    else:
        with immutable(_file(run)) if kind == "file immutable" else nullcontext():
            run.listen(_PATIENCE_S)
        _check("cannot be written on" in str(run.said), f"was told {run.said}")
    path = _file(run)
    whole = survey(path)
    count = _read_back(whole, run.written)
    if kind == "directory shut":
        _check(whole.damage is None, f"it was not closed: {whole.damage}")
    if kind == "recorder killed":
        _check(whole.damage is not None, "nobody is told that the file was cut off")
        _cut(path, whole, random)
    return count


def _file(run: _Run) -> Path:
    (path,) = run.into.glob("*.mcap")
    return path


def _read_back(found: Survey, written: int) -> int:
    """Compare every frame with what was sent under its number."""
    count = 0
    lasts: dict[str, int] = {}
    for entry in entries(found, topics=("frames",)):
        message = decode(Frames, entry.raw)
        last = lasts.get(message.stream, -1)
        _check(message.first > last, f"frame {message.first} came after {last}")
        lasts[message.stream] = message.first
        same = message.xyz == positions_of(message.stream, message.first)
        _check(same, f"frame {message.first} is not what was sent")
        count += message.count
    _check(count >= written, f"{written} frames were reported as written, {count} are there")
    return count


def _cut(path: Path, whole: Survey, random: np.random.Generator) -> None:
    """Cut the last block short at many of its bytes: all the blocks before it stay."""
    last = whole.chunks[-1]
    data = path.read_bytes()
    before = sum(1 for _ in entries(_without_last(whole))) if len(whole.chunks) > 1 else 0
    cut = path.with_name("cut.mcap")
    for place in random.integers(last.offset, last.offset + last.length, CUTS).tolist():
        cut.write_bytes(data[:place])
        try:
            left = survey(cut)
        except NoRecordingError:
            _check(before == 0, f"cut at byte {place}, nothing is read")
            continue
        _check(sum(1 for _ in entries(left)) == before, f"cut at byte {place}: not {before}")
        _check(left.damage is not None, f"cut at byte {place}, and nobody is told")
    cut.unlink(missing_ok=True)


def _without_last(found: Survey) -> Survey:
    return Survey(found.path, found.chunks[:-1], found.channels, None)


def _check(holds: bool, what: str) -> None:
    if not holds:
        raise AssertionError(what)
