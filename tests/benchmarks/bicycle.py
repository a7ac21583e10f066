"""500 simulated bicycles touched with a pointer: errors and how often the intervals hold.

Touched are the points that are asked for by default; with ``--all`` every one.
"""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from collections import defaultdict
from datetime import date

import numpy as np

from livefit.bicycle.geometry import measure_bicycle
from livefit.bicycle.pointer import calibrate
from livefit.bicycle.rigid import register
from livefit.bicycle.touching import TouchDetector
from livefit.definitions import load_definitions, shipped_dir
from simulators.pointing import LABELS, SHAPE, TIP, Hand, touch_points, turn_about_tip
from simulators.standing_bicycle import Stand, random_design
from tests.benchmarks.tables import Cell, table

_HAND = Hand(travel_s=6.0)
"""Six seconds to walk to a point and to find it."""


def arguments(parser: ArgumentParser) -> None:
    """The options of this benchmark."""
    parser.add_argument("--bicycles", type=int, default=500)
    parser.add_argument("--all", action="store_true", help="every point")


def main(options: Namespace) -> None:
    """Calibrate a pointer and touch a bicycle, as often as asked, and print what came of it."""
    count = 50 if options.short else options.bicycles
    points = load_definitions(shipped_dir()).touch_points
    names = [point.name for point in points if options.all or not point.extra]
    placement = {point.name: point.placement_mm for point in points}
    errors: defaultdict[str, list[float]] = defaultdict(list)
    held: defaultdict[str, list[bool]] = defaultdict(list)
    seconds = 0.0
    tips, missed, findings = [], 0, 0
    for k in range(count):
        seed = 10_000 * options.seed + k
        turned = turn_about_tip(seed, hand=_HAND)
        pointer = calibrate(LABELS, turned.seen, turned.t, day=date(2025, 1, 1))
        true_tip = register(SHAPE, pointer.shape[None]).place(TIP)[0]
        tips.append(float(np.linalg.norm(pointer.tip - true_tip)))
        random = np.random.default_rng([seed, 4])
        stand = Stand(random.uniform(-8, 8), random.uniform(-5, 5), random.uniform(-180, 180))
        design = random_design(random)
        seen = touch_points(seed, stand.place(design), names, hand=_HAND, placement_mm=placement)
        seconds = float(seen.t[-1])
        poses = pointer.poses(seen.seen)
        detector = TouchDetector(_HAND.rate_hz)
        touches = detector.push(seen.t, poses.place(pointer.tip), poses.rotation)
        if len(touches) != len(names):
            missed += 1
            continue
        geometry = measure_bicycle(dict(zip(names, touches, strict=True)), points, pointer)
        findings += bool(geometry.findings)
        true = design.dimensions()
        for name, measured in geometry.measured.items():
            errors[name].append(measured.value - true[name])
            held[name].append(measured.interval[0] <= true[name] <= measured.interval[1])
    rows: list[list[Cell]] = [
        [
            name,
            float(np.median(np.abs(found))),
            float(np.percentile(np.abs(found), 95)),
            float(np.mean(found)),
            100 * float(np.mean(held[name])),
        ]
        for name, found in errors.items()
    ]
    print(
        f"{count} bicycles; tip off by {np.median(tips):.3f} mm (median), {max(tips):.3f} (worst)"
    )
    print(f"{len(names)} touches in {seconds:.0f} s")
    print(f"a touch too few or too many: {missed}; findings without a mistake: {findings}")
    print(table(["dimension", "median", "95 %", "mean", "held, %"], rows))
    print(f"held in all: {100 * np.mean([h for one in held.values() for h in one]):.1f} %")
