"""Rows of results: each measure at each event on each side, rolled up and judged."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtridf, stdtrit

from livefit.definitions.models import Discipline, Measure
from livefit.frames import FloatArray, IntArray
from livefit.kernel.correlation import freedom_of, inflations_of
from livefit.kernel.events import EventValues
from livefit.kernel.plan import SidePlan
from livefit.kernel.rolling import (
    Moments,
    Rolling,
    RollingSummary,
    Summary,
    Verdict,
    classify,
    moments_of,
)

Bands = Mapping[tuple[str, str], tuple[float, float]]
"""(measure, event) -> low and high edge, in the measure's unit."""

Doubtful = Callable[[str, Sequence[str], IntArray], NDArray[np.bool_] | None]
"""Of a side, measures and strokes: which values (strokes, measures) are in doubt; None: none."""


def bands_of(discipline: Discipline) -> Bands:
    """Return the edges of a discipline's bands."""
    return {(band.measure, band.event): (band.low, band.high) for band in discipline.bands}


class ResultRow(NamedTuple):
    """One measure at one event on one side, over the strokes in the window.

    Attributes
    ----------
    crank_deg
        Crank angle (deg) of the event on the side's own crank; for extremes the mean place
        found; NaN for events over the stroke.
    n
        Strokes with a value.
    last, mean, sd
        In `unit`; see :class:`livefit.kernel.rolling.Summary`.
    se, low, high
        Standard error of the mean, and the ends of its 95 % interval. From five strokes on both
        allow for neighbouring strokes being alike (`livefit.kernel.correlation`).
    band, verdict
        Target range, if there is one, and where the interval lies against it.
    """

    measure: str
    side: str
    event: str
    unit: str
    crank_deg: float
    n: int
    last: float
    mean: float
    sd: float
    se: float
    low: float
    high: float
    band: tuple[float, float] | None
    verdict: Verdict


@dataclass(frozen=True)
class Difference:
    """Left minus right of one measure at one event; the interval is Welch's.

    Welch BL (1947) The generalization of 'Student's' problem when several different population
    variances are involved. Biometrika 34:28-35.
    """

    measure: str
    event: str
    unit: str
    difference: float
    se: float
    low: float
    high: float


@dataclass
class _Group:
    """Values of the measures that share a side and an event."""

    measures: tuple[str, ...]
    rolling: RollingSummary
    crank: RollingSummary
    quick: EventValues | None = None
    rows: list[ResultRow] | None = None
    """Made when asked for, and kept until a value or the bands change."""

    def places(self, strokes: int) -> FloatArray:
        """Crank angles (strokes, k) deg of the values in the window; NaN: over the stroke."""
        if self.quick is None:
            return self.crank.values
        return np.broadcast_to(self.quick.crank_deg[-1], (strokes, len(self.measures)))


