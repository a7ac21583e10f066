"""How far from the truth an angle at an exact crank position is, against what is possible.

``python -m tests.benchmarks accuracy [--seed N] [--short]``

Knee flexion at crank 90 and 180 deg of the own side, both sides of the simulated rider together,
without differences from stroke to stroke; then once more with them. Errors are against the
simulator's truth, divided by the Cramér-Rao bound of a periodic motion (`bound.py`):

* quick, final: ours, from the marker frames alone, the crank angle from the feet. Quick values are
  taken as they first appear, frames being given a thirtieth of a second at a time.
* near, lin: the angle of the nearest raw frame; linear between raw frames.
* bw6, bw8: marker paths through a zero-lag Butterworth low-pass (order 2 there and back) of 6 or
  8 Hz, the angle at the event by a cubic spline over the frames: common practice.

The four customary methods are given the true instant of the event. Ours has to find it, so its
ratio to the bound with the crank angle known holds the error of the crank as well; the bound that
counts it (/crank) takes the crank angle from both feet, a crank's motion of as many numbers as
ours, and the circles from 60 s of frames. Means are of 15 successive strokes, their bound is that
of one stroke / sqrt(15), but for what the circles bring in, which no averaging removes; bias is the
mean over all strokes, ± its standard error. The first 25 s are left out: the crank is still being
refined, up to 60 s. A dash stands where too few frames bear a quick value: none is given. What six
harmonics could do is under bound6 and final/6.

Wanted, of the bound of what is really known: quick 1.25, final 1.1, mean of 15 strokes 1.3; its
bias below 0.02 deg. With a crank sensor the crank is known: the last table, against that bound.
"""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
from scipy import interpolate, signal

from livefit.definitions import load_definitions
from livefit.frames import FloatArray, MarkerBlock, StreamInfo
from livefit.kernel.kernel import Kernel
from livefit.kernel.regression import HARMONICS, PHASE_COLUMNS
from simulators import RiderSimulation, Sensor, Style, Variation, observe, stream_info
from simulators.settings import STILL
from simulators.truth import truth_at
from tests.benchmarks.bound import KNEE, Geometry, geometry
from tests.benchmarks.ride import part_of
from tests.benchmarks.tables import Cell, table

NOISES_MM = (0.5, 1.0, 2.0)
RATES_HZ = (60.0, 120.0, 200.0, 480.0)
CADENCES = (60.0, 90.0, 120.0)
EVENTS = {"forward": 90.0, "bdc": 180.0}
LEG = ("GT", "LE", "LM")
FEW_HARMONICS = 6
MEAN_OF = 15
BLOCKS_PER_SECOND = 30
SETTLE_S = 25.0
FITTED_S = 60.0
"""The crank is fitted to the frames of so long a time."""
METHODS = ("quick", "final", "near", "lin", "bw6", "bw8")
HEAD = (
    "mm", "Hz", "rpm", "crank", "bound°", *METHODS, "mean15", "quick/crank", "final/crank",
    "mean15/crank", "bound6°", "final/6", "bias°", "±", "bw6°", "bw8°",
)  # fmt: skip
WANTED = {
    "quick": 1.25, "final": 1.1, "mean15": 1.3, "quick/crank": 1.25, "final/crank": 1.1,
    "mean15/crank": 1.3, "bias": 0.02, "bias less 2 standard errors": 0.02,
}  # fmt: skip


@dataclass(frozen=True)
class Case:
    """One cell: what the sensor and the rider are like."""

    noise_mm: float
    rate_hz: float
    rpm: float
    crank_sensor: bool = False


def arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--strokes", type=int, default=300, help="on each side, for every cell")


def main(options: Namespace) -> None:
    strokes = 75 if options.short else options.strokes
    cases = [Case(*cell) for cell in product(NOISES_MM, RATES_HZ, CADENCES)]
    if options.short:
        cases = [case for case in cases if case.rate_hz in (60.0, 200.0) and case.rpm == 90.0]
    print(f"Every stroke like the one before; {2 * strokes} events a line")
    _report(cases, strokes, options.seed, STILL)
    print(f"\nStrokes that differ as a rider's do (foot pitch by {Variation().pitch_deg:g} deg)")
    _report([Case(noise, 200.0, 90.0) for noise in NOISES_MM], strokes, options.seed, Variation())
    print("\nEvery stroke like the one before, and a crank sensor")
    with_sensor = [replace(case, crank_sensor=True) for case in cases]
    _report(with_sensor, strokes, options.seed, STILL)


