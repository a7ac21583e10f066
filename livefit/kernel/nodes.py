"""Nodes: the crank angles, 90 degrees apart, about which frames are regressed.

A node is ready once the crank has gone half a turn beyond it. Its window is then either sound or
refused with a reason; there is nothing in between.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livefit.kernel.buffer import FrameBuffer
from livefit.kernel.phase import TURN
from livefit.kernel.regression import Window, harmonics_for

NODES_PER_TURN = 4
NODE_STEP = TURN / NODES_PER_TURN
HALF_TURN = np.pi
LIVE_HALF = np.radians(43.0)
"""Half window of the quick number: 80 ms at 90 rpm."""

SLOWEST_RPM, FASTEST_RPM = 30.0, 140.0
_MARGIN = 0.05
_LONGEST_GAP = np.radians(90.0)
_LIVE_LONGEST_GAP = np.radians(30.0)
_LARGEST_REVERSAL = np.radians(8.0)
_LARGEST_UNEVENNESS = 0.15
"""Of half a window: a crank that takes so much longer for one half is starting or stopping."""
_FEWEST_LIVE_FRAMES = 9


@dataclass(frozen=True)
class Refused:
    """Why a window gives no number."""

    reason: str


def window_about(
    buffer: FrameBuffer, target: float, half: float, *, live: bool
) -> Window | Refused | None:
    """Frames within `half` (rad) of the crank phase `target`.

    Returns
    -------
    Window, or Refused with the reason, or None while the crank has not come far enough.
    """
    peak = buffer.peak
    if not len(peak) or peak[-1] < target + half:
        return None
    start = int(np.searchsorted(peak, target - half))
    stop = int(np.searchsorted(peak, target + half))
    if start == 0 or not np.isfinite(peak[start - 1]):
        return Refused("crank not found yet")
    first = _passing(buffer, start, target - half)
    last = _passing(buffer, stop, target + half)
    length = last - first
    rpm = 60.0 * 2 * half / (TURN * length) if length > 0 else np.inf
    if rpm < SLOWEST_RPM * (1 - _MARGIN):
        return Refused("slower than 30 rpm")
    if rpm > FASTEST_RPM * (1 + _MARGIN):
        return Refused("faster than 140 rpm")
    if stop - start < (_FEWEST_LIVE_FRAMES if live else 2):
        return Refused("too few frames in a stroke")
    if not live and not harmonics_for(stop - start):
        return Refused("too few frames in a stroke")
    known = np.isfinite(buffer.phase[start - 1 : stop + 1])
    gap = np.diff(buffer.x[start - 1 : stop + 1][known]).max(initial=0.0)
    if gap * 2 * half / length > (_LIVE_LONGEST_GAP if live else _LONGEST_GAP):
        return Refused("frames or feet lost for too long")
    behind = peak[start:stop] - buffer.phase[start:stop]
    if np.fmax.reduce(behind, initial=0.0) > _LARGEST_REVERSAL:
        return Refused("pedalled backwards")
    middle = _passing(buffer, int(np.searchsorted(peak, target)), target)
    centre = 0.5 * (first + last)
    if abs(middle - centre) > _LARGEST_UNEVENNESS * 0.5 * length:
        return Refused("starting or stopping")
    return Window(start=start, stop=stop, centre=centre, half=0.5 * length)


def _passing(buffer: FrameBuffer, row: int, level: float) -> float:
    """Abscissa at which the peak phase passes `level` just before `row`, interpolated."""
    before, after = buffer.peak[row - 1], buffer.peak[row]
    x0, x1 = buffer.x[row - 1], buffer.x[row]
    return float(x0 + (x1 - x0) * (level - before) / (after - before))
