"""An invented rider's session: simulated before and after a change of the saddle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
from PIL import Image, ImageDraw

from livefit.definitions import Definitions, load_definitions
from livefit.frames import FloatArray
from livefit.kernel.cycles import GridPoses, StrokeCycle
from livefit.kernel.kernel import Kernel
from livefit.kernel.results import RollingResults, bands_of
from livefit.kernel.rolling import Rolling
from livefit.session.models import (
    Adjustment,
    Bicycle,
    Crank,
    Cycle,
    FitSession,
    FollowUp,
    Number,
    Person,
    Picture,
    Pose,
    SetUp,
    Taken,
    Trial,
)
from simulators import Bicycle as Ridden
from simulators import Body, RiderSimulation, Sensor, Style, observe, stream_info

RATE_HZ, SECONDS = 100.0, 24.0
DISCIPLINE = "road_race"
UP_MM, BACK_MM = 12.0, -4.0
RIDER = "0" * 31 + "1"
WHEN = datetime(2026, 3, 14, 10, 30, tzinfo=UTC)


@cache
def definitions(nowhere: str) -> Definitions:
    """The shipped definitions; ``nowhere`` is an empty directory."""
    return load_definitions(Path(nowhere))


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def simulated(raised_mm: float, back_mm: float, number: int) -> RiderSimulation:
    """The rider, 14 mm below the height they are used to and as much up and back as is said."""
    body = Body(stature_mm=1760.0)
    fitted = Ridden.fitted(body)
    bicycle = replace(
        fitted,
        saddle_height_mm=fitted.saddle_height_mm - 14.0 + raised_mm,
        setback_mm=fitted.setback_mm + back_mm,
    )
    style = Style(left_pitch_deg=3.0, left_swing_deg=0.6, cadence_rpm=88.0)
    return RiderSimulation(body, bicycle, style, seed=number + 3)


def ridden_trial(
    known: Definitions, raised_mm: float, back_mm: float, number: int,
    adjustments: list[Adjustment], side: Literal["both", "left", "right"] = "both",
) -> Trial:  # fmt: skip
    """A trial as the kernel hears it of the simulated rider."""
    ride = simulated(raised_mm, back_mm, number)
    sensor = Sensor(rate_hz=RATE_HZ, side=side)
    info = stream_info(sensor)
    kernel = Kernel(info, info.labels, known.measures, known.events, with_cycles=True)
    bands = bands_of(known.discipline(DISCIPLINE))
    results = RollingResults(kernel.plan.sides, known.measures, Rolling(), bands)
    results.add(kernel.push(observe(ride, sensor, count=int(RATE_HZ * SECONDS))))
    rows = results.rows()
    return Trial(
        number=number,
        began=WHEN,
        seconds=SECONDS,
        sides=side,
        adjustments=adjustments,
        cadence_rpm=next(_finite(row.mean) for row in rows if row.measure == "cadence"),
        workload_w=150.0,
        numbers=[
            Number.model_validate(
                {
                    "measure": row.measure, "side": row.side, "event": row.event, "unit": row.unit,
                    "crank_deg": _finite(row.crank_deg), "n": row.n, "mean": _finite(row.mean),
                    "sd": _finite(row.sd), "se": _finite(row.se),
                    "ci95": (row.low, row.high) if np.isfinite(row.low) else None,
                    "band": row.band, "verdict": row.verdict,
                }
            )
            for row in rows
        ],
        cycles=_cycles(kernel.take_cycles()),
        pose=_pose(kernel.labels, kernel.take_poses()),
        cranks=[
            Crank.model_validate(
                {"side": side, "length_mm": crank.length, "length_se_mm": crank.length_se}
            )
            for side, crank in kernel.bike.cranks.items()
        ] if kernel.bike else [],
        recordings=[f"trial-{number}.mcap"],
    )  # fmt: skip


def _cycles(strokes: Sequence[StrokeCycle]) -> list[Cycle]:
    by_side: dict[str, list[StrokeCycle]] = {}
    for stroke in strokes:
        if np.isfinite(stroke.values).all():
            by_side.setdefault(stroke.side, []).append(stroke)
    made = []
    for side, each in by_side.items():
        values = np.stack([stroke.values for stroke in each])
        mean, sd = values.mean(axis=0), values.std(axis=0, ddof=1)
        for k, measure in enumerate(each[0].measures):
            values_of: dict[str, Any] = {
                "measure": measure, "side": side, "n": len(each),
                "mean": mean[:, k].tolist(), "sd": sd[:, k].tolist(),
            }  # fmt: skip
            made.append(Cycle.model_validate(values_of))
    return made


def _pose(labels: Sequence[str], grids: Sequence[GridPoses]) -> Pose:
    total, seen = np.zeros((36, len(labels), 3)), np.zeros((36, len(labels), 1))
    for grid in grids:
        for k, row in enumerate(grid.positions):
            known = np.isfinite(row[:, :1])
            total[(grid.first + k) % 36] += np.where(known, row, 0.0)
            seen[(grid.first + k) % 36] += known
    mean: FloatArray = total / np.where(seen > 0, seen, np.nan)
    positions: list[list[tuple[float, float, float] | None]] = [
        [None if np.isnan(x) else (x, y, z) for x, y, z in row] for row in mean.tolist()
    ]
    return Pose(labels=list(labels), positions=positions)


def touched(value: float, half: float = 0.6) -> Taken:
    return Taken(value=value, unit="mm", half_width=half, how="touched")


def degrees(value: float, half: float = 0.15) -> Taken:
    return Taken(value=value, unit="deg", half_width=half, how="touched")


BEFORE = {
    "saddle_height": touched(688.4), "saddle_height_spindle": touched(860.9),
    "saddle_setback": touched(58.2), "saddle_tilt": degrees(-1.4),
    "saddle_to_bar_reach": touched(548.6), "saddle_to_bar_drop": touched(42.1),
    "stack": touched(563.8), "reach": touched(386.2), "bar_width": touched(419.7),
    "hood_forward": touched(588.3), "hood_up": touched(612.9), "seat_tube_angle": degrees(73.2),
    "head_tube_angle": degrees(72.6), "head_tube_length": touched(151.3),
    "fork_length": touched(371.4), "fork_offset": touched(44.8), "crank_length": touched(172.4),
    "pedal_spacing": touched(254.1), "wheelbase": touched(991.7),
    "chainstay_length": touched(411.2), "bottom_bracket_drop": touched(69.6),
    "tyre_pressure_marks": Taken(value=3, unit="count"),
}  # fmt: skip
AFTER = BEFORE | {
    "saddle_height": touched(700.5), "saddle_height_spindle": touched(873.0),
    "saddle_setback": touched(54.3), "saddle_tilt": degrees(-0.3),
    "saddle_to_bar_reach": touched(544.9), "saddle_to_bar_drop": touched(53.2),
}  # fmt: skip
PARTS = {
    "saddle": "Broad, 155 mm, cut-out",
    "seat_post": "27.2 mm, setback 20 mm, 74 mm of it above the clamp",
    "stem": "100 mm, −6°, two 5 mm spacers below",
    "bar": "420 mm, compact",
    "cleats": "Three bolts, 4.5° of float",
    "pedals": "One-sided",
}


def adjustments() -> tuple[list[Adjustment], list[Adjustment]]:
    """What was changed before the second and before the third trial."""
    first = Adjustment(
        part="saddle_height", amount=5.0, unit="mm", mark=1,
        why="Knee bent beyond the target range at the bottom of the stroke, both sides.",
        measured=Taken(value=5.2, unit="mm", half_width=0.4, how="tracked"),
    )  # fmt: skip
    return [first], [
        Adjustment(part="saddle_height", amount=7.0, unit="mm", mark=2,
                   why="Still low; settled well.",
                   measured=Taken(value=6.9, unit="mm", half_width=0.8, how="touched")),
        Adjustment(part="saddle_setback", amount=BACK_MM, unit="mm",
                   why="Keeps the knee over the pedal where it was."),
        Adjustment(part="saddle_tilt", amount=1.0, unit="deg",
                   why="Pressure in front after an hour."),
    ]  # fmt: skip


@cache
def demo_session(nowhere: str) -> FitSession:
    """The whole session."""
    known = definitions(nowhere)
    first, second = adjustments()
    return FitSession(
        id="5" * 32,
        rider=Person(id=RIDER, name="Mara Lindqvist-Østergård", born=date(1988, 5, 2)),
        bicycle=Bicycle(
            id="2" * 32, rider=RIDER, name="The blue one", discipline=DISCIPLINE,
            frame="Steel road frame, 54 cm",
        ),
        began=WHEN,
        fitter="Jonas Feld",
        discipline=DISCIPLINE,
        interview={
            "riding_per_week_h": 7.0,
            "goal": "A 200 km ride in June without sore knees.",
            "knee_pain": True,
            "where_it_hurts": ["front of the left knee", "hands after two hours"],
            "seen_a_clinician": True,
        },
        examination={"inseam_mm": 827.0, "hamstring_left": "normal", "hamstring_right": "short"},
        set_up_before=SetUp(taken=WHEN, dimensions=BEFORE, parts=PARTS),
        set_up_after=SetUp(
            taken=WHEN.replace(hour=12), dimensions=AFTER,
            parts=PARTS | {"cleats": "Three bolts, 6° of float"},
            notes="Seat post greased; its clamp at 5 Nm as the maker says.",
        ),
        trials=[
            ridden_trial(known, 0.0, 0.0, 0, []),
            ridden_trial(known, 5.0, 0.0, 1, first),
            ridden_trial(known, UP_MM, BACK_MM, 2, second),
        ],
        notes=["Rides in stiff road shoes; the left insole is worn."],
        pictures=[Picture(name="saddle.png", title="Saddle from the side, after the last change")],
        outcome="Two weeks of easy rides in this position, then a call.\nNew insoles before June.",
        follow_ups=[FollowUp(on=date(2026, 3, 28), text="Knee quiet since the second ride.")],
        closed=True,
    )  # fmt: skip


def draw_picture(directory: Path, name: str = "saddle.png") -> Path:
    """A picture such as a fitter takes, drawn."""
    image = Image.new("RGB", (900, 500), "#D8DDE2")
    pen = ImageDraw.Draw(image)
    pen.rounded_rectangle((150, 180, 640, 240), 30, fill="#22303C")
    pen.line((400, 240, 360, 480), fill="#57636E", width=40)
    path = directory / name
    image.save(path)
    return path