class RollingResults:
    """Keeps every event's values of the window and gives rows on demand.

    Parameters
    ----------
    sides
        The kernel's plan.
    measures
        Definitions, for units.
    window
        Which strokes count.
    bands
        Target ranges.
    """

    def __init__(
        self,
        sides: Sequence[SidePlan],
        measures: Sequence[Measure],
        window: Rolling,
        bands: Bands,
    ) -> None:
        self._units = {measure.name: measure.unit for measure in measures}
        self._first: dict[tuple[str, str, str], int] = {}
        self._window = window
        self._bands = dict(bands)
        self._groups: dict[tuple[str, str, tuple[str, ...]], _Group] = {}
        for side in sides:
            for event, names in side.groups():
                self._groups[side.side, event, names] = self._new_group(names)
        place = {measure.name: k for k, measure in enumerate(measures)}
        places = [place[name] for group in self._groups.values() for name in group.measures]
        self._order = sorted(range(len(places)), key=places.__getitem__)

    def _new_group(self, names: tuple[str, ...]) -> _Group:
        return _Group(
            measures=names,
            rolling=RollingSummary(self._window, len(names)),
            crank=RollingSummary(self._window, len(names)),
        )

    def add(self, values: Iterable[EventValues]) -> None:
        """Take final values."""
        for v in values:
            group = self._groups[v.side, v.event, v.measures]
            group.rolling.update(v.strokes, v.t, v.values)
            group.crank.update(v.strokes, v.t, v.crank_deg)
            group.rows = None
            group.quick = None

    def set_quick(self, values: Iterable[EventValues]) -> bool:
        """Take the quick values that stand in until the final ones come; earlier ones go.

        Returns True if any row changed.
        """
        newest = {(v.side, v.event, v.measures): v for v in values}
        changed = False
        for key, group in self._groups.items():
            quick = newest.get(key)
            if quick is not group.quick:
                group.quick = quick
                group.rows = None
                changed = True
        return changed

    def resize(self, window: Rolling) -> None:
        """Change the window and keep what still falls into it."""
        old, self._window = self._groups, window
        self._groups = {key: self._new_group(group.measures) for key, group in old.items()}
        self._take_over(old)

    def resume(self, earlier: RollingResults) -> None:
        """Go on from where an earlier window of the same plan had come to."""
        self._take_over(earlier._groups)

    def _take_over(self, groups: Mapping[tuple[str, str, tuple[str, ...]], _Group]) -> None:
        for key, old in groups.items():
            if key not in self._groups:
                continue
            group = self._groups[key]
            group.rolling.update(old.rolling.strokes, old.rolling.t, old.rolling.values)
            group.crank.update(old.crank.strokes, old.crank.t, old.crank.values)
            group.quick = old.quick
            group.rows = None

    def set_aside(self, first: Mapping[tuple[str, str, str], int]) -> None:
        """Leave strokes before the first that counts, by measure, side and event, out of rows."""
        if first == self._first:
            return
        for (side, event, measures), group in self._groups.items():
            keys = [(measure, side, event) for measure in measures]
            if any(first.get(key) != self._first.get(key) for key in keys):
                group.rows = None
        self._first = dict(first)

    def leave_out(self, doubtful: Doubtful) -> None:
        """Leave out the final values that are in doubt."""
        for (side, _, measures), group in self._groups.items():
            rolling = group.rolling
            out = doubtful(side, measures, rolling.strokes)
            if out is not None and np.isfinite(rolling.values[out]).any():
                rolling.leave_out(out)
                group.rows = None

    def strokes(self, side: str) -> int:
        """Largest number of strokes that any row of this side has in the window."""
        counts = [
            len(group.rolling.strokes) for key, group in self._groups.items() if key[0] == side
        ]
        return max(counts, default=0)

    def event_values(self) -> list[EventValues]:
        """All final values in hand, as they came but for their grouping."""
        return [
            EventValues(
                side, event, names, group.rolling.strokes, group.rolling.t,
                group.crank.values, group.rolling.values,
            )
            for (side, event, names), group in self._groups.items()
            if len(group.rolling.strokes)
        ]  # fmt: skip

    def values(
        self,
    ) -> Iterable[tuple[str, str, tuple[str, ...], IntArray, FloatArray, FloatArray]]:
        """Side, event, measures, stroke numbers (s,), times (s,) s and values (s, k) in hand."""
        for (side, event, names), group in self._groups.items():
            if len(group.rolling.strokes):
                rolling = group.rolling
                yield side, event, names, rolling.strokes, rolling.t, rolling.values

    def rows(self) -> list[ResultRow]:
        """All rows, measure by measure, left before right; the same object while unchanged."""
        stale = [(key[:2], group) for key, group in self._groups.items() if group.rows is None]
        self._make_rows(stale)
        rows = [row for group in self._groups.values() for row in group.rows or ()]
        return [rows[k] for k in self._order]

    def judge_by(self, bands: Bands) -> None:
        """Judge by other bands from now on."""
        self._bands = dict(bands)
        for group in self._groups.values():
            group.rows = None

    def _make_rows(self, stale: Sequence[tuple[tuple[str, str], _Group]]) -> None:
        """Make the rows of groups anew; those with as many strokes share one calculation."""
        windows = [(key, group, self._in_window(key, group)) for key, group in stale]
        windows.sort(key=lambda each: len(each[2]))
        for _, alike in groupby(windows, key=lambda each: len(each[2])):
            members = list(alike)
            values = np.hstack([values for _, _, values in members])
            summary = _allowing(moments_of(values), inflations_of(values))
            places = [group.places(len(values)) for _, group, values in members]
            columns = (_mean_angle(np.hstack(places)), *summary.columns())
            numbers = zip(*(column.tolist() for column in columns), strict=True)
            for (side, event), group, _ in members:
                group.rows = [
                    self._row(side, event, measure, *next(numbers)) for measure in group.measures
                ]

    def _row(
        self, side: str, event: str, measure: str, crank_deg: float, n: float, *numbers: float
    ) -> ResultRow:
        last, mean, sd, se, low, high = numbers
        band = self._bands.get((measure, event))
        return ResultRow(
            measure, side, event, self._units[measure], crank_deg, int(n), last, mean, sd, se,
            low, high, band, classify(mean, low, high, band),
        )  # fmt: skip

    def _in_window(self, key: tuple[str, str], group: _Group) -> FloatArray:
        """Values (s, k), a quick value as the last of them."""
        rolling, quick = group.rolling, group.quick
        values, strokes = rolling.values, rolling.strokes
        if quick is not None:
            values = rolling.followed_by(quick.t, quick.values)
            strokes = np.concatenate([strokes, quick.strokes])[-len(values) :]
        if not self._first or not len(strokes):
            return values
        first = [self._first.get((measure, *key), -1) for measure in group.measures]
        if max(first) > int(strokes[0]):
            values = np.where(strokes[:, None] < first, np.nan, values)
        return values


