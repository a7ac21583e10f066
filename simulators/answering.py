"""How simulated riders answer a change of their bicycle: each in a way of their own.

The foot's pitch over the crank angle, the pelvis on the saddle, the elbows and the knees' swing
change in proportion to the change, by so many degrees or millimetres a millimetre. Nothing is
shared out between joints: what the joints then do, the closed chain decides.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from simulators.chain import OutOfReachError
from simulators.rider import RiderSimulation
from simulators.settings import STILL, Bicycle, Body, Style

_CRANKS_MM = (165.0, 170.0, 172.5, 175.0)
_TRIES = 100


@dataclass(frozen=True)
class Changed:
    """Changes of the bicycle, mm: up, back, longer, forward on the shoe."""

    saddle_height: float = 0.0
    setback: float = 0.0
    crank: float = 0.0
    cleat_forward: float = 0.0


@dataclass(frozen=True)
class Answering:
    """A rider's way of answering, beside what the style says of saddle height.

    Attributes
    ----------
    amplitude_deg_per_mm, peak_deg_per_mm
        The foot's pitch over the crank: its first harmonic grows, and comes later, for each mm of
        saddle height.
    left_pitch_deg_per_mm
        By how much more the left foot points down for each mm of saddle height.
    elbow_deg_per_mm
        Elbows that bend more for each mm of saddle height.
    swing_deg_per_mm
        Outward tilt of the legs' planes for each mm of saddle height.
    follows_setback
        Share of a change of setback that the pelvis follows.
    """

    amplitude_deg_per_mm: float = 0.0
    peak_deg_per_mm: float = 0.0
    left_pitch_deg_per_mm: float = 0.0
    elbow_deg_per_mm: float = 0.0
    swing_deg_per_mm: float = 0.0
    follows_setback: float = 1.0

    def after(self, simulation: RiderSimulation, change: Changed) -> RiderSimulation:
        """The rider on the changed bicycle, used to it.

        Raises
        ------
        OutOfReachError
            If the saddle is then too high.
        """
        bicycle, style, up = simulation.bicycle, simulation.style, change.saddle_height
        return replace(
            simulation,
            bicycle=replace(
                bicycle,
                saddle_height_mm=bicycle.saddle_height_mm + up,
                setback_mm=bicycle.setback_mm + self.follows_setback * change.setback,
                crank_mm=bicycle.crank_mm + change.crank,
                cleat_forward_mm=bicycle.cleat_forward_mm + change.cleat_forward,
            ),
            style=replace(
                style,
                pitch_amplitude_deg=style.pitch_amplitude_deg + up * self.amplitude_deg_per_mm,
                pitch_peak_deg=style.pitch_peak_deg + up * self.peak_deg_per_mm,
                left_pitch_deg=style.left_pitch_deg + up * self.left_pitch_deg_per_mm,
                elbow_deg=style.elbow_deg + up * self.elbow_deg_per_mm,
                swing_mean_deg=style.swing_mean_deg + up * self.swing_deg_per_mm,
            ),
        )


@dataclass(frozen=True)
class RandomRider:
    """A rider by chance."""

    simulation: RiderSimulation
    answering: Answering = field(default_factory=Answering)


def random_rider(random: np.random.Generator, *, spare_saddle_mm: float = 10.0) -> RandomRider:
    """A rider of any size on a bicycle that nearly fits, answering changes in any way.

    No spread between riders is published for these; they are wide about what published groups do on
    average: 0.05 to 0.20 deg of pitch a mm of saddle, and a pelvis that sinks by 0.1 to 0.5 of it,
    in nine riders of ten.

    Parameters
    ----------
    spare_saddle_mm
        The saddle can be raised by so much, and the legs still reach.
    """
    for _ in range(_TRIES):
        body = Body(float(np.clip(random.normal(1750.0, 90.0), 1550.0, 1950.0)))
        bicycle = Bicycle.fitted(body, float(random.choice(_CRANKS_MM)))
        bicycle = replace(
            bicycle,
            saddle_height_mm=bicycle.saddle_height_mm + random.uniform(-25.0, 10.0),
            seat_tube_deg=73.0,
            setback_mm=bicycle.setback_mm + random.normal(0.0, 12.0),
            bar_reach_mm=bicycle.bar_reach_mm + random.normal(0.0, 15.0),
            bar_height_mm=bicycle.bar_height_mm + random.normal(0.0, 20.0),
        )
        style = Style(
            cadence_rpm=float(np.clip(random.normal(88.0, 7.0), 65.0, 110.0)),
            pitch_mean_deg=random.normal(15.0, 4.0),
            pitch_amplitude_deg=float(np.clip(random.normal(16.0, 4.0), 6.0, 26.0)),
            pitch_peak_deg=random.normal(282.0, 12.0),
            pitch_per_saddle_deg_per_mm=float(np.clip(random.normal(0.12, 0.05), 0.0, 0.25)),
            sink_per_saddle=float(np.clip(random.normal(0.3, 0.12), 0.0, 0.6)),
            toe_out_deg=random.normal(5.0, 4.0),
            swing_mean_deg=random.normal(0.5, 1.5),
            elbow_deg=float(np.clip(random.normal(19.0, 8.0), 6.0, 45.0)),
            left_pitch_deg=random.normal(0.0, 2.0),
            left_swing_deg=random.normal(0.0, 1.0),
        )
        answering = Answering(
            amplitude_deg_per_mm=random.normal(0.0, 0.03),
            peak_deg_per_mm=random.normal(0.0, 0.1),
            left_pitch_deg_per_mm=random.normal(0.0, 0.02),
            elbow_deg_per_mm=random.normal(0.0, 0.15),
            swing_deg_per_mm=random.normal(0.0, 0.02),
            follows_setback=float(np.clip(random.normal(0.9, 0.1), 0.6, 1.0)),
        )
        try:
            rider = RiderSimulation(body, bicycle, style, seed=int(random.integers(1 << 31)))
            even = replace(rider, style=replace(style, variation=STILL))
            answering.after(even, Changed(saddle_height=spare_saddle_mm))
        except OutOfReachError:
            continue
        return RandomRider(rider, answering)
    raise RuntimeError(f"none of {_TRIES} riders by chance reached the pedals")
