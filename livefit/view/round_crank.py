"""Charts of whole cycles: against crank angle, joint against joint, and the knee from the front."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livefit.definitions.models import Event, Measure, Side
from livefit.frames import FloatArray
from livefit.view.axis import Axis, axis_for
from livefit.view.cycles import CRANK_DEG, Cycle
from livefit.wire.messages import Row

QUARTER_ROWS = (0, 9, 18, 27)
"""Of a cycle: pedal at the top, forward, at the bottom, rearward."""


@dataclass(frozen=True, eq=False)
class CycleCurve:
    """One side's cycle and where the judged event lies on it."""

    side: Side
    cycle: Cycle
    at: tuple[float, float] | None
    """Crank angle, deg, and value of the event; None where it has no one place."""


@dataclass(frozen=True, eq=False)
class OverStroke:
    """A measure against crank angle, 0 to 360 deg."""

    title: str
    unit: str
    axis: Axis | None
    band: tuple[float, float] | None
    band_everywhere: bool
    """The band judges the mean over the stroke, not one place in it."""
    curves: tuple[CycleCurve, ...]
    window: str
    empty: str | None


@dataclass(frozen=True, eq=False)
class Path:
    """A closed way of one side through a plane; (37, 2) each, NaN = no value."""

    side: Side
    mean: FloatArray
    sd: FloatArray
    last: FloatArray
    baseline: FloatArray | None


@dataclass(frozen=True, eq=False)
class PathPlot:
    """Paths on two axes of their own, with the axes' titles."""

    x_title: str
    y_title: str
    x_unit: str
    y_unit: str
    x_axis: Axis
    y_axis: Axis
    paths: tuple[Path, ...]


@dataclass(frozen=True, eq=False)
class Paths:
    """Plots side by side.

    For the knee from the front the plots are the rider's right, then left, as one facing the rider
    sees them; x is outward from the foot and so runs to the left in the first.
    """

    title: str
    front: bool
    plots: tuple[PathPlot, ...]
    window: str
    empty: str | None


def over_stroke(
    measure: Measure,
    event: Event,
    title: str,
    cycles: Mapping[Side, Cycle],
    *,
    rows: Mapping[Side, Row],
    window_text: str,
    band: tuple[float, float] | None,
    previous: Axis | None,
    empty: str,
) -> OverStroke:
    """Chart of one cycle a side; ``rows`` are the judged event's."""
    curves = tuple(
        CycleCurve(side, cycle, _at(event, cycle, rows.get(side))) for side, cycle in cycles.items()
    )
    everywhere = event.kind == "mean"
    if not everywhere and all(curve.at is None for curve in curves):
        band = None
    lines = [line for curve in curves for line in _lines(curve.cycle)]
    axis = _axis([*lines, *([np.array(band)] if band else [])], measure.unit, previous)
    return OverStroke(
        title=title,
        unit=measure.unit,
        axis=axis,
        band=band,
        band_everywhere=everywhere,
        curves=curves,
        window=window_text,
        empty=empty if axis is None else None,
    )


def path_plot(
    x: Measure,
    y: Measure,
    titles: tuple[str, str],
    cycles: Mapping[Side, tuple[Cycle, Cycle]],
    previous: tuple[Axis, Axis] | None,
    *,
    x_holds: Sequence[float] = (),
) -> PathPlot | None:
    """One measure against another, or None while no value is there; ``x_holds`` widens the axis."""
    axes = []
    for k, unit in enumerate((x.unit, y.unit)):
        lines = [line for pair in cycles.values() for line in _lines(pair[k])]
        if k == 0 and lines:
            lines.append(np.array(x_holds, dtype=np.float64))
        axes.append(_axis(lines, unit, None if previous is None else previous[k]))
    x_axis, y_axis = axes
    if x_axis is None or y_axis is None:
        return None
    paths = tuple(_path(side, *pair) for side, pair in cycles.items())
    return PathPlot(*titles, x.unit, y.unit, x_axis, y_axis, paths)


def _path(side: Side, x: Cycle, y: Cycle) -> Path:
    def joined(name: str) -> FloatArray:
        return np.stack([getattr(x, name), getattr(y, name)], axis=1)

    both = x.baseline is not None and y.baseline is not None
    return Path(
        side, joined("mean"), joined("sd"), joined("last"), joined("baseline") if both else None
    )


def _at(event: Event, cycle: Cycle, row: Row | None) -> tuple[float, float] | None:
    if event.kind in ("mean", "range"):
        return None
    crank_deg = event.crank_deg if row is None or row.crank_deg is None else row.crank_deg
    if crank_deg is None:
        return None
    if row is not None and row.mean is not None:
        return (crank_deg % 360.0, row.mean)
    value = float(np.interp(crank_deg % 360.0, CRANK_DEG, cycle.mean))
    return (crank_deg % 360.0, value) if np.isfinite(value) else None


def _lines(cycle: Cycle) -> list[FloatArray]:
    sd = np.nan_to_num(cycle.sd)
    baseline = [] if cycle.baseline is None else [cycle.baseline]
    return [cycle.last, cycle.mean - sd, cycle.mean + sd, *baseline]


def _axis(lines: Sequence[FloatArray], unit: str, previous: Axis | None) -> Axis | None:
    values = np.concatenate([np.zeros(0), *lines])
    values = values[np.isfinite(values)]
    if not len(values):
        return None
    return axis_for(float(values.min()), float(values.max()), unit, previous)
