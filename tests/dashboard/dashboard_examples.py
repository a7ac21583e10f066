"""An invented rider and invented results, for the tests of the screens."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from livefit.definitions.models import Definitions, Side
from livefit.wire.messages import (
    Health,
    Live,
    Mark,
    MeanPose,
    Pose,
    Row,
    Snapshot,
    Stroke,
)

LABELS = ("AC", "EL", "US", "ASIS", "PSIS", "GT", "LE", "LM", "CA", "VM")
BOTH: tuple[Side, ...] = ("L", "R")
CRANK_MM = 172.5
THIGH_MM, SHANK_MM = 436.0, 438.0
HIP = (-217.0, 795.0)
UPPER = {
    "AC": (185.0, 1190.0), "EL": (395.0, 985.0), "US": (610.0, 870.0),
    "ASIS": (-140.0, 880.0), "PSIS": (-310.0, 905.0), "GT": HIP,
}  # fmt: skip

ACROSS = {
    "AC": 185.0, "EL": 235.0, "US": 205.0, "ASIS": 115.0, "PSIS": 50.0, "GT": 165.0,
    "LE": 110.0, "LM": 120.0, "CA": 100.0, "VM": 145.0,
}  # fmt: skip
"""mm from the mid-plane."""


def landmarks(crank_deg: float) -> dict[str, tuple[float, float]]:
    """Side view of one side at its own crank angle, mm: two links from a fixed hip."""
    turn = math.radians(crank_deg)
    spindle = (CRANK_MM * math.sin(turn), CRANK_MM * math.cos(turn))
    pitch = math.radians(12 + 9 * math.sin(turn - 2.2))

    def foot(back: float, up: float) -> tuple[float, float]:
        return (
            spindle[0] - back * math.cos(pitch) + up * math.sin(pitch),
            spindle[1] + back * math.sin(pitch) + up * math.cos(pitch),
        )

    ankle = foot(120.0, 95.0)
    across, down = ankle[0] - HIP[0], ankle[1] - HIP[1]
    reach = math.hypot(across, down)
    along = (THIGH_MM**2 - SHANK_MM**2 + reach**2) / (2 * reach)
    out = math.sqrt(THIGH_MM**2 - along**2)
    knee = (
        HIP[0] + along * across / reach - out * down / reach,
        HIP[1] + along * down / reach + out * across / reach,
    )
    return UPPER | {"LE": knee, "LM": ankle, "CA": foot(185.0, 35.0), "VM": foot(-5.0, 28.0)}


def angle_at(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    """Angle at ``b``, degrees, by the law of cosines."""
    ab, bc, ac = math.dist(a, b), math.dist(b, c), math.dist(a, c)
    return math.degrees(math.acos((ab**2 + bc**2 - ac**2) / (2 * ab * bc)))


def make_pose(
    crank_deg: float = 100.0,
    sent: float = 100.0,
    *,
    missing: tuple[str, ...] = (),
    sides: str = "RL",
    **changes: Any,
) -> Pose:
    """The rider with the right crank at ``crank_deg``."""
    labels, xyz, live = [], [], []
    for side in (s for s in BOTH if s in sides):
        points = landmarks(crank_deg + (0.0 if side == "R" else 180.0))
        for name in LABELS:
            label = f"{side}_{name}"
            labels.append(label)
            lost = label in missing
            across = ACROSS[name] if side == "R" else -ACROSS[name]
            xyz.append((math.nan,) * 3 if lost else (*points[name], across))
        knee = 180 - angle_at(points["GT"], points["LE"], points["LM"])
        live += [
            Live(measure="knee_flexion", side=side, value=knee),
            Live(measure="hip_angle", side=side,
                 value=angle_at(points["AC"], points["GT"], points["LE"])),
            Live(measure="ankle_angle", side=side,
                 value=angle_at(points["LE"], points["LM"], points["VM"])),
            Live(measure="elbow_flexion", side=side,
                 value=180 - angle_at(points["AC"], points["EL"], points["US"])),
            Live(measure="trunk_inclination", side=side, value=math.degrees(math.atan2(
                points["AC"][1] - HIP[1], points["AC"][0] - HIP[0]))),
            Live(measure="knee_over_spindle", side=side, value=points["LE"][0]
                 - CRANK_MM * math.sin(math.radians(crank_deg + (0 if side == "R" else 180)))),
        ]  # fmt: skip
    fields: dict[str, Any] = {
        "node": "n1", "frame": 12_000, "t": 60.0, "sent": sent, "labels": labels,
        "xyz": np.array(xyz, "<f4").tobytes(), "crank_deg": crank_deg % 360,
        "crank_mm": dict.fromkeys(sides, CRANK_MM), "live": live,
    }  # fmt: skip
    return Pose(**(fields | changes))


MEANS = {
    ("knee_flexion", "bdc"): (36.2, 41.8),
    ("knee_flexion", "maximum"): (109.6, 111.3),
    ("hip_angle", "tdc"): (48.4, 47.1),
    ("ankle_angle", "bdc"): (127.9, 131.2),
    ("trunk_inclination", "mean"): (44.8, 44.7),
    ("knee_over_spindle", "forward"): (-13.6, -9.4),
    ("elbow_flexion", "mean"): (21.5, 8.3),
}
HALF = {"deg": 0.4, "mm": 1.6, "rpm": 0.5}


def verdict(mean: float, half: float, band: tuple[float, float] | None) -> str:
    """The verdict by the words of the protocol: unsure while the interval crosses an edge."""
    if band is None:
        return "unknown"
    if mean + half < band[0]:
        return "below"
    if mean - half > band[1]:
        return "above"
    return "within" if mean - half >= band[0] and mean + half <= band[1] else "unsure"


def make_row(
    measure: str, event: str, side: str, mean: float, /, *,
    unit: str = "deg", band: tuple[float, float] | None = None, **changes: Any,
) -> Row:  # fmt: skip
    """A row of 15 strokes with a plausible interval."""
    half = HALF[unit]
    fields: dict[str, Any] = {
        "measure": measure, "side": side, "event": event, "crank_deg": None, "unit": unit, "n": 15,
        "last": mean, "mean": mean, "sd": 2 * half, "se": half / 2,
        "ci95": [mean - half, mean + half], "band": None if band is None else list(band),
        "verdict": verdict(mean, half, band),
    }  # fmt: skip
    return Row(**(fields | changes))


def make_rows(definitions: Definitions, discipline: str = "road_race") -> list[Row]:
    """Rows of the invented rider for the measures a dashboard shows by default."""
    bands = {(b.measure, b.event): (b.low, b.high)
             for b in definitions.discipline(discipline).bands}  # fmt: skip
    rows = []
    for (measure, event), means in MEANS.items():
        unit = definitions.measure(measure).unit
        for side, mean in zip("LR", means, strict=True):
            rows.append(
                make_row(measure, event, side, mean, unit=unit, band=bands.get((measure, event)))
            )
    return rows


def make_health(**changes: Any) -> Health:
    """A healthy stream at 200 Hz."""
    fields: dict[str, Any] = {
        "frames": 12_000, "lost": 4, "gaps": 2, "rate_hz": 199.8, "missing": {}, "delay_ms": 12.4,
    }  # fmt: skip
    return Health(**(fields | changes))


def make_snapshot(rows: list[Row], sent: float = 100.0, **changes: Any) -> Snapshot:
    """The truth of one moment of a ride at 91 rpm."""
    fields: dict[str, Any] = {
        "node": "n1", "number": 7, "stream": "s1", "source": "simulated", "state": "riding",
        "problem": None, "frame": 12_000, "t": 60.0, "sent": sent, "discipline": "road_race",
        "window": {"strokes": 15.0}, "cadence_rpm": 91.3, "strokes": {"L": 15, "R": 15},
        "refused": {}, "rows": rows, "cranks": [], "health": make_health(),
    }  # fmt: skip
    return Snapshot(**(fields | changes))


def make_mean_pose(raised_mm: float = 0.0, **changes: Any) -> MeanPose:
    """The rider's mean pose round the crank, all of it ``raised_mm`` higher."""
    labels = [f"{side}_{name}" for side in BOTH for name in LABELS]
    xyz = np.array(
        [
            (*landmarks(10.0 * i + (0.0 if label[0] == "R" else 180.0))[label[2:]],
             ACROSS[label[2:]] * (1 if label[0] == "R" else -1))
            for i in range(36)
            for label in labels
        ],
        "<f4",
    )  # fmt: skip
    xyz[:, 1] += raised_mm
    fields: dict[str, Any] = {"node": "n1", "labels": labels, "xyz": xyz.tobytes()}
    return MeanPose(**(fields | changes))


def make_strokes(
    means: dict[tuple[str, str], tuple[float, float]] | None = None,
    *, first: int = 1, count: int = 15, marks: int = 0,
) -> list[Stroke]:  # fmt: skip
    """Strokes scattered around the means in a pattern that repeats, oldest first."""
    scatter = (0.4, -0.7, 0.1, 1.0, -0.3, -1.1, 0.6)
    return [
        Stroke(
            node="n1", side=side, event=event, measures=[measure], stroke=number,
            t=number * 0.66, marks=marks, values=[both[i] + scatter[number % 7]],
        )
        for number in range(first, first + count)
        for (measure, event), both in (means or MEANS).items()
        for i, side in enumerate(BOTH)
    ]  # fmt: skip


def make_mark(part: str = "saddle_height", amount: float = 5.0, number: int = 1) -> Mark:
    """An adjustment marked 50 s into the ride."""
    return Mark(number=number, t=50.0, part=part, amount=amount)
