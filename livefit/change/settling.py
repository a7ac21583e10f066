"""Whether a measure has settled since a change, and how many more strokes it wants.

A rider does not take to another saddle height at once. The approach is fitted as
``level + size * exp(-stroke / lasting)``, the lasting from a table. Strokes are set aside until the
curve is within a quarter of the spread of single strokes from its level, or of the width that the
mean's interval may have if that is more. The curve is believed in only where it takes four times
as much from the squares as chance would, the strokes' correlation allowed for. Where more than
half the strokes would go, the rider is still settling.

Of the others the slope is the median of the slopes of all pairs, which no single bad stroke moves
(Sen PK (1968) Estimates of the regression coefficient based on Kendall's tau. J Am Stat Assoc
63:1379-1389); its interval allows for the correlation (Hamed KH, Rao AR (1998) A modified
Mann-Kendall trend test for autocorrelated data. J Hydrol 204:182-196).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from livefit.change.correlated import StrokeMean, mean_of
from livefit.frames import FloatArray, IntArray
from livefit.kernel.correlation import FEWEST, correlation_of, freedom_of

State = Literal["too few", "settling", "drifting", "too wide", "settled"]

HOLDS_WITHIN: Mapping[str, float] = {"deg": 1.0, "mm": 3.0, "rpm": 1.0, "W": 5.0}
"""A mean holds when its 95 % interval is no wider than +- so much: common practice, no source."""
FEWEST_TO_SETTLE = 10
MOST_STROKES = 200
"""Further back nothing is looked at, and farther ahead nothing is promised."""
SHARE = 0.25
"""Of the spread: what the approach may still lie off the level."""
_TIMES_CHANCE = 4.0
_LEAST_INFLATION = 0.6
"""That of strokes whose correlation is the least that is credited."""
_LASTING = np.array([1.0, 1.5, 2.0, 3.0, 4.5, 7.0, 10.0, 15.0, 22.0, 33.0, 50.0])


@dataclass(frozen=True)
class Drift:
    """The slope of a measure over the strokes, unit per stroke, with its 95 % interval."""

    slope: float
    low: float
    high: float

    @property
    def certain(self) -> bool:
        """Whether chance alone would not do it."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class Settled:
    """How far a measure has come since a change.

    Attributes
    ----------
    state
        ``too few`` strokes, the rider still ``settling``, the measure ``drifting``, the interval
        ``too wide``, or ``settled``.
    aside
        Strokes at the beginning that do not count.
    mean
        Of those that do.
    drift
        Their slope.
    more
        Further strokes until the interval is narrow enough, at the present spread; None: that
        cannot be said, or 200 would not do.
    """

    state: State
    aside: int
    mean: StrokeMean
    drift: Drift
    more: int | None


def settled(values: FloatArray, half_width: float, *, fewest: int = FEWEST_TO_SETTLE) -> Settled:
    """Whether the mean since a change may be relied on.

    Parameters
    ----------
    values
        (n,) of the strokes since the change, in their order; NaN = none for that stroke.
    half_width
        The mean's 95 % interval may be +- this, in the measure's unit. A drift counts only where
        it adds up to more.
    fewest
        Strokes without which nothing has settled.

    Raises
    ------
    ValueError
        If half_width is not above 0.

    >>> rng = np.random.default_rng(1)
    >>> values = 35.0 + rng.normal(0.0, 1.0, 40) + 6.0 * np.exp(-np.arange(40) / 4.0)
    >>> found = settled(values, 1.0)
    >>> found.state, found.aside, found.more
    ('settled', 15, 0)
    """
    if not half_width > 0:
        raise ValueError(f"half_width: expected more than 0, got {half_width:g}")
    values = values[-MOST_STROKES:]
    aside = strokes_aside(values, SHARE * half_width)
    most = len(values) // 2
    rest = values[min(aside, most) :]
    mean, drift = mean_of(rest), drift_of(rest)
    more = more_strokes(mean, half_width, fewest=fewest)
    state: State = "settled"
    if mean.n < max(fewest, FEWEST):
        state = "too few"
    elif aside > most:
        state, more = "settling", None
    elif drift.certain and abs(drift.slope) * (len(rest) - 1) > half_width:
        state, more = "drifting", None
    elif mean.half_width > half_width:
        state = "too wide"
    return Settled(state, min(aside, most), mean, drift, more)


