"""How many strokes the wanted precision takes with this noise, rate and cadence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livefit.checking.crank import Riding
from livefit.checking.findings import Z95, Sheet
from livefit.checking.labels import Markers
from livefit.checking.noise import step_of
from livefit.definitions.models import Event, Measure
from livefit.frames import FloatArray
from livefit.kernel.crank import BikeFrame, spindle_from_side
from livefit.kernel.events import EventValues
from livefit.kernel.follower import foot_columns
from livefit.kernel.measuring import MeasureTable
from livefit.kernel.phase import wrapped
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG, event_angle
from livefit.kernel.regression import TREND_COLUMNS, harmonics_for

MOST_STROKES, FAR_TOO_MANY = 15, 100
"""Strokes that a fitter waits for between two changes (10 s at 90 rpm: the usual window), and as
many as nobody does (more than a minute)."""
STEPS_SHARE = 0.5
"""Of the wanted precision that coarse steps may use up."""
BLURRED = 0.6
"""Noise over the step from which the noise blurs it: rounding alone looks like 0.29 to 0.5, and
noise of half a step already makes the mean of rounded values right to 1 % of the step (Widrow B,
Kollar I 2008, Quantization Noise, ch. 4)."""
FEWEST_STROKES = 5
"""From which the spread from stroke to stroke is taken as observed."""
_NEAR = np.radians(6.0)
_STEP_MM = 0.01
_AROUND = np.radians(np.arange(0.0, 360.0, 30.0))


@dataclass(frozen=True)
class Precision:
    """What one side's measure can be known to.

    Attributes
    ----------
    sensor
        Standard error of one stroke from noise and rate alone, in the measure's unit.
    spread
        Standard deviation from stroke to stroke as observed, noise and rider together; NaN with
        too few strokes.
    strokes
        Strokes until half the 95 % interval is within the limit; ``sensor_strokes``: were the
        rider a machine.
    steps
        Half a 95 % interval of what coarse steps of the positions put in, which no averaging
        removes; 0 where noise blurs them.
    """

    sensor: float
    spread: float
    strokes: float
    sensor_strokes: float
    steps: float


def judge_precision(
    riding: Riding,
    markers: Markers,
    noise: Mapping[str, float],
    rate_hz: float,
    measure: Measure,
    event: Event,
    within: float,
    sheet: Sheet,
) -> None:
    """Judge whether noise and rate suffice for the wanted precision.

    rate_hz: frames that arrive in a second.
    """
    labels = [name for name in markers.names if name is not None]
    sides = [side for side in markers.sides() if MeasureTable.feasible(measure, side, labels)]
    if measure.sides == "once":
        sides = ["B"] if MeasureTable.feasible(measure, "B", labels) else []
    what = f"{measure.title} at {event.name}"
    if not sides:
        sheet.find(
            "precision",
            "fault",
            f"{what} was asked for; the markers it needs ({', '.join(measure.points)}) are not "
            "there.",
            "Add these markers, or ask for another measure.",
        )
        return
    told = []
    for side in sides:
        found = precision_of(riding, markers, noise, rate_hz, measure, event, side, within)
        if found is None:
            continue
        told.append(f"{side} one stroke ± {found.sensor:.2g}, {found.strokes:.0f} strokes")
        _precision(found, what, side, measure.unit, within, rate_hz, sheet)
    unit = measure.unit
    sheet.look(f"{what} within {within:g} {unit}", "; ".join(told) or "not known", "precision")


def _precision(
    found: Precision, what: str, side: str, unit: str, within: float, rate: float, sheet: Sheet
) -> None:
    numbers = {
        "sensor_se": found.sensor,
        "spread_sd": found.spread,
        "strokes": found.strokes,
        "sensor_strokes": found.sensor_strokes,
        "steps": found.steps,
    }
    if found.steps > STEPS_SHARE * within:
        sheet.find(
            "precision",
            "fault" if found.steps > within else "warning",
            f"{what}, side {side}: the positions come in steps that put in an error of up to "
            f"± {found.steps:.2g} {unit} (95 %), which does not average out; ± {within:g} {unit} "
            "was wanted.",
            "Send positions unrounded, as float32 at least.",
            subject=side,
            **numbers,
        )
        return
    if found.sensor_strokes > MOST_STROKES:
        sheet.find(
            "precision",
            "fault" if found.sensor_strokes > FAR_TOO_MANY else "warning",
            f"{what}, side {side}: noise and {rate:.0f} frames a second give one stroke a standard "
            f"error of {found.sensor:.2g} {unit}, so that a mean within ± {within:g} {unit} (95 %) "
            f"takes {found.sensor_strokes:.0f} strokes before the rider's own spread; "
            f"{MOST_STROKES} at most were expected.",
            "Less noise counts in proportion, frame rate by its root: halve the noise or take four "
            "times the frames.",
            subject=side,
            **numbers,
        )
        return
    spread = (
        f"with the spread of {found.spread:.2g} {unit} from stroke to stroke it takes"
        if np.isfinite(found.spread)
        else "from noise alone it takes"
    )
    sheet.find(
        "precision",
        "note",
        f"{what}, side {side}: noise and rate give one stroke a standard error of "
        f"{found.sensor:.2g} {unit}; {spread} {found.strokes:.0f} strokes to know the mean within "
        f"± {within:g} {unit} (95 %).",
        "Nothing need be done."
        if found.strokes <= MOST_STROKES
        else "The rider's own spread, not the sensor, asks for so many strokes.",
        subject=side,
        **numbers,
    )


def precision_of(
    riding: Riding,
    markers: Markers,
    noise: Mapping[str, float],
    rate_hz: float,
    measure: Measure,
    event: Event,
    side: str,
    within: float,
) -> Precision | None:
    """Precision of a measure on one side; None where its markers are never seen together.

    Notes
    -----
    A stroke of N frames is described by a trend and H harmonics, p = 2 H + 3 numbers a coordinate,
    so that noise of standard deviation s a coordinate leaves s * sqrt(p / N) of a coordinate at a
    crank angle, and that times the length of its gradient of an angle. The crank angle, from the
    spindles at the crank's end, brings in the same of its own noise times the measure's slope over
    the crank. Kay SM (1993) Fundamentals of Statistical Signal Processing: Estimation Theory,
    ch. 3 and 4. Of n strokes the mean is known to sd / sqrt(n).
    """
    labels = [name for name in markers.names if name is not None]
    table = MeasureTable([measure], side, labels)
    frames = rate_hz * 60.0 / riding.rpm
    harmonics = harmonics_for(int(frames))
    if not harmonics:
        return None
    numbers = (TREND_COLUMNS + 2 * harmonics) / frames
    spread, crank = _observed(riding.values, measure.name, event.name, side)
    angle = event_angle(event, DEFAULT_SEAT_TUBE_DEG)
    if angle is not None:
        crank = angle
    wanted = _AROUND if np.isnan(crank) else np.array([np.radians(crank)])
    points = _points(riding.bike, markers, labels)
    phase = riding.phases["R" if side == "B" else side]
    rounded = _rounding(markers, noise)

    def worst_of(sizes: Mapping[str, float]) -> float:
        each = [_error(table, points, phase, float(at), labels, sizes, riding) for at in wanted]
        return float(np.nanmax(each)) if np.isfinite(each).any() else float("nan")

    worst = worst_of(noise)
    if np.isnan(worst):
        return None
    sensor = worst * float(np.sqrt(numbers)) * (np.sqrt(2.0) if event.kind == "range" else 1.0)
    sd = spread if np.isfinite(spread) else sensor
    return Precision(
        sensor=sensor,
        spread=spread,
        strokes=strokes_for(sd, within),
        sensor_strokes=strokes_for(sensor, within),
        steps=Z95 * worst_of(rounded) if any(rounded.values()) else 0.0,
    )


def strokes_for(sd: float, within: float) -> float:
    """Strokes until half the mean's 95 % interval is `within`, at a spread of `sd` a stroke.

    >>> strokes_for(1.0, 0.5)
    16.0
    """
    return float(max(1.0, np.ceil((Z95 * sd / within) ** 2)))


def _rounding(markers: Markers, noise: Mapping[str, float]) -> dict[str, float]:
    """Standard deviation of each marker's rounding, mm; 0 where noise blurs it."""
    steps = {name: step_of(markers.of(name)) for name in markers.columns}
    return {
        name: step / float(np.sqrt(12.0)) if noise[name] < BLURRED * step else 0.0
        for name, step in steps.items()
    }


