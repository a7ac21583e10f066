"""Riders that several of these tests predict from."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from livefit.analysis.posed import Posed, posed
from livefit.definitions import Definitions, load_definitions, shipped_dir
from livefit.frames import FloatArray
from livefit.kernel.crank import CrankGeometry
from livefit.predict import Belief, Prediction, Response, Rider
from livefit.predict.numbers import Key
from livefit.predict.response import SPREAD
from simulators import Bicycle, Body, RiderSimulation, Sensor, Style, observe, stream_info

CRANK_MM = 172.5
STATURE_MM = 1780.0
THIGH_MM, SHANK_MM = 0.245 * STATURE_MM, 0.246 * STATURE_MM
ANKLE_MM = (-125.0, 95.0)
"""From the spindle, forward and up."""
VM_MM, CA_MM = (20.0, 44.0), (-166.0, 44.0)
BOTTOM = 18
"""Row of the pose with the right crank at the bottom."""


@cache
def shipped() -> Definitions:
    return load_definitions(shipped_dir())


def crank(length: float = CRANK_MM) -> CrankGeometry:
    return CrankGeometry(length, (0.0, 0.0), 170.0, (-20.0, -44.0), 0.1, (0.1, 0.1), 0.3)


def planar(knee_deg: float, seat_tube_deg: float = 90.0) -> Rider:
    """A right leg in a plane, its foot level all round, its hip straight above the ankle at the
    bottom of the stroke, where the knee is bent by so much.
    """  # noqa: D205
    bent = np.radians(180.0 - knee_deg)
    span = np.sqrt(THIGH_MM**2 + SHANK_MM**2 - 2 * THIGH_MM * SHANK_MM * np.cos(bent))
    hip = np.array([ANKLE_MM[0], -CRANK_MM + ANKLE_MM[1] + span])
    pose = np.full((36, 5, 3), 170.0)
    for row, angle in enumerate(np.radians(10.0 * np.arange(36))):
        spindle = CRANK_MM * np.array([np.sin(angle), np.cos(angle)])
        ankle = spindle + ANKLE_MM
        line = ankle - hip
        far = np.hypot(*line)
        at_hip = np.arccos((THIGH_MM**2 + far**2 - SHANK_MM**2) / (2 * THIGH_MM * far))
        way = np.arctan2(line[1], line[0]) + at_hip
        knee = hip + THIGH_MM * np.array([np.cos(way), np.sin(way)])
        pose[row, :, :2] = [hip, knee, ankle, spindle + CA_MM, spindle + VM_MM]
    labels = ("R_GT", "R_LE", "R_LM", "R_CA", "R_VM")
    return Rider(labels, pose, {"R": crank()}, seat_tube_deg)


RIGID = Response(
    hip=1.0, slide=1.0, ankle=0.0, uneven=0.0, elsewhere=1.0, ankle_top=1.0, ankle_forward=0.0,
    arm=0.0, swing=0.0, follow=1.0, tilt=0.0,
)  # fmt: skip
"""Hips go with the saddle, the feet keep their inclination, the knees take all."""


def sure_of(response: Response) -> Belief:
    """Hardly a doubt that the rider answers so."""
    return Belief(response.vector(), np.diag((1e-3 * SPREAD.vector()) ** 2))


@cache
def ridden(
    *, stature: float = 1800.0, saddle_mm: float = 0.0, seed: int = 3, noise: float = 0.5,
    seconds: float = 20.0, side: str = "both",
) -> Posed:  # fmt: skip
    """A simulated rider through the kernel, the saddle moved from where it was fitted."""
    body = Body(stature)
    bicycle = Bicycle.fitted(body)
    bicycle = replace(bicycle, saddle_height_mm=bicycle.saddle_height_mm + saddle_mm)
    simulation = RiderSimulation(body, bicycle, Style(), seed=seed)
    sensor = Sensor(rate_hz=100.0, noise_mm=noise, side=side)  # type: ignore[arg-type]
    block = observe(simulation, sensor, count=round(seconds * sensor.rate_hz))
    return posed(stream_info(sensor), block, shipped())


def by_key(prediction: Prediction) -> dict[Key, tuple[float, float, float]]:
    """Change and interval of every number of which something is said."""
    return {
        Key(row.measure, row.side, row.event): (row.by, row.low, row.high)
        for row in prediction.rows
        if row.by is not None and row.low is not None and row.high is not None
    }


def column(rider: Rider, pose: FloatArray, name: str) -> FloatArray:
    return pose[:, rider.labels.index(name)]
