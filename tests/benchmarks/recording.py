"""What a recording costs, and how quickly it is opened, sought in and analysed again.

``python -m tests.benchmarks recording [--seed N] [--short]``

Live: the simulated rider (30 markers, 250 Hz, one frame a message) is published as its frames come
due, and the real recorder writes them; beside it a plain loop of pyzmq writes the same messages to
a file, each with its length, without chunks, checksums or compression. Told is the share of a core
that each takes (/proc), and how many frames are missing from the recording.

An hour: the same frames written as the recorder writes them, in chunks of half a second; then the
CPU time to look through the file, to play from its middle, to read it and to analyse it. Wanted:
200 times real time for all together. Sizes beside Parquet (zstd) and HDF5 (gzip 4) of the same
float32, where `pyarrow` and `h5py` are installed.
"""

from __future__ import annotations

import struct
import tempfile
import time
from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from importlib.util import find_spec
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event
from pathlib import Path

import numpy as np
import zmq

from livefit.analysis import analyse
from livefit.definitions import load_definitions
from livefit.frames import MarkerBlock, StreamInfo
from livefit.recording.reading import survey
from livefit.recording.recorder import run_recorder
from livefit.recording.writing import RecordingWriter
from livefit.sources.files import read_recording
from livefit.sources.recording import open_recording
from livefit.wire.blocks import describe, pack_block
from livefit.wire.codec import encode
from livefit.wire.messages import Frames
from tests.benchmarks.processes import Middle, Ride
from tests.benchmarks.ride import MARKERS, part_of, record
from tests.benchmarks.tables import Cell, load_average, table

RATE_HZ = 250.0
_FLUSH_FRAMES = 125
_EPOCH_NS = 1_772_000_000 * 10**9


def arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--seconds", type=float, default=180.0, help="of the live ride")
    parser.add_argument("--minutes", type=float, default=60.0, help="length of the recording")


def main(options: Namespace) -> None:
    seconds, minutes = (20.0, 6.0) if options.short else (options.seconds, options.minutes)
    print(f"{MARKERS} markers at {RATE_HZ:g} Hz, load average {load_average()}")
    with tempfile.TemporaryDirectory() as made:
        print(_live(options.seed, seconds, Path(made)))
        print()
        print(_again(options.seed, minutes, Path(made)))


def _live(seed: int, seconds: float, directory: Path) -> str:
    with Ride(seed, RATE_HZ, seconds) as ride:
        middles = {
            "recorder": ride.start(run_real_recorder, str(directory / "live")),
            "plain dump": ride.start(run_dump, str(directory / "dump")),
        }
        time.sleep(1.0)
        ride.begin()
        for middle in middles.values():
            middle.count_cpu()
        shares = _until_over(ride, middles)
    (path,) = (directory / "live").glob("*.mcap")
    block = read_recording(path).block
    size = {"recorder": path.stat().st_size, "plain dump": (directory / "dump").stat().st_size}
    lost = {"recorder": round(seconds * RATE_HZ) - len(block), "plain dump": 0}
    return table(
        [f"live, {seconds:g} s", "share of a core", "MB a minute", "frames missing"],
        [[name, shares[name], size[name] / 1e6 / (seconds / 60), lost[name]] for name in middles],
    )


def _until_over(ride: Ride, middles: dict[str, Middle]) -> dict[str, float]:
    shares: dict[str, float] = {}
    while not ride.over():
        time.sleep(0.2)
        shares = {name: middle.core_share() for name, middle in middles.items()}
    ride.sent()
    time.sleep(1.0)
    return shares


def run_real_recorder(pipe: Connection, frames: str, directory: str, stop: Event) -> None:
    """Run the recorder as it is shipped; nobody publishes results."""
    pipe.send("")
    run_recorder(frames, "tcp://127.0.0.1:9", Path(directory), stop.is_set, keep_free=0)


