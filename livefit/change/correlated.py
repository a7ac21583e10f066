"""A mean of strokes that are not independent of one another, and how sure it is.

A rider's next stroke resembles the last one, so that n strokes tell less than n independent ones.
The variance of their mean is f * sd² / n, and n / f is their effective number. Two estimates of f
are made and the larger one counts:

* of a first-order autoregression, from the correlation of neighbouring strokes, its small-sample
  bias taken out (Marriott FHC, Pope JA (1954) Bias in the estimation of autocorrelations.
  Biometrika 41:390-402; Zwiers FW, von Storch H (1995) Taking serial correlation into account in
  tests of the mean. J Climate 8:336-351, for the use in a test);
* from the initial monotone sequence of sums of neighbouring autocorrelations, which sees slow
  wandering too (Geyer CJ (1992) Practical Markov chain Monte Carlo. Stat Sci 7:473-483).

The interval is Student's t with the freedom that the estimated variance has: twice the square of
its mean over its variance (Satterthwaite FE (1946) Biometrics Bulletin 2:110-114). For a
first-order autoregression of correlation r the logarithm of the long-run variance has the variance
2/n + 4 (1 + r) / ((1 - r) n), to first order, hence 1 / freedom = 1 / (n - 1) + 2 f / n. As the
larger f is the cautious one, 1.5 does in place of 2: from 15 strokes on the interval then holds the
truth in 93 to 97 % of rides (``python -m tests.benchmarks change``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from livefit.frames import FloatArray, IntArray

LEAST_CORRELATION, MOST_CORRELATION = -0.2, 0.9
"""Strokes that alternate are credited with little; what goes beyond 0.9 is drift."""
FEWEST = 5
"""Strokes without which no correlation can be told; there is no interval from fewer."""
_FEWEST_EFFECTIVE = 3.0
_MOST_LAGS = 40
Count = TypeVar("Count", float, FloatArray)
_FREEDOM_LOST = 1.5


@dataclass(frozen=True)
class StrokeMean:
    """The mean of a measure over correlated strokes; NaN = cannot be said.

    Attributes
    ----------
    n
        Strokes with a value.
    mean, sd
        In the measure's unit; sd is the spread of single strokes, freed of the bias that the
        correlation gives the sample's.
    correlation
        Of neighbouring strokes, within -0.2 to 0.9.
    inflation
        f: how many times the variance of the mean is that of as many independent strokes.
    se, freedom
        Standard error of the mean, and its effective degrees of freedom.
    low, high
        Ends of the 95 % interval of the mean.
    """

    n: int
    mean: float
    sd: float
    correlation: float
    inflation: float
    se: float
    freedom: float
    low: float
    high: float

    @property
    def half_width(self) -> float:
        """Half the 95 % interval."""
        return (self.high - self.low) / 2


def in_order(strokes: IntArray, values: FloatArray) -> FloatArray:
    """Values (n,) of strokes numbered (n,), rising, with NaN for every number left out.

    >>> in_order(np.array([3, 4, 6]), np.array([1.0, 2.0, 3.0])).tolist()
    [1.0, 2.0, nan, 3.0]
    """
    if not len(strokes):
        return np.empty(0)
    whole = np.full(int(strokes[-1] - strokes[0]) + 1, np.nan)
    whole[strokes - strokes[0]] = values
    return whole


def mean_of(values: FloatArray, *, independent: bool = False) -> StrokeMean:
    """Mean of successive strokes.

    Parameters
    ----------
    values
        (n,) one per stroke, in the order of the strokes; NaN = none for that stroke.
    independent
        Take the strokes as independent: the ordinary standard error, n - 1 degrees of freedom.

    >>> mean = mean_of(np.array([1.0, 2.0, 4.0, 3.0, 5.0]), independent=True)
    >>> mean.mean, round(mean.sd**2, 6), mean.freedom
    (3.0, 2.5, 4.0)
    """
    known = np.isfinite(values)
    n = int(known.sum())
    if n < FEWEST:
        mean = float(values[known].mean()) if n else np.nan
        return StrokeMean(n, mean, *[np.nan] * 7)
    mean = float(values[known].mean())
    apart = np.where(known, values - mean, 0.0)
    square = float(apart @ apart)
    r, f = (0.0, 1.0) if independent else correlation_of(apart, known)
    sd = float(np.sqrt(square / (n - f)))
    se = float(np.sqrt(f / n)) * sd
    freedom = float(n - 1) if independent else freedom_of(n, f)
    half = float(stdtrit(freedom, 0.975)) * se
    return StrokeMean(n, mean, sd, r, f, se, freedom, mean - half, mean + half)


def freedom_of(n: Count, inflation: float) -> Count:
    """Effective degrees of freedom of the standard error of a mean of n strokes."""
    return 1.0 / (1.0 / (n - 1) + _FREEDOM_LOST * inflation / n)


def correlation_of(apart: FloatArray, known: NDArray[np.bool_]) -> tuple[float, float]:
    """Correlation of neighbouring strokes, and the inflation f of the variance of their mean.

    Parameters
    ----------
    apart
        (n,) values less their mean or trend; 0 where there is none.
    known
        (n,) True where there is one.
    """
    n = int(known.sum())
    square = float(apart @ apart)
    if square <= 0.0:
        return 0.0, 1.0
    lags = min(n // 2, _MOST_LAGS) // 2 * 2
    present = known.astype(float)
    last = len(apart) - 1
    products = np.correlate(apart, apart, "full")[last : last + lags]
    pairs = np.correlate(present, present, "full")[last : last + lags]
    r = products / np.maximum(pairs, 1.0) * (n - np.arange(lags)) / square
    first, inflation = _judged(r[:, None], n)
    return float(first[0]), float(inflation[0])


def inflations_of(values: FloatArray) -> FloatArray:
    """Inflation f (k,) of the variance of each column's mean; NaN where it cannot be told.

    Parameters
    ----------
    values
        (n, k) of successive strokes; a column with a NaN is taken by itself.
    """
    n, k = values.shape
    found = np.full(k, np.nan)
    known = np.isfinite(values)
    whole = known.all(axis=0)
    if n >= FEWEST and whole.any():
        apart = values[:, whole] - values[:, whole].mean(axis=0)
        lags = min(n // 2, _MOST_LAGS) // 2 * 2
        size = 1 << (2 * n - 1).bit_length()
        power = np.abs(np.fft.rfft(apart, size, axis=0)) ** 2
        products = np.fft.irfft(power, size, axis=0)[:lags]
        square = (apart**2).sum(axis=0)
        _, inflation = _judged(products / np.where(square > 0, square, np.inf), n)
        found[whole] = np.where(square > 0, inflation, 1.0)
    for column in np.flatnonzero(~whole & (known.sum(axis=0) >= FEWEST)).tolist():
        own, there = values[:, column], known[:, column]
        found[column] = correlation_of(np.where(there, own - own[there].mean(), 0.0), there)[1]
    return found


def _judged(r: FloatArray, n: int) -> tuple[FloatArray, FloatArray]:
    """First-order correlation (k,) and inflation (k,) from autocorrelations (lags, k)."""
    first = np.clip((n * r[1] + 1) / (n - 4), LEAST_CORRELATION, MOST_CORRELATION)
    rest = 2 * first * (1 - first**n) / (n * (1 - first) ** 2)
    autoregressive = (1 + first) / (1 - first) - rest
    sums = np.minimum.accumulate(r[0::2] + r[1::2], axis=0)
    monotone = 2 * np.maximum(sums, 0.0).sum(axis=0) - 1
    return first, np.minimum(np.maximum(autoregressive, monotone), n / _FEWEST_EFFECTIVE)
