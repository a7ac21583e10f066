"""Nodes: the crank angles, 90 degrees apart, about which frames are regressed.

A node is ready once the crank has gone half a turn beyond it. Its window is then either sound or
refused with a reason; there is nothing in between.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count

import numpy as np
from numpy.typing import NDArray

from livefit.frames import FloatArray
from livefit.kernel.buffer import FrameBuffer
from livefit.kernel.phase import TURN
from livefit.kernel.regression import Window, harmonics_for

NODES_PER_TURN = 2
NODE_STEP = TURN / NODES_PER_TURN
HALF_TURN = np.pi
LIVE_HALF = float(np.radians(43.0))
"""Half window of the quick number: 80 ms at 90 rpm."""

SLOWEST_RPM, FASTEST_RPM = 30.0, 140.0
_MARGIN = 0.05
_LONGEST_GAP = np.radians(90.0)
_LIVE_LONGEST_GAP = np.radians(30.0)
_LARGEST_REVERSAL = np.radians(8.0)
_LARGEST_UNEVENNESS = 0.15
"""Of half a window: a crank that takes so much longer for one half is starting or stopping."""
_FEWEST_LIVE_FRAMES = 9
_FEWEST_FRAMES = next(frames for frames in count() if harmonics_for(frames))
_TINY = np.finfo(float).tiny
_NOTHING = np.array([-np.inf])

IndexArray = NDArray[np.intp]


@dataclass(frozen=True)
class Refused:
    """Why a window gives no number."""

    reason: str


def windows_about(
    buffer: FrameBuffer, targets: FloatArray, half: float, *, live: bool
) -> list[Window | Refused]:
    """Frames within `half` (rad) of each crank phase in `targets`.

    Targets (e,) rise; those that the crank has not passed by `half` yet are left out at the end,
    so that the list may be shorter.
    """
    peak = buffer.peak
    ready = targets[targets + half <= peak[-1]] if len(peak) else targets[:0]
    if not len(ready):
        return []
    levels = np.concatenate([ready - half, ready, ready + half])
    rows = peak.searchsorted(levels).reshape(3, -1)
    known_before = np.isfinite(peak[np.maximum(rows[0] - 1, 0)]) & (rows[0] > 0)
    np.maximum(rows[:2], 1, out=rows[:2])
    oldest = int(peak.searchsorted(peak[rows[0, 0] - 1]))
    rows -= oldest
    start, _, stop = rows
    peak, phase, x, t = (series[oldest:] for series in (peak, buffer.phase, buffer.x, buffer.t))
    known = np.flatnonzero(np.isfinite(phase))
    first, middle, last = _passing(peak, x, known, rows.reshape(-1), levels).reshape(3, -1)
    length = np.maximum(last - first, _TINY)
    device = (t[stop] - t[start - 1]) / (x[stop] - x[start - 1])
    rpm = 60.0 * 2 * half / (TURN * length * device)
    frames = stop - start
    at_known, gaps = x[known], np.zeros(len(x))
    gaps[known[1:]] = at_known[1:] - at_known[:-1]
    gap = _largest(gaps, start, stop) * 2 * half / length
    behind = _largest(peak - phase, start, stop - 1)
    uneven = np.abs(middle - 0.5 * (first + last)) > _LARGEST_UNEVENNESS * 0.5 * length
    faults = [
        (rpm < SLOWEST_RPM * (1 - _MARGIN), "slower than 30 rpm"),
        (~known_before, "crank not found yet"),
        (rpm > FASTEST_RPM * (1 + _MARGIN), "faster than 140 rpm"),
        (frames < (_FEWEST_LIVE_FRAMES if live else _FEWEST_FRAMES), "too few frames in a stroke"),
        (gap > (_LIVE_LONGEST_GAP if live else _LONGEST_GAP), "frames or feet lost for too long"),
        (behind > _LARGEST_REVERSAL, "pedalled backwards"),
        (uneven, "starting or stopping"),
    ]
    reasons = [next((why for fault, why in faults if fault[k]), None) for k in range(len(ready))]
    start, stop = (start + oldest).tolist(), (stop + oldest).tolist()
    return [
        Window(start[k], stop[k], 0.5 * float(first[k] + last[k]), 0.5 * float(length[k]))
        if reason is None
        else Refused(reason)
        for k, reason in enumerate(reasons)
    ]


def _passing(
    peak: FloatArray, x: FloatArray, known: IndexArray, row: IndexArray, level: FloatArray
) -> FloatArray:
    """Abscissae at which the peak phase passes `level`, between `row` and the row known before."""
    earlier = known[np.maximum(known.searchsorted(row) - 1, 0)]
    before, after = peak[earlier], peak[row]
    x0, x1 = x[earlier], x[row]
    share = np.zeros(len(level))
    passed = np.isfinite(before) & (before < level)
    np.divide(level - before, after - before, out=share, where=passed)
    passing: FloatArray = x0 + (x1 - x0) * share
    return passing


def _largest(series: FloatArray, start: IndexArray, stop: IndexArray) -> FloatArray:
    """Largest value in rows start to stop, both included, of each window; NaN does not count."""
    ends = np.empty(2 * len(start), dtype=np.intp)
    ends[::2], ends[1::2] = start, stop + 1
    largest: FloatArray = np.fmax.reduceat(np.concatenate([series, _NOTHING]), ends)[::2]
    return largest