def _report(cases: list[Case], strokes: int, seed: int, variation: Variation) -> None:
    rows: list[list[Cell]] = []
    reached: dict[str, list[float]] = {name: [] for name in WANTED}
    for number, case in enumerate(cases):
        style = Style(cadence_rpm=case.rpm, variation=variation)
        rider = RiderSimulation(style=style, seed=1000 * seed + number)
        shapes = {crank: geometry(rider, "R", crank) for crank in EVENTS.values()}
        for crank, errors in _errors(case, rider, strokes):
            row, made = _row(case, crank, shapes[crank], errors)
            rows.append(row)
            for name, value in made.items():
                reached[name].append(value)
    print(table(HEAD, rows))
    for name, wanted in WANTED.items():
        values = np.array([value for value in reached[name] if np.isfinite(value)])
        print(
            f"{name}: wanted {wanted:g}, median {np.median(values):.3f}, worst {values.max():.3f}, "
            f"held in {np.count_nonzero(values <= wanted)} of {len(values)} lines"
        )


def _row(
    case: Case, crank: float, shape: Geometry, errors: dict[str, list[FloatArray]]
) -> tuple[list[Cell], dict[str, float]]:
    frames = 60.0 * case.rate_hz / case.rpm
    known, few = (case.noise_mm * shape.known(h, frames) for h in (HARMONICS, FEW_HARMONICS))
    one, mean_of = (
        case.noise_mm
        * shape.estimated(
            HARMONICS, frames, PHASE_COLUMNS, fitted=FITTED_S * case.rate_hz, strokes=strokes
        )
        for strokes in (1, MEAN_OF)
    )
    rms = {name: _rms(np.concatenate(errors[name])) for name in METHODS}
    bias = {
        name: float(np.nanmean(np.concatenate(errors[name]))) for name in ("final", "bw6", "bw8")
    }
    uncertain = rms["final"] / np.sqrt(np.isfinite(np.concatenate(errors["final"])).sum())
    mean = _rms(np.concatenate([_means(own) for own in errors["final"]]))
    mean_known = known / np.sqrt(MEAN_OF)
    row: list[Cell] = [
        f"{case.noise_mm:g}", round(case.rate_hz), round(case.rpm), round(crank), known,
        *(rms[name] / known for name in METHODS), mean / mean_known,
        rms["quick"] / one, rms["final"] / one, mean / mean_of,
        few, rms["final"] / few, f"{bias['final']:+.3f}", f"{uncertain:.3f}",
        f"{bias['bw6']:+.3f}", f"{bias['bw8']:+.3f}",
    ]  # fmt: skip
    made = {
        "quick": rms["quick"] / known,
        "final": rms["final"] / known,
        "mean15": mean / mean_known,
        "quick/crank": rms["quick"] / one,
        "final/crank": rms["final"] / one,
        "mean15/crank": mean / mean_of,
        "bias": abs(bias["final"]),
        "bias less 2 standard errors": max(abs(bias["final"]) - 2 * uncertain, 0.0),
    }
    return row, made


def _rms(errors: FloatArray) -> float:
    """NaN where the method gave no values."""
    known = errors[np.isfinite(errors)]
    return float(np.sqrt((known**2).mean())) if len(known) else np.nan


