"""Simulated rides through the kernel, and how far what came out is from the simulator's truth."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from livefit.definitions import (
    Definitions,
    Event,
    Measure,
    canonical_labels,
    load_definitions,
    match_marker_set,
    shipped_dir,
)
from livefit.frames import FloatArray, IntArray, MarkerBlock, StreamInfo
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from simulators import RiderSimulation, Sensor, observe, stream_info
from simulators.truth import MEASURES, instants, truth_at, values_at

Key = tuple[str, str, str]
"""(measure, side, event)."""

QUARTERS = ("tdc", "forward", "bdc", "rearward")
OVER_STROKE = ("maximum", "minimum", "range", "mean")
SAGITTAL = (
    "knee_flexion", "hip_angle", "ankle_angle", "ankle_dorsiflexion", "foot_inclination",
    "shank_inclination", "thigh_inclination", "trunk_inclination", "knee_over_spindle",
    "hip_height",
)  # fmt: skip
"""Measures whose motion lies in the plane of the bicycle, or nearly."""

_TRUTH_STEPS_PER_S = 2000


@cache
def shipped() -> Definitions:
    """The definitions that come with the program, without anybody's own over them."""
    return load_definitions(shipped_dir())


@cache
def at_every_event() -> tuple[Measure, ...]:
    """The shipped measures, each at every shipped event."""
    names = [event.name for event in shipped().events]
    return tuple(
        measure if measure.kind == "cadence" else measure.model_copy(update={"events": names})
        for measure in shipped().measures
    )


@dataclass(frozen=True)
class Series:
    """One measure at one event on one side, stroke by stroke."""

    strokes: IntArray
    t: FloatArray
    crank_deg: FloatArray
    values: FloatArray


def gathered(values: Iterable[EventValues]) -> dict[Key, Series]:
    """Values by measure, side and event, in the order in which they came."""
    parts: dict[Key, list[tuple[EventValues, int]]] = defaultdict(list)
    for v in values:
        for column, measure in enumerate(v.measures):
            parts[measure, v.side, v.event].append((v, column))
    return {
        key: Series(
            np.concatenate([v.strokes for v, _ in found]),
            np.concatenate([v.t for v, _ in found]),
            np.concatenate([v.crank_deg[:, k] for v, k in found]),
            np.concatenate([v.values[:, k] for v, k in found]),
        )
        for key, found in parts.items()
    }


def kernel_for(
    info: StreamInfo, measures: Sequence[Measure] | None = None, *, with_cycles: bool = False
) -> Kernel:
    """A kernel for a stream whose labels some shipped marker set knows."""
    known = match_marker_set(info.labels, shipped().marker_sets)
    events: Sequence[Event] = shipped().events
    chosen = at_every_event() if measures is None else measures
    labels = canonical_labels(info.labels, known)
    return Kernel(info, labels, chosen, events, with_cycles=with_cycles)


def rows(block: MarkerBlock, chosen: slice | NDArray[np.bool_]) -> MarkerBlock:
    """Some of the block's frames."""
    return MarkerBlock(
        block.numbers[chosen], block.t[chosen], block.positions[chosen], block.channels[chosen]
    )


def cut(block: MarkerBlock, sizes: Iterable[int]) -> list[MarkerBlock]:
    """The block in pieces of these sizes, then of the last size above zero, to its end."""
    pieces, at, size, given = [], 0, 1, iter(sizes)
    while at < len(block):
        asked = next(given, size)
        pieces.append(rows(block, slice(at, at + asked)))
        at += asked
        size = asked or size
    return pieces


def unseen(
    block: MarkerBlock, info: StreamInfo, labels: Sequence[str], t0: float, t1: float
) -> MarkerBlock:
    """The block without these markers from t0 to t1, s."""
    positions = block.positions.copy()
    when = (block.t >= t0) & (block.t < t1)
    for label in labels:
        positions[when, info.labels.index(label)] = np.nan
    return MarkerBlock(block.numbers, block.t, positions, block.channels)


