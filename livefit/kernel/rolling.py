"""Rolling statistics over strokes, and the verdict against a band."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from livefit.frames import FloatArray, IntArray

Verdict = Literal["below", "within", "above", "unsure", "unknown"]


@dataclass(frozen=True)
class Rolling:
    """How much of the past counts: the last strokes, the last seconds, or all if both are None."""

    strokes: int | None = None
    seconds: float | None = None

    def __post_init__(self) -> None:
        if self.strokes is not None and self.seconds is not None:
            raise ValueError("a window is given in strokes or in seconds, got both")
        if self.strokes is not None and self.strokes < 1:
            raise ValueError(f"a window holds at least one stroke, got {self.strokes}")
        if self.seconds is not None and not self.seconds > 0:
            raise ValueError(f"a window lasts longer than 0 s, got {self.seconds}")


@dataclass(frozen=True)
class Summary:
    """Statistics of k columns; NaN where there are too few values.

    Attributes
    ----------
    n
        (k,) values that exist.
    last, mean
        (k,) in the measure's unit.
    sd
        (k,) sample standard deviation (ddof 1).
    se
        (k,) standard error of the mean, sd / sqrt(n).
    low, high
        (k,) ends of the 95 % interval of the mean, Student's t with n - 1 degrees of freedom.
    """

    n: FloatArray
    last: FloatArray
    mean: FloatArray
    sd: FloatArray
    se: FloatArray
    low: FloatArray
    high: FloatArray

    def columns(self) -> tuple[FloatArray, ...]:
        """Every statistic, in the order given above."""
        return (self.n, self.last, self.mean, self.sd, self.se, self.low, self.high)


class Moments(NamedTuple):
    """The first four statistics of a :class:`Summary`."""

    n: FloatArray
    last: FloatArray
    mean: FloatArray
    sd: FloatArray


def summarise(values: FloatArray) -> Summary:
    """Statistics down the rows of values (strokes, k); NaN = no value for that stroke.

    >>> summary = summarise(np.array([[1.0], [2.0], [np.nan], [3.0]]))
    >>> float(summary.n[0]), float(summary.mean[0]), float(summary.sd[0]), float(summary.last[0])
    (3.0, 2.0, 1.0, 3.0)
    """
    n, last, mean, sd = moments_of(values)
    se = sd / np.sqrt(np.where(n > 0, n, np.nan))
    half = stdtrit(np.where(n > 1, n - 1, np.nan), 0.975) * se
    return Summary(n, last, mean, sd, se, mean - half, mean + half)


def moments_of(values: FloatArray) -> Moments:
    """Number, last, mean and spread down the rows of values (strokes, k); NaN = none.

    Two passes, so that a large mean costs no digits.
    """
    known = np.isfinite(values)
    if known.all() and len(values) > 1:
        count = len(values)
        mean = _total(values) / count
        sd = np.sqrt(_total((values - mean) ** 2) / (count - 1))
        return Moments(np.full(len(mean), float(count)), values[-1], mean, sd)
    n = known.sum(axis=0).astype(float)
    mean = _total(np.where(known, values, 0.0)) / np.where(n > 0, n, np.nan)
    square = _total(np.where(known, (values - mean) ** 2, 0.0))
    sd = np.sqrt(square / np.where(n > 1, n - 1, np.nan))
    return Moments(n, _last(values, known), mean, sd)


def _total(values: FloatArray) -> FloatArray:
    """Sums down the rows (n, k), pairwise, each column by itself: the same bits for any k."""
    total: FloatArray = np.ascontiguousarray(values.T).sum(axis=-1)
    return total


def _last(values: FloatArray, known: NDArray[np.bool_]) -> FloatArray:
    if not len(values):
        return np.full(values.shape[1], np.nan)
    row = len(values) - 1 - known[::-1].argmax(axis=0)
    last: FloatArray = np.take_along_axis(values, row[None], axis=0)[0]
    return last


class RollingSummary:
    """Keeps the values of the window and recomputes; one NaN cannot poison it.

    Parameters
    ----------
    window
        Which strokes count.
    columns
        Number of values a stroke has.

    >>> rolling = RollingSummary(Rolling(strokes=2), columns=1)
    >>> values = np.array([[1.0], [2.0], [4.0]])
    >>> rolling.update(np.array([0, 1, 2]), np.array([0.0, 0.7, 1.4]), values)
    >>> float(rolling.summary().mean[0])
    3.0
    """

    def __init__(self, window: Rolling, columns: int) -> None:
        self._window = window
        self._strokes: IntArray = np.empty(0, dtype=np.int64)
        self._t = np.empty(0)
        self._values = np.empty((0, columns))
        self._pending: list[tuple[IntArray, FloatArray, FloatArray]] = []

    def update(self, strokes: IntArray, t: FloatArray, values: FloatArray) -> None:
        """Add strokes: numbers (n,), times (n,) s, NaN = refused, values (n, columns)."""
        self._pending.append((strokes, t, values))
        if self._window != Rolling() or len(self._pending) > 256:
            self._settle()

    def _settle(self) -> None:
        if not self._pending:
            return
        strokes, t, values = zip(*self._pending, strict=True)
        self._pending = []
        self._strokes = np.concatenate([self._strokes, *strokes])
        self._t = np.concatenate([self._t, *t])
        self._values = np.concatenate([self._values, *values])
        keep = self._kept(self._t)
        self._strokes, self._t, self._values = (
            self._strokes[keep],
            self._t[keep],
            self._values[keep],
        )

    def _kept(self, t: FloatArray) -> slice:
        """Which of the strokes at times (n,) s fall into the window."""
        if self._window.strokes is not None:
            return slice(-self._window.strokes, None)
        if self._window.seconds is None:
            return slice(None)
        newest = np.fmax.reduce(t, initial=-np.inf)
        stale = np.flatnonzero(t < newest - self._window.seconds)
        return slice(int(stale[-1]) + 1 if len(stale) else 0, None)

    def followed_by(self, t: FloatArray, values: FloatArray) -> FloatArray:
        """Values (strokes, columns) that would be in the window after these at times (n,) s."""
        both: FloatArray = np.concatenate([self.values, values])
        return both[self._kept(np.concatenate([self._t, t]))]

    def leave_out(self, which: NDArray[np.bool_]) -> None:
        """Leave out some of the values (strokes, columns) in the window."""
        self._values = np.where(which, np.nan, self.values)

    def clear(self) -> None:
        """Begin again with an empty window."""
        self._pending = []
        self._strokes, self._t, self._values = self._strokes[:0], self._t[:0], self._values[:0]

    @property
    def strokes(self) -> IntArray:
        """Numbers of the strokes in the window."""
        self._settle()
        return self._strokes

    @property
    def t(self) -> FloatArray:
        """Times (s) of the strokes in the window."""
        self._settle()
        return self._t

    @property
    def values(self) -> FloatArray:
        """(strokes, columns) in the window."""
        self._settle()
        return self._values

    def summary(self) -> Summary:
        """Statistics of the window."""
        return summarise(self.values)


def classify(mean: float, low: float, high: float, band: tuple[float, float] | None) -> Verdict:
    """Where a mean with its interval lies against a band (edges belong to the band).

    ``unsure`` when the interval straddles an edge; ``unknown`` without a band or an interval.

    >>> classify(35.0, 34.5, 35.5, (33.0, 43.0)), classify(33.2, 32.8, 33.6, (33.0, 43.0))
    ('within', 'unsure')
    """
    if band is None or not (isfinite(mean) and isfinite(low) and isfinite(high)):
        return "unknown"
    if high < band[0]:
        return "below"
    if low > band[1]:
        return "above"
    return "within" if band[0] <= low and high <= band[1] else "unsure"