def _means(errors: FloatArray) -> FloatArray:
    """Means of successive strokes, of whole groups only."""
    groups = errors[: len(errors) // MEAN_OF * MEAN_OF].reshape(-1, MEAN_OF)
    means: FloatArray = groups[np.isfinite(groups).all(axis=1)].mean(axis=1)
    return means


def _errors(
    case: Case, rider: RiderSimulation, strokes: int
) -> Iterator[tuple[float, dict[str, list[FloatArray]]]]:
    """By crank angle: each method's errors in deg, stroke by stroke, left and right."""
    seconds = SETTLE_S + (strokes + 1.5) * 60.0 / case.rpm
    info, block = _record(case, rider, seconds)
    ours = _ours(info, block)
    customary = {side: _customary(case, info, block, side) for side in "LR"}
    for event, crank in EVENTS.items():
        errors: dict[str, list[FloatArray]] = {name: [] for name in METHODS}
        for side in "LR":
            at, true = truth_at(rider, KNEE, side, crank, SETTLE_S, seconds)
            at, true = at[:strokes], true[:strokes]
            for kind in ("quick", "final"):
                found_at, values = ours[kind, side, event]
                errors[kind].append(_matched(at, found_at, values) - true)
            for name, method in customary[side].items():
                errors[name].append(np.asarray(method(at), dtype=np.float64) - true)
        yield crank, errors


def _record(case: Case, rider: RiderSimulation, seconds: float) -> tuple[StreamInfo, MarkerBlock]:
    """Frames of both feet and legs."""
    sensor = Sensor(rate_hz=case.rate_hz, noise_mm=case.noise_mm, crank_sensor=case.crank_sensor)
    whole = stream_info(sensor)
    wanted = [f"{side}_{name}" for side in "LR" for name in (*LEG, "CA", "VM")]
    columns = [whole.labels.index(label) for label in wanted]
    block = observe(rider, sensor, count=int(seconds * case.rate_hz))
    info = StreamInfo(tuple(wanted), whole.rate_hz, whole.up, whole.sampling, whole.channels)
    return info, MarkerBlock(block.numbers, block.t, block.positions[:, columns], block.channels)


Found = tuple[FloatArray, FloatArray]


def _ours(info: StreamInfo, block: MarkerBlock) -> dict[tuple[str, str, str], Found]:
    """Times (n,) s and knee flexion (n,) deg by kind, side and event."""
    definitions = load_definitions()
    knee = definitions.measure(KNEE).model_copy(update={"events": list(EVENTS)})
    kernel = Kernel(info, info.labels, [knee], definitions.events)
    found: dict[tuple[str, str, str], dict[int, tuple[float, float]]] = {
        (kind, side, event): {} for kind in ("quick", "final") for side in "LR" for event in EVENTS
    }
    size = int(info.rate_hz / BLOCKS_PER_SECOND)
    for first in range(0, len(block), size):
        final = kernel.push(part_of(block, first, size))
        for kind, made in (("final", final), ("quick", kernel.quick())):
            for v in made:
                own = found[kind, v.side, v.event]
                for stroke, at, value in zip(
                    v.strokes.tolist(), v.t.tolist(), v.values[:, 0].tolist(), strict=True
                ):
                    own.setdefault(stroke, (at, value))
    return {
        key: (np.array([at for at, _ in own.values()]), np.array([v for _, v in own.values()]))
        for key, own in found.items()
    }


def _matched(at: FloatArray, found_at: FloatArray, values: FloatArray) -> FloatArray:
    """The values found nearest to the times; NaN where there is none within a tenth of a second."""
    known = np.isfinite(found_at)
    found_at, values = found_at[known], values[known]
    if len(values) < 2:
        return np.full(len(at), np.nan)
    right = np.clip(np.searchsorted(found_at, at), 1, len(found_at) - 1)
    nearest = right - (at - found_at[right - 1] < found_at[right] - at)
    return np.where(np.abs(found_at[nearest] - at) < 0.1, values[nearest], np.nan)


def _customary(
    case: Case, info: StreamInfo, block: MarkerBlock, side: str
) -> dict[str, Callable[[FloatArray], Any]]:
    """The customary methods as functions of the time."""
    columns = [info.labels.index(f"{side}_{name}") for name in LEG]
    paths = block.positions[:, columns]
    raw = _knee(paths)
    methods: dict[str, Callable[[FloatArray], Any]] = {
        "near": interpolate.interp1d(block.t, raw, kind="nearest"),
        "lin": interpolate.interp1d(block.t, raw, kind="linear"),
    }
    for name, cutoff_hz in (("bw6", 6.0), ("bw8", 8.0)):
        sections = signal.butter(2, cutoff_hz, fs=case.rate_hz, output="sos")
        smooth = signal.sosfiltfilt(sections, paths, axis=0)
        methods[name] = interpolate.CubicSpline(block.t, _knee(smooth))
    return methods


def _knee(paths: FloatArray) -> FloatArray:
    """Knee flexion (n,) deg from GT, LE, LM (n, 3, 3): arccos of the unit vectors' product."""
    thigh, shank = paths[:, 0] - paths[:, 1], paths[:, 2] - paths[:, 1]
    cosine = (thigh * shank).sum(axis=1) / np.sqrt((thigh**2).sum(axis=1) * (shank**2).sum(axis=1))
    flexion: FloatArray = 180.0 - np.degrees(np.arccos(cosine))
    return flexion