def run_dump(pipe: Connection, frames: str, path: str, stop: Event) -> None:
    """Plain pyzmq: each message behind its length."""
    with (
        zmq.Context() as context,
        context.socket(zmq.SUB) as source,
        Path(path).open("wb") as file,
    ):
        source.linger = 0
        source.connect(frames)
        source.subscribe(b"")
        pipe.send("")
        while not stop.is_set():
            if source.poll(50):
                _, raw = source.recv_multipart()
                file.write(struct.pack("<I", len(raw)) + raw)
                file.flush()


def _again(seed: int, minutes: float, directory: Path) -> str:
    info, block = record(seed, RATE_HZ, int(60 * minutes * RATE_HZ))
    path = _write(info, block, directory)
    definitions = load_definitions()
    middle = str(30 * minutes)

    def seek() -> None:
        source = open_recording({"path": str(path), "speed": "0", "from": middle})
        source.read(0.0)
        source.close()

    spent: dict[str, float] = {}
    for name, work in (("looked through", lambda: survey(path)), ("played from its middle", seek)):
        spent[name] = _cpu_s(work)
    began = time.process_time()
    recording = read_recording(path)
    spent["read"] = time.process_time() - began
    same = recording.block.positions.tobytes() == block.positions.astype("<f4").astype(
        np.float64).tobytes()  # fmt: skip
    began = time.process_time()
    analyse(recording.info, recording.block, definitions, discipline="road_endurance")
    spent["analysed"] = time.process_time() - began
    spent["all together"] = sum(spent.values())
    rows: list[list[Cell]] = [[name, cpu_s, 60 * minutes / cpu_s] for name, cpu_s in spent.items()]
    sizes: list[list[Cell]] = [["this recording", path.stat().st_size / 1e6]]
    sizes += _other_sizes(block, directory)
    return "\n\n".join(
        [
            f"{minutes:g} min: every frame {'read back bit for bit' if same else 'NOT THE SAME'}",
            table(["", "CPU s", "x real time"], rows),
            table(["size", "MB"], sizes),
        ]
    )


def _cpu_s(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def _write(info: StreamInfo, block: MarkerBlock, directory: Path) -> Path:
    described = describe(info, stream="ride", source="benchmark")
    with RecordingWriter(directory, "hour") as writer:
        writer.add("description", encode(described), arrived_ns=_EPOCH_NS, sent_ns=_EPOCH_NS)
        for k in range(len(block)):
            at_ns = _EPOCH_NS + round(1e9 * k / RATE_HZ)
            (message,) = pack_block(part_of(block, k, 1), described, sent=k / RATE_HZ)
            assert isinstance(message, Frames)
            writer.add("frames", encode(message), arrived_ns=at_ns, sent_ns=at_ns)
            if k % _FLUSH_FRAMES == _FLUSH_FRAMES - 1:
                writer.flush()
    return writer.path


def _other_sizes(block: MarkerBlock, directory: Path) -> list[list[Cell]]:
    """Parquet and HDF5 of the same numbers; both are written whole, and lost if it breaks off."""
    values = block.positions.reshape(len(block), -1).astype("<f4")
    sizes: list[list[Cell]] = []
    if find_spec("pyarrow"):
        import pyarrow as pa
        import pyarrow.parquet as pq

        columns = {"t": block.t, **{f"c{k}": values[:, k] for k in range(values.shape[1])}}
        pq.write_table(pa.table(columns), directory / "a.parquet", compression="zstd")
        sizes.append(["Parquet, zstd", (directory / "a.parquet").stat().st_size / 1e6])
    if find_spec("h5py"):
        import h5py

        with h5py.File(directory / "a.h5", "w") as file:
            file.create_dataset(
                "xyz", data=values, compression="gzip", chunks=(125, values.shape[1])
            )
            file.create_dataset("t", data=block.t, compression="gzip")
        sizes.append(["HDF5, gzip", (directory / "a.h5").stat().st_size / 1e6])
    return sizes