def _observed(
    values: Sequence[EventValues], measure: str, event: str, side: str
) -> tuple[float, float]:
    """Standard deviation from stroke to stroke, and mean crank angle (deg); NaN = not known."""
    own = [
        (v.values[:, v.measures.index(measure)], v.crank_deg[:, v.measures.index(measure)])
        for v in values
        if (v.side, v.event) == (side, event) and measure in v.measures
    ]
    each = np.concatenate([np.empty(0), *(part for part, _ in own)])
    at = np.concatenate([np.empty(0), *(part for _, part in own)])
    each, at = each[np.isfinite(each)], at[np.isfinite(at)]
    sd = float(each.std(ddof=1)) if len(each) >= FEWEST_STROKES else float("nan")
    return sd, float(np.median(at)) if len(at) else float("nan")


def _points(bike: BikeFrame, markers: Markers, labels: Sequence[str]) -> FloatArray:
    """(n, markers + virtual, 3) mm in bike axes, as measures are computed from."""
    columns = [markers.columns[name] for name in labels]
    placed = bike.to_bike(markers.positions[:, columns])
    virtual = np.full((len(placed), 3, 3), np.nan)
    feet = foot_columns(labels)
    for k, side in enumerate("LR"):
        if side in feet and side in bike.cranks:
            crank = bike.cranks[side]
            view = np.moveaxis(placed[:, feet[side], :2], -1, 0)
            virtual[:, k, 0], virtual[:, k, 1] = spindle_from_side(view, crank.spindle)
            virtual[:, k, 2] = placed[:, feet[side][-1], 2]
    virtual[:, 2] = 0.0
    return np.concatenate([placed, virtual], axis=1)