@dataclass(frozen=True)
class Outcome:
    """What a kernel made of a ride."""

    simulation: RiderSimulation
    kernel: Kernel
    values: list[EventValues]
    seconds: float

    def series(self) -> dict[Key, Series]:
        """All values, sorted out."""
        return gathered(self.values)


@cache
def ride(simulation: RiderSimulation, sensor: Sensor, seconds: float = 15.0) -> Outcome:
    """The ride as the sensor sees it, through a kernel in one block."""
    block = observe(simulation, sensor, count=int(seconds * sensor.rate_hz))
    kernel = kernel_for(stream_info(sensor))
    return Outcome(simulation, kernel, kernel.push(block), seconds)


@dataclass(frozen=True)
class Against:
    """Values beside the truth: (n,) errors in deg or mm, and of the instants in deg of crank."""

    error: FloatArray
    late_deg: FloatArray

    @property
    def bias(self) -> float:
        return float(self.error.mean())


def against_truth(
    outcome: Outcome,
    measures: Sequence[str] = SAGITTAL,
    *,
    after: float = 0.0,
    before: float = np.inf,
) -> dict[Key, Against]:
    """Every value of these measures from `after` to `before`, s, less the simulator's truth.

    Raises
    ------
    AssertionError
        If two values claim the same instant, or one is nowhere near any.
    """
    found = {}
    end = min(before, outcome.seconds)
    over: dict[str, dict[tuple[str, str], FloatArray]] = {}
    for (measure, side, event), series in outcome.series().items():
        if measure not in measures:
            continue
        own = "R" if side == "B" else side
        if event in OVER_STROKE:
            if side not in over:
                over[side] = _over_strokes(outcome.simulation, side, outcome.seconds)
            times = instants(outcome.simulation, own, 0.0, 0.0, outcome.seconds)[1:]
            truth = over[side][measure, event]
        else:
            angle = float(series.crank_deg[0])
            times, truth = truth_at(outcome.simulation, measure, side, angle, 0.0, outcome.seconds)
        chosen = np.isfinite(series.values) & (series.t >= after) & (series.t < end)
        t = series.t[chosen]
        nearest = np.abs(times[None] - t[:, None]).argmin(axis=1)
        assert len(set(nearest.tolist())) == len(t), (measure, side, event)
        late = t - times[nearest]
        assert np.abs(late).max(initial=0.0) < 0.1, (measure, side, event)
        speed = np.degrees(outcome.simulation.pedalling.speed(times[nearest]))
        error = series.values[chosen] - truth[nearest]
        if shipped().measure(measure).unit == "deg":
            error = (error + 180.0) % 360.0 - 180.0
        found[measure, side, event] = Against(error, late * speed)
    return found


def _over_strokes(
    simulation: RiderSimulation, side: str, seconds: float
) -> dict[tuple[str, str], FloatArray]:
    """True extremes, ranges and means of each stroke from top to top, from a fine row of poses."""
    once = side == "B"
    names = [name for name in MEASURES if (shipped().measure(name).sides == "once") == once]
    tops = instants(simulation, "R" if once else side, 0.0, 0.0, seconds)
    t = np.linspace(0.0, seconds, int(seconds * _TRUTH_STEPS_PER_S) + 1)
    poses, phase = values_at(simulation, names, side, t), simulation.pedalling.phase(t)
    strokes = [(t >= begin) & (t < end) for begin, end in pairwise(tops)]
    truth = {}
    for name in names:
        each = [(poses[name][stroke], phase[stroke]) for stroke in strokes]
        truth[name, "maximum"] = np.array([v.max() for v, _ in each])
        truth[name, "minimum"] = np.array([v.min() for v, _ in each])
        truth[name, "range"] = np.array([np.ptp(v) for v, _ in each])
        truth[name, "mean"] = np.array([np.trapezoid(v, p) / np.ptp(p) for v, p in each])
    return truth


def largest(found: dict[Key, Against], unit: str, events: Sequence[str]) -> tuple[float, Key]:
    """The worst mean error among these events, and where it is."""
    return max(
        (abs(against.bias), key)
        for key, against in found.items()
        if shipped().measure(key[0]).unit == unit and key[2] in events
    )
