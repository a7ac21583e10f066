"""Settings for single instants, and geometry of the tests' own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from livefit.frames import FloatArray
from simulators import Bicycle, RiderSimulation, Style
from simulators.markers import LABELS
from simulators.settings import STILL

EVEN = Style(speed_variation=0.0, cadence_wander=0.0, variation=STILL)
UNEVEN = RiderSimulation(
    style=Style(left_pitch_deg=4.0, left_swing_deg=2.0, speed_variation=0.1), seed=11
)
"""A rider in whom nothing is symmetric."""


def held_at(
    crank_deg: float, style: Style = EVEN, bicycle: Bicycle | None = None
) -> RiderSimulation:
    """A rider who holds the right crank at an angle, at every time."""
    held = replace(style, cadence_rpm=0.0, start_deg=crank_deg)
    return RiderSimulation(bicycle=bicycle or Bicycle(), style=held)


def marker(positions: FloatArray, label: str) -> FloatArray:
    return positions[:, LABELS.index(label)]


def angle_deg(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Angle at b from the cross and the scalar product, deg."""
    u, v = a - b, c - b
    sine = np.linalg.norm(np.cross(u, v), axis=-1)
    angle: FloatArray = np.degrees(np.arctan2(sine, np.sum(u * v, axis=-1)))
    return angle


def length(a: FloatArray, b: FloatArray) -> FloatArray:
    distance: FloatArray = np.linalg.norm(a - b, axis=-1)
    return distance
