"""Pointers, touches and bicycles that several of these tests use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from functools import cache

import numpy as np

from livefit.bicycle.geometry import BicycleGeometry, measure_bicycle
from livefit.bicycle.pointer import Calibration, calibrate
from livefit.bicycle.touching import Touch, TouchDetector
from livefit.definitions import TouchPoint, load_definitions, shipped_dir
from livefit.frames import FloatArray
from simulators.pointing import LABELS, SHAPE, TIP, Hand, Pointing, touch_points, turn_about_tip
from simulators.standing_bicycle import Design, Stand, random_design

DAY = date(2025, 3, 1)
POINTS: tuple[TouchPoint, ...] = tuple(load_definitions(shipped_dir()).touch_points)
NAMES = [point.name for point in POINTS if not point.extra]
EVERY = [point.name for point in POINTS]
PLACEMENT = {point.name: point.placement_mm for point in POINTS}
EXACT = Calibration(LABELS, SHAPE, TIP, np.zeros((3, 3)), 0.0, 0.0, np.zeros(3), 0.0, DAY)


@cache
def calibrated(seed: int, seconds: float = 20.0, hand: Hand | None = None) -> Calibration:
    turned = turn_about_tip(seed, seconds=seconds, hand=hand)
    return calibrate(LABELS, turned.seen, turned.t, day=DAY)


def exact_touches(places: Mapping[str, FloatArray], spread_mm: float = 0.1) -> dict[str, Touch]:
    still = spread_mm**2 * np.eye(3)
    return {
        name: Touch(place, still, np.eye(3), spread_mm, 100, 0.0) for name, place in places.items()
    }


def detect(pointing: Pointing, calibration: Calibration, rate_hz: float = 100.0) -> list[Touch]:
    poses = calibration.poses(pointing.seen)
    return TouchDetector(rate_hz).push(pointing.t, poses.place(calibration.tip), poses.rotation)


def simulated_bicycle(seed: int) -> tuple[Design, Stand]:
    random = np.random.default_rng([seed, 3])
    stand = Stand(
        lean_deg=random.uniform(-8, 8),
        nose_up_deg=random.uniform(-5, 5),
        heading_deg=random.uniform(-180, 180),
        place_mm=(random.uniform(-500, 500), random.uniform(-500, 500), 280.0),
    )
    return random_design(random), stand


def measured_by_pointer(
    seed: int, calibration: Calibration, hand: Hand | None = None, order: Sequence[str] = NAMES
) -> tuple[Design, BicycleGeometry]:
    """A bicycle by chance, touched from the first point to the last as a person would."""
    design, stand = simulated_bicycle(seed)
    seen = touch_points(seed, stand.place(design), order, hand=hand, placement_mm=PLACEMENT)
    touches = dict(zip(order, detect(seen, calibration), strict=True))
    return design, measure_bicycle(touches, POINTS, calibration)