def _allowing(moments: Moments, inflation: FloatArray) -> Summary:
    """Allow for neighbouring strokes being alike, where that can be told: f (k,), else NaN.

    The sample's spread is too small by (n - f) / (n - 1) then; it is given as it is.
    """
    n, last, mean, sd = moments
    told = np.isfinite(inflation)
    f: FloatArray = np.where(told, inflation, 1.0)
    several: FloatArray = np.where(n > 1, n, np.nan)
    se = sd * np.sqrt(f / several * (several - 1) / (several - f))
    freedom = np.where(told, freedom_of(several, f), several - 1)
    half = stdtrit(freedom, 0.975) * se
    return Summary(n, last, mean, sd, se, mean - half, mean + half)


def differences(rows: Sequence[ResultRow]) -> list[Difference]:
    """Left minus right wherever both sides have an interval."""
    sides = {(row.measure, row.event, row.side): row for row in rows}
    found = []
    for (measure, event, side), left in sides.items():
        right = sides.get((measure, event, "R"))
        if side != "L" or right is None or left.n < 2 or right.n < 2:
            continue
        variance = left.se**2 + right.se**2
        parts = left.se**4 / _freedom(left) + right.se**4 / _freedom(right)
        freedom = variance**2 / parts if parts > 0 else np.inf
        difference, se = left.mean - right.mean, float(np.sqrt(variance))
        half = float(stdtrit(freedom, 0.975)) * se
        found.append(
            Difference(
                measure, event, left.unit, difference, se, difference - half, difference + half
            )
        )
    return found


def _freedom(row: ResultRow) -> float:
    """Degrees of freedom that the row's interval was made with."""
    return float(stdtridf(0.975, (row.high - row.mean) / row.se)) if row.se > 0 else row.n - 1.0


def _mean_angle(degrees: FloatArray) -> FloatArray:
    """Circular mean down the rows (s, k) -> (k,), within 0 to 360 deg; NaN where there is none."""
    if len(degrees) and (degrees == degrees[0]).all():
        alike: FloatArray = degrees[0]
        return alike
    known = np.isfinite(degrees)
    angle = np.radians(np.where(known, degrees, 0.0))
    sine = np.where(known, np.sin(angle), 0.0).sum(axis=0)
    cosine = np.where(known, np.cos(angle), 0.0).sum(axis=0)
    mean: FloatArray = np.round(np.degrees(np.arctan2(sine, cosine)) % 360.0, 6) % 360.0
    return np.where(known.any(axis=0), mean, np.nan)
