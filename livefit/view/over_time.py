"""One measure at one event, stroke by stroke, against time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livefit.definitions.models import Measure, Side
from livefit.frames import FloatArray, IntArray
from livefit.view.axis import Axis, axis_for

SPANS_S = (60.0, 180.0, 600.0, 1800.0)
"""How far back the chart may reach."""
TICKS_S = {60.0: 20.0, 180.0: 60.0, 600.0: 300.0, 1800.0: 600.0}
MOST_DOTS = 280
"""Of one side; beyond it neighbouring strokes share one, from their least to their greatest."""
PAUSE_S = 10.0
"""The mean line does not bridge a longer time without a stroke."""
OUTLIERS = 0.02
"""The share of strokes at either end that does not widen the axis."""


@dataclass(frozen=True, eq=False)
class TimeTrack:
    """One side; times in s of the device, values in the measure's unit."""

    side: Side
    t: FloatArray
    """(n,) of each dot."""
    low: FloatArray
    """(n,) least and greatest value of the strokes of a dot; equal where it is one stroke."""
    high: FloatArray
    mean_t: FloatArray
    """(m,) of the rolling mean; NaN where its line breaks."""
    mean: FloatArray


@dataclass(frozen=True)
class MarkLine:
    """An adjustment of the bicycle, at its time."""

    number: int
    t: float
    words: str


@dataclass(frozen=True, eq=False)
class OverTime:
    """The chart of `span_s` seconds up to the latest stroke."""

    title: str
    unit: str
    span_s: float
    latest_t: float
    axis: Axis | None
    band: tuple[float, float] | None
    tracks: tuple[TimeTrack, ...]
    marks: tuple[MarkLine, ...]
    window: str
    """What the mean line averages, in words."""
    empty: str | None
    """In words, why there is nothing to draw."""

    @property
    def ticks_s(self) -> tuple[float, ...]:
        """Seconds before the latest stroke, oldest first."""
        step = TICKS_S[self.span_s]
        return tuple(i * step for i in range(round(self.span_s / step), -1, -1))


def rolling_means(
    t: FloatArray, values: FloatArray, parts: IntArray, window: Mapping[str, float]
) -> FloatArray:
    """Mean (n,) of the window that ends with each stroke, as the node takes it.

    The window reaches back over so many strokes or seconds, or without limit, but never from one
    part of the ride into another. Strokes without a value (NaN) count as strokes only.

    Examples
    --------
    >>> t = np.arange(4.0)
    >>> rolling_means(t, np.array([1.0, 3.0, 5.0, 9.0]), np.array([0, 0, 0, 1]), {"strokes": 2})
    array([1., 2., 4., 9.])
    """
    count = len(values)
    if not count:
        return np.zeros(0)
    index = np.arange(count)
    begins = np.r_[True, parts[1:] != parts[:-1]]
    start = np.maximum.accumulate(np.where(begins, index, 0))
    if "strokes" in window:
        start = np.maximum(start, index + 1 - int(window["strokes"]))
    elif "seconds" in window:
        start = np.maximum(start, np.searchsorted(t, t - window["seconds"]))
    known = np.isfinite(values)
    middle = values[known].mean() if known.any() else 0.0
    total = np.r_[0.0, np.cumsum(np.where(known, values - middle, 0.0))]
    number = np.r_[0, np.cumsum(known)]
    some = (number[1:] - number[start]).astype(float)
    some[some == 0] = np.nan
    means: FloatArray = (total[1:] - total[start]) / some + middle
    return means


def over_time(
    measure: Measure,
    title: str,
    rows: Mapping[Side, NDArray[np.void]],
    *,
    span_s: float,
    window: Mapping[str, float],
    window_text: str,
    anew: float | None,
    marks: Sequence[MarkLine],
    band: tuple[float, float] | None,
    previous: Axis | None,
    empty: str,
) -> OverTime:
    """Chart of the strokes of each side (records of `history.STROKE`).

    anew: when (s) the averages began anew for the last time, None: with the first stroke.
    """
    rows = {side: found for side, found in rows.items() if len(found)}
    latest = max((float(found["t"][-1]) for found in rows.values()), default=0.0)
    tracks = tuple(
        _track(side, found, _parts(found, anew), latest - span_s, window)
        for side, found in rows.items()
    )
    axis = _axis(tracks, band, measure.unit, previous)
    return OverTime(
        title=title,
        unit=measure.unit,
        span_s=span_s,
        latest_t=latest,
        axis=axis,
        band=band,
        tracks=tracks,
        marks=tuple(mark for mark in marks if latest - span_s <= mark.t <= latest),
        window=window_text,
        empty=empty if axis is None else None,
    )


def _parts(rows: NDArray[np.void], anew: float | None) -> IntArray:
    """A number (n,) for each part of the ride: between marks, and since the averages began anew."""
    late = np.zeros(len(rows), dtype=bool) if anew is None else rows["t"] > anew
    parts: IntArray = 2 * rows["mark"].astype(np.int64) + late
    return parts


def _track(
    side: Side,
    rows: NDArray[np.void],
    parts: IntArray,
    since: float,
    window: Mapping[str, float],
) -> TimeTrack:
    means = rolling_means(rows["t"], rows["value"], parts, window)
    first = int(np.searchsorted(rows["t"], since))
    rows, means, parts = rows[first:], means[first:], parts[first:]
    each = 1
    while len(rows) > MOST_DOTS * each:
        each *= 2
    # Cut where the stroke number says, lest strokes change their dot as time goes on; and at the
    # ends of parts.
    group = rows["stroke"] // each
    cuts = np.flatnonzero(np.r_[True, (np.diff(group) != 0) | (np.diff(parts) != 0)])
    if not len(rows):
        return TimeTrack(side, *(np.zeros(0),) * 5)
    ends = np.r_[cuts[1:], len(rows)] - 1
    t, mean = rows["t"][ends], means[ends]
    breaks = 1 + np.flatnonzero((np.diff(parts[ends]) != 0) | (np.diff(t) > PAUSE_S))
    low, high = (pick.reduceat(rows["value"], cuts) for pick in (np.fmin, np.fmax))
    known = np.isfinite(low)
    return TimeTrack(
        side,
        ((rows["t"][cuts] + t) / 2)[known],
        low[known],
        high[known],
        np.insert(t, breaks, np.nan),
        np.insert(mean, breaks, np.nan),
    )


def _axis(
    tracks: Sequence[TimeTrack],
    band: tuple[float, float] | None,
    unit: str,
    previous: Axis | None,
) -> Axis | None:
    values = np.concatenate([np.zeros(0), *(part for track in tracks for part in
                                            (track.low, track.high))])  # fmt: skip
    if not len(values):
        return None
    ends = [*np.quantile(values, [OUTLIERS, 1 - OUTLIERS]), *(band or ())]
    for track in tracks:
        ends += [float(pick.reduce(track.mean, initial=np.nan)) for pick in (np.fmin, np.fmax)]
    return axis_for(float(np.nanmin(ends)), float(np.nanmax(ends)), unit, previous)