def _error(
    table: MeasureTable,
    points: FloatArray,
    phase: FloatArray,
    at: float,
    labels: Sequence[str],
    noise: Mapping[str, float],
    riding: Riding,
) -> float:
    """Standard deviation of the measure in one frame at a crank angle (rad)."""

    def pose(angle: float) -> FloatArray:
        near = np.abs(wrapped(phase - angle)) < _NEAR
        with_all = points[near]
        if not len(with_all):
            return np.full(points.shape[1:], np.nan)
        return _medians(with_all)

    here = pose(at)
    each = np.array([noise.get(name, np.nan) for name in labels])
    feet = [noise[name] for name in ("L_VM", "R_VM") if name in noise]
    spindle = float(np.nanmean(feet)) if np.isfinite(feet).any() else 0.0
    sizes = np.concatenate([np.nan_to_num(each), [spindle, spindle, 0.0]])
    steps = _STEP_MM * np.eye(here.size).reshape(-1, *here.shape)
    up, down = table.evaluate(here + steps)[:, 0], table.evaluate(here - steps)[:, 0]
    slopes = ((up - down) / (2 * _STEP_MM)).reshape(here.shape)
    by_markers = float(np.sqrt((slopes**2 * sizes[:, None] ** 2).sum()))
    around = table.evaluate(np.stack([pose(at - 2 * _NEAR), pose(at + 2 * _NEAR)]))[:, 0]
    slope = float(np.nan_to_num((around[1] - around[0]) / (4 * _NEAR)))
    lengths = [crank.length for crank in riding.bike.cranks.values()]
    crank = spindle / float(np.mean(lengths)) / float(np.sqrt(len(lengths)))
    return float(np.hypot(by_markers, slope * crank))


def _medians(points: FloatArray) -> FloatArray:
    """Medians (m, 3) of points (n, m, 3); NaN where a point is never seen."""
    middle = np.full(points.shape[1:], np.nan)
    for k in range(points.shape[1]):
        seen = points[np.isfinite(points[:, k, 0]), k]
        if len(seen):
            middle[k] = np.median(seen, axis=0)
    return middle
