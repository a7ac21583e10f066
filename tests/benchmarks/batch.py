"""What it costs to take a whole recording at once.

``python -m tests.benchmarks batch [--seed N] [--short]``

One hour of the simulated rider (30 markers, 200 Hz, 0.5 mm noise) goes through the kernel in one
block, with the shipped definitions. Beside it, in the same process and in turns, the customary
first step alone is timed on the same array: `scipy.signal.sosfiltfilt`, Butterworth of order 4 at
8 Hz. Time is CPU time of the process, all its threads; of several repeats the least counts, as
other work on the machine can only add. Wanted: a ratio of 1 or less.

The first minute then goes through the kernel in blocks of 1, 7, 64 and 1024 frames. Every value,
time stamp and stroke number must have the very bits that it has from one block.
"""

from __future__ import annotations

import time
from argparse import ArgumentParser, Namespace
from collections.abc import Callable, Iterable

import numpy as np
from scipy import signal

from livefit.frames import FloatArray, MarkerBlock, StreamInfo
from livefit.kernel.events import EventValues
from tests.benchmarks.ride import MARKERS, new_kernel, part_of, record
from tests.benchmarks.tables import Cell, load_average, table

RATE_HZ = 200.0
BLOCKS = (1, 7, 64, 1024)


def arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--minutes", type=float, default=60.0, help="length of the recording")
    parser.add_argument("--repeats", type=int, default=5, help="of each timing")


def main(options: Namespace) -> None:
    minutes = 6.0 if options.short else options.minutes
    info, block = record(options.seed, RATE_HZ, int(60 * minutes * RATE_HZ))
    flat = block.positions.reshape(len(block), -1)
    filtering, kernel = [], []
    for _ in range(options.repeats):
        filtering.append(_cpu_s(lambda: _filter(flat)))
        kernel.append(_cpu_s(lambda: new_kernel(info).push(block)))
    least = min(filtering)
    print(f"{minutes:g} min at {RATE_HZ:g} Hz, {MARKERS} markers, load average {load_average()}")
    print(
        table(
            ["CPU time", "least s", "median s", "ratio", "x real time"],
            [
                [name, min(times), float(np.median(times)), min(times) / least,
                 round(60 * minutes / min(times))]
                for name, times in (("sosfiltfilt", filtering), ("kernel, all rows", kernel))
            ],
        )
    )  # fmt: skip
    print()
    print(_block_sizes(info, part_of(block, 0, int(60 * RATE_HZ))))


def _filter(flat: FloatArray) -> FloatArray:
    sections = signal.butter(4, 8.0, fs=RATE_HZ, output="sos")
    return np.asarray(signal.sosfiltfilt(sections, flat, axis=0))


def _cpu_s(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def _block_sizes(info: StreamInfo, block: MarkerBlock) -> str:
    rows: list[list[Cell]] = []
    whole = _series(new_kernel(info).push(block))
    for size in BLOCKS:
        kernel = new_kernel(info)
        values: list[EventValues] = []
        began = time.process_time()
        for first in range(0, len(block), size):
            values += kernel.push(part_of(block, first, size))
        spent = time.process_time() - began
        same = "the same bits" if _series(values) == whole else "DIFFERENT"
        rows.append([size, sum(map(len, whole.values())), same, 1e6 * spent / len(block)])
    return table(["block", "bytes of results", "against one block", "us a frame"], rows)


def _series(values: Iterable[EventValues]) -> dict[tuple[str, str, tuple[str, ...]], bytes]:
    """By row: stroke numbers, times, crank angles and values as bytes, one stroke after another."""
    series: dict[tuple[str, str, tuple[str, ...]], list[bytes]] = {}
    for v in values:
        own = series.setdefault((v.side, v.event, v.measures), [])
        for k in range(len(v.strokes)):
            own += [part[k].tobytes() for part in (v.strokes, v.t, v.crank_deg, v.values)]
    return {key: b"".join(parts) for key, parts in series.items()}
