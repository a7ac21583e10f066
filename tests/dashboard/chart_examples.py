"""Invented strokes and cycles from closed forms, for the tests of the charts."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np

from livefit.definitions.models import Definitions
from livefit.frames import FloatArray
from livefit.view.charts import ChartsModel
from livefit.wire.messages import Cycles, Mark, SideCycles, Snapshot, Stroke
from tests.dashboard.dashboard_examples import make_rows, make_snapshot

LR: tuple[Literal["L", "R"], ...] = ("L", "R")
PERIOD_S = 0.66
KNEE_BDC = ("knee_flexion", "bdc")

CURVES: dict[str, tuple[float, float, float, float, float]] = {
    "knee_flexion": (73.0, 36.5, 18.0, 4.0, 160.0),
    "hip_angle": (69.0, -22.0, 12.0, 2.0, 60.0),
    "ankle_angle": (118.0, -11.0, 95.0, 3.0, 30.0),
    "knee_to_foot_lateral": (-22.0, 9.0, 40.0, 5.0, 10.0),
    "knee_height": (455.0, 170.0, 15.0, 12.0, 120.0),
    "trunk_inclination": (45.0, 0.6, 20.0, 0.4, 0.0),
}
"""mean, amplitude and place of the first harmonic, then of the second; deg or mm, and deg."""
CYCLE_SD = {"deg": 1.3, "mm": 3.0}


def cycle(measure: str, side: str, crank_deg: FloatArray) -> FloatArray:
    """The measure round the crank: two harmonics; the right side a little off the left."""
    mean, first, at, second, at_second = CURVES[measure]
    turn = np.radians(crank_deg)
    shift = 0.0 if side == "L" else 0.11 * first + 0.5
    value: FloatArray = (
        mean + shift + first * np.cos(turn - np.radians(at))
        + second * np.cos(2 * turn - np.radians(at_second))
    )  # fmt: skip
    return value


def make_cycles(seed: int = 1, **changes: Any) -> Cycles:
    """Cycles of both sides, the latest stroke and the baseline off the mean."""
    rng = np.random.default_rng(seed)
    crank_deg = np.linspace(0.0, 360.0, 37)
    sides = []
    for side in LR:
        mean = np.stack([cycle(m, side, crank_deg) for m in CURVES], axis=1)
        unit = ["mm" if m.startswith("knee_") and m != "knee_flexion" else "deg" for m in CURVES]
        sd = np.array([CYCLE_SD[u] for u in unit]) * (
            1 + 0.5 * np.sin(np.radians(crank_deg))[:, None]
        )
        wave = np.sin(np.radians(crank_deg)[:, None] + rng.uniform(0, 6, len(CURVES)))
        fields: dict[str, Any] = {
            "side": side, "measures": list(CURVES), "stroke": 300, "n": 15,
            "last": packed(mean + sd * wave), "mean": packed(mean), "sd": packed(sd),
            "baseline": packed(mean + 3.5 + 0.02 * mean),
        }  # fmt: skip
        sides.append(SideCycles(**(fields | changes)))
    return Cycles(node="n1", sides=sides)


def packed(table: FloatArray) -> bytes:
    """Little-endian float32."""
    return table.astype("<f4").tobytes()


def make_strokes(
    count: int = 300, *, marks: tuple[int, ...] = (170,), seed: int = 2, first: int = 0
) -> list[Stroke]:
    """Strokes at the bottom; each mark, at its stroke, takes 4 deg off the knee."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 1.2, (2, count))
    out = []
    for i in range(count):
        past = sum(i >= at for at in marks)
        for k, side in enumerate(LR):
            value = (41.0, 44.5)[k] - 4.0 * past + float(noise[k, i])
            out.append(
                make_stroke(first + i, side, value, t=(first + i + 0.5 * k) * PERIOD_S, marks=past)
            )
    return out


def make_stroke(number: int, side: str = "L", value: float | None = 36.0, **changes: Any) -> Stroke:
    """One stroke of the knee at the bottom."""
    fields: dict[str, Any] = {
        "node": "n1", "side": side, "event": "bdc", "measures": ["knee_flexion"],
        "stroke": number, "t": number * PERIOD_S, "marks": 0, "values": [value],
    }  # fmt: skip
    return Stroke(**(fields | changes))


def make_mark(number: int, stroke: int, **changes: Any) -> Mark:
    """The saddle goes up by 5 mm just before a stroke."""
    fields: dict[str, Any] = {
        "number": number, "t": (stroke - 0.4) * PERIOD_S, "part": "saddle_height", "amount": 5.0,
    }  # fmt: skip
    return Mark(**(fields | changes))


def bdc_snapshot(definitions: Definitions, **changes: Any) -> Snapshot:
    """A snapshot with one mark."""
    fields: dict[str, Any] = {"marks": [make_mark(1, 170)]}
    return make_snapshot(make_rows(definitions), **(fields | changes))


def riding_charts(definitions: Definitions, **snapshot: Any) -> ChartsModel:
    """Charts of three minutes with a change of the saddle in them."""
    charts = ChartsModel(definitions, [KNEE_BDC])
    charts.apply_snapshot(bdc_snapshot(definitions, **snapshot))
    for stroke in make_strokes():
        charts.apply_stroke(stroke)
    charts.apply_cycles(make_cycles())
    return charts
