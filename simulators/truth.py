"""The truth of a simulated ride: every measure at exact crank angles.

Truth is said of the markers' true positions: without sensor noise and without sliding skin. Its
formulas are its own: angles in space by the law of cosines, directions in a plane as complex
numbers, instants as roots of the closed form of the crank's phase.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from livefit.frames import FloatArray
from simulators.markers import CA_IN_SOLE_MM, LABELS, VM_IN_SOLE_MM
from simulators.rider import RiderSimulation

OverStroke = Literal["maximum", "minimum", "range", "mean"]

_STEPS = 720
"""Crank angles a stroke at which extremes and means are looked for."""

_LONGEST_STROKE_S = 10.0

ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class View:
    """One side's markers at some instants; names without a side are of that side."""

    positions: FloatArray
    side: str
    spindle: FloatArray

    def __call__(self, name: str) -> FloatArray:
        """(n, 3) mm, third axis outward for the own side."""
        own = name not in LABELS
        column = LABELS.index(f"{self.side}_{name}" if own else name)
        mirrored = [1.0, 1.0, -1.0 if own and self.side == "L" else 1.0]
        return self.positions[:, column] * mirrored


def _included(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Angle at b, deg, from the three sides of the triangle."""
    ab, bc, ca = (((p - q) ** 2).sum(axis=1) for p, q in ((a, b), (b, c), (c, a)))
    angle: FloatArray = np.degrees(np.arccos((ab + bc - ca) / (2 * np.sqrt(ab * bc))))
    return angle


def _arrow(a: FloatArray, b: FloatArray, real: int, imaginary: int) -> ComplexArray:
    """The arrow a -> b in a plane, as a complex number."""
    arrow: ComplexArray = (b - a)[:, real] + 1j * (b - a)[:, imaginary]
    return arrow


def _degrees(direction: ComplexArray) -> FloatArray:
    return np.degrees(np.angle(direction))


MEASURES: dict[str, Callable[[View], FloatArray]] = {
    "knee_flexion": lambda v: 180 - _included(v("GT"), v("LE"), v("LM")),
    "hip_angle": lambda v: _included(v("AC"), v("GT"), v("LE")),
    "ankle_angle": lambda v: _included(v("LE"), v("LM"), v("VM")),
    "ankle_dorsiflexion": lambda v: _degrees(
        1j * _arrow(v("CA"), v("VM"), 0, 1) / _arrow(v("LM"), v("LE"), 0, 1)
    ),
    "foot_inclination": lambda v: -_degrees(_arrow(v("CA"), v("VM"), 0, 1)),
    "shank_inclination": lambda v: _degrees(_arrow(v("LM"), v("LE"), 0, 1)),
    "thigh_inclination": lambda v: -_degrees(_arrow(v("GT"), v("LE"), 0, 1)),
    "trunk_inclination": lambda v: _degrees(_arrow(v("GT"), v("AC"), 0, 1)),
    "shoulder_angle": lambda v: _included(v("GT"), v("AC"), v("EL")),
    "elbow_flexion": lambda v: 180 - _included(v("AC"), v("EL"), v("US")),
    "knee_over_spindle": lambda v: v("LE")[:, 0] - v.spindle[:, 0],
    "knee_lateral": lambda v: v("LE")[:, 2],
    "knee_to_foot_lateral": lambda v: v("LE")[:, 2] - v("VM")[:, 2],
    "knee_height": lambda v: v("LE")[:, 1],
    "hip_height": lambda v: v("GT")[:, 1],
    "pelvic_obliquity": lambda v: _degrees(_arrow(v("L_ASIS"), v("R_ASIS"), 2, 1)),
    "pelvic_rotation": lambda v: _degrees(_arrow(v("L_ASIS"), v("R_ASIS"), 2, 0)),
    "toe_out": lambda v: _degrees(_arrow(v("CA"), v("VM"), 0, 2)),
}
"""Deg, or mm where the name says where something is. Cadence is known from the instants alone."""


def values_at(
    simulation: RiderSimulation, measures: Iterable[str], side: str, t: FloatArray
) -> dict[str, FloatArray]:
    """True values (n,) of measures at t (n,) s, deg or mm; side L, R, or B for the pelvis."""
    if side not in ("L", "R", "B"):
        raise ValueError(f"side must be L, R or B, got {side!r}")
    own = "R" if side == "B" else side
    crank = crank_angle(simulation, own, t)
    spindle = simulation.bicycle.crank_mm * np.stack([np.sin(crank), np.cos(crank)], axis=1)
    view = View(simulation.positions(t), own, spindle)
    return {name: _formula(name)(view) for name in measures}


def _formula(measure: str) -> Callable[[View], FloatArray]:
    if measure not in MEASURES:
        known = ", ".join([*MEASURES, "cadence"])
        raise ValueError(f"no true value of {measure!r} is known; known are {known}")
    return MEASURES[measure]


def truth_at(
    simulation: RiderSimulation,
    measure: str,
    side: str,
    crank_deg: float,
    t0: float,
    t1: float,
) -> tuple[FloatArray, FloatArray]:
    """Instants (k,) s in (t0, t1] at the crank angle of the side, and true values (k,) there.

    Only instants at which the crank is there for the first time. The value of ``cadence`` is
    that of the stroke from top to top in which the instant lies; NaN where the stroke began
    before the ride or takes longer than 10 s.
    """
    times = instants(simulation, side, crank_deg, t0, t1)
    if measure == "cadence":
        return times, _cadence_at(simulation, side, times)
    return times, values_at(simulation, [measure], side, times)[measure]


def truth_over_strokes(
    simulation: RiderSimulation,
    measure: str,
    side: str,
    kind: OverStroke,
    t0: float,
    t1: float,
) -> tuple[FloatArray, FloatArray]:
    """Begin (k,) s of each stroke from top to top within (t0, t1], and one value for each.

    The mean is over the crank angle. Extremes are those of parabolas through three of 720
    values.
    """
    tops = instants(simulation, side, 0.0, t0, t1)
    begins, ends = tops[:-1], tops[1:]
    if measure == "cadence":
        return begins, _cadence_at(simulation, side, begins)
    if not len(begins):
        return begins, np.empty(0)
    steps = np.arange(-1, _STEPS + 2) * (2 * np.pi / _STEPS)
    phases = simulation.pedalling.phase(begins)[:, None] + steps
    margin = (ends - begins) / 20
    times = simulation.pedalling.times_of(
        phases.ravel(), np.repeat(begins - margin, len(steps)), np.repeat(ends + margin, len(steps))
    )
    values = values_at(simulation, [measure], side, times)[measure].reshape(phases.shape)
    if kind == "mean":
        return begins, values[:, 1 : _STEPS + 1].mean(axis=1)
    if kind == "maximum":
        return begins, _peak(values)
    if kind == "minimum":
        return begins, -_peak(-values)
    return begins, _peak(values) + _peak(-values)


def instants(
    simulation: RiderSimulation, side: str, crank_deg: float, t0: float, t1: float
) -> FloatArray:
    """Times (k,) s in (t0, t1] at which the side's crank first comes to the angle, each turn."""
    level = float(np.radians(crank_deg)) - (np.pi if side == "L" else 0.0)
    return simulation.pedalling.crossings(level, t0, t1)


def crank_angle(simulation: RiderSimulation, side: str, t: FloatArray) -> FloatArray:
    """True crank angle (n,) rad of a side at t (n,) s, never wrapped: 0 top, rising forward."""
    phase = simulation.pedalling.phase(t)
    return phase + np.pi if side == "L" else phase


def spindle_in_foot(simulation: RiderSimulation) -> tuple[float, float]:
    """The pedal spindle from VM, mm, seen from the side: along CA -> VM, and up."""
    turn, size = simulation.toe_out, simulation.body.scale
    back = simulation.bicycle.cleat_forward_mm
    heel, toe = (
        complex(
            (size * forward - back) * np.cos(turn) - size * outward * np.sin(turn), size * above
        )
        for forward, above, outward in (CA_IN_SOLE_MM, VM_IN_SOLE_MM)
    )
    place = -toe * abs(toe - heel) / (toe - heel)
    return float(place.real), float(place.imag)


def _cadence_at(simulation: RiderSimulation, side: str, times: FloatArray) -> FloatArray:
    """Revolutions per minute (k,) of the strokes from top to top in which the times lie."""
    if not len(times):
        return np.empty(0)
    later = times[-1] + _LONGEST_STROKE_S
    earlier = max(times[0] - _LONGEST_STROKE_S, 0.0)
    tops = instants(simulation, side, 0.0, earlier, later)
    after = np.searchsorted(tops, times, side="right")
    known = (after > 0) & (after < len(tops))
    cadence = np.full(len(times), np.nan)
    cadence[known] = 60 / (tops[after[known]] - tops[after[known] - 1])
    return cadence


def _peak(values: FloatArray) -> FloatArray:
    """Height (k,) of the parabola through each row's highest inner value and its neighbours.

    Where a row rises on beyond its end there is no top, and its highest inner value counts.
    """
    top = values[:, 1:-1].argmax(axis=1) + 1
    rows = np.arange(len(values))
    before, peak, after = values[rows, top - 1], values[rows, top], values[rows, top + 1]
    slope, bend = (after - before) / 2, 2 * peak - before - after
    is_top = (peak >= before) & (peak >= after) & (bend > 0)
    height: FloatArray = peak + np.where(is_top, slope**2 / (2 * np.where(is_top, bend, 1.0)), 0.0)
    return height