def strokes_aside(values: FloatArray, enough: float = 0.0) -> int:
    """How many strokes at the beginning still approach a level.

    Parameters
    ----------
    values
        (n,) of the strokes since the change; NaN = none for that stroke.
    enough
        So near the level, in the measure's unit, the approach is over in any case.
    """
    known = np.isfinite(values)
    n = int(known.sum())
    lasting = _LASTING[n / 4 >= _LASTING]
    if n < 2 * FEWEST or not len(lasting):
        return 0
    curves = np.exp(-np.arange(len(values)) / lasting[:, None]) * known
    curves = np.where(known, curves - curves.sum(axis=1, keepdims=True) / n, 0.0)
    apart = np.where(known, values - values[known].mean(), 0.0)
    square = (curves**2).sum(axis=1)
    sizes = curves @ apart / square
    best = int((sizes**2 * square).argmax())
    left = apart - sizes[best] * curves[best]
    spread = float(np.sqrt(left @ left / (n - 3)))
    _, inflation = correlation_of(left, known)
    size = abs(float(sizes[best]))
    near = max(SHARE * spread, enough)
    if size**2 * square[best] <= _TIMES_CHANCE * inflation * spread**2 or size <= near:
        return 0
    if near <= 1e-12 * size:
        return len(values)
    return int(np.ceil(lasting[best] * np.log(size / near)))


def may_settle(values: FloatArray) -> NDArray[np.bool_]:
    """Columns (k,) of values (n, k) of which `strokes_aside` may set any aside; quick."""
    known = np.isfinite(values)
    n = len(values)
    lasting = _LASTING[n / 4 >= _LASTING]
    if n < 2 * FEWEST or not len(lasting):
        return np.zeros(values.shape[1], dtype=bool)
    curves = np.exp(-np.arange(n) / lasting[:, None])
    curves -= curves.mean(axis=1, keepdims=True)
    apart = np.where(known, values - values.mean(axis=0), 0.0)
    gains = ((curves @ apart) ** 2 / (curves**2).sum(axis=1)[:, None]).max(axis=0)
    left = np.maximum((apart**2).sum(axis=0) - gains, 0.0) / (n - 3)
    return np.asarray(~known.all(axis=0) | (gains > _TIMES_CHANCE * _LEAST_INFLATION * left))


def drift_of(values: FloatArray) -> Drift:
    """Slope of successive values (n,); NaN = none for that stroke."""
    at = np.flatnonzero(np.isfinite(values))
    n = len(at)
    if n < FEWEST:
        return Drift(np.nan, np.nan, np.nan)
    earlier, later = _pairs(n)
    slopes = (values[at[later]] - values[at[earlier]]) / (at[later] - at[earlier])
    slope = float(np.median(slopes))
    known = np.isfinite(values)
    left = np.where(known, values - slope * np.arange(len(values)), 0.0)
    left = np.where(known, left - left[known].mean(), 0.0)
    _, inflation = correlation_of(left, known)
    concordance = n * (n - 1) * (2 * n + 5) / 18 * inflation
    reach = float(stdtrit(freedom_of(n, inflation), 0.975) * np.sqrt(concordance))
    first = round((len(slopes) - reach) / 2) - 1
    last = round((len(slopes) + reach) / 2)
    if first < 0 or last >= len(slopes):
        return Drift(slope, -np.inf, np.inf)
    slopes = np.partition(slopes, (first, last))
    return Drift(slope, float(slopes[first]), float(slopes[last]))


@lru_cache(maxsize=8)
def _pairs(n: int) -> tuple[IntArray, IntArray]:
    """Every pair of n strokes, the earlier and the later of each."""
    earlier, later = np.triu_indices(n, 1)
    return earlier, later


def more_strokes(
    mean: StrokeMean, half_width: float, *, fewest: int = FEWEST_TO_SETTLE
) -> int | None:
    """Further strokes until the 95 % interval is no wider than +-half_width.

    At the present spread and correlation, and never on fewer than `fewest`.
    """
    if not np.isfinite(mean.sd):
        return None
    n = np.arange(max(fewest, FEWEST), MOST_STROKES + 1, dtype=float)
    narrow = (
        stdtrit(freedom_of(n, mean.inflation), 0.975) * np.sqrt(mean.inflation / n) * mean.sd
        <= half_width
    )
    if mean.half_width <= half_width:
        return max(int(n[0]) - mean.n, 0)
    if not narrow[-1]:
        return None
    return max(int(n[narrow.argmax()]) - mean.n, 1)
