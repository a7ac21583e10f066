"""A mean of strokes that are not independent of one another, and how sure it is.

A rider's next stroke resembles the last one, so that n strokes tell less than n independent ones.
The variance of their mean is f * sd² / n, and n / f is their effective number.

For the interval of a mean it is read off the strokes' slowest cosines: each has about the variance
that the mean has, whatever the correlation is like, and so many squares make Student's t exact
(Lazarus E, Lewis DJ, Stock JH, Watson MW (2018) HAR inference: recommendations for practice. J Bus
Econ Stat 36:541-559). Of few strokes even these are too fast for a lasting correlation; what a
first-order autoregression makes of them is put right (Andrews DWK, Monahan JC (1992) An improved
heteroskedasticity and autocorrelation consistent covariance matrix estimator. Econometrica
60:953-966), so that a few more than those authors' 0.4 n to the power 2/3 may be used. The freedom
is that of the cosines less what the estimated correlation costs: 2 / freedom is the variance of the
logarithm of the variance (Satterthwaite FE (1946) Biometrics Bulletin 2:110-114), that of the
correlation being (1 - r²) / n.

Where it need not be exact, in rules and promises, the larger of two steadier estimates of f counts:

* of a first-order autoregression, from the correlation of neighbouring strokes, its small-sample
  bias taken out (Marriott FHC, Pope JA (1954) Bias in the estimation of autocorrelations.
  Biometrika 41:390-402; Zwiers FW, von Storch H (1995) Taking serial correlation into account in
  tests of the mean. J Climate 8:336-351, for the use in a test);
* from the initial monotone sequence of sums of neighbouring autocorrelations, which sees slow
  wandering too (Geyer CJ (1992) Practical Markov chain Monte Carlo. Stat Sci 7:473-483).

It is too large where the correlation ends after a stroke or two. The logarithm of a long-run
variance with correlation r has the variance 2/n + 4 (1 + r) / ((1 - r) n), to first order, hence
1 / freedom = 1 / (n - 1) + 2 f / n; as the larger f is the cautious one, 1.5 does in place of 2.
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
_FEWEST_COSINES = 5
"""Or the square root of the strokes: more see less of slow wandering, fewer leave no freedom."""
_FEWEST_FREE = 2.0
"""Fewer degrees of freedom make an interval without an end."""
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
    if independent:
        r, variance, freedom = 0.0, square / (n - 1) / n, float(n - 1)
    else:
        r, _ = correlation_of(apart, known)
        variance = _variance(apart, known, max(r, 0.0))
        freedom = float(freedom_of_mean(np.array([n]), r)[0])
    sd = float(np.sqrt(square / n + variance))
    se = float(np.sqrt(variance))
    half = float(stdtrit(freedom, 0.975)) * se
    f = n * variance / sd**2 if sd > 0 else 1.0
    return StrokeMean(n, mean, sd, r, f, se, freedom, mean - half, mean + half)


def _variance(apart: FloatArray, known: NDArray[np.bool_], r: float) -> float:
    """Variance of the mean, from the slowest cosines of the strokes less their mean."""
    n = int(known.sum())
    count = int(_cosines(np.array([n]))[0])
    at = np.flatnonzero(known)
    waves = np.cos(np.pi * np.arange(1, count + 1)[:, None] * (at + 0.5) / len(known))
    if n < len(known):
        waves -= waves.mean(axis=1, keepdims=True)
    squares = (waves @ apart[at]) ** 2 / (waves**2).sum(axis=1)
    angles = np.pi * np.arange(1, count + 1) / len(known)
    slower = (1 + r * r - 2 * r * np.cos(angles)) / (1 - r) ** 2
    ends = 1 - 2 * r * (1 - r**n) / (n * (1 - r * r))
    return float((squares * slower).mean()) * ends / n


def _cosines(n: NDArray[np.integer] | FloatArray) -> IntArray:
    """How many cosines of n strokes are slow."""
    slow = np.maximum(_FEWEST_COSINES, np.sqrt(n).astype(np.int64))
    return np.minimum(slow, n.astype(np.int64) - 1)


def freedom_of_mean(n: IntArray | FloatArray, correlation: float) -> FloatArray:
    """Effective degrees of freedom (k,) of the standard error of means of n (k,) strokes."""
    r, n = max(correlation, 0.0), n[:, None].astype(np.float64)
    count = _cosines(n)
    each = np.arange(1, count.max() + 1)
    cos = np.cos(np.pi * each / n)
    # What a little more correlation adds to the logarithm of a cosine's share.
    steep = 2 * (r - cos) / (1 + r * r - 2 * r * cos) + 2 / (1 - r)
    lost = np.where(each <= count, steep, 0.0).sum(axis=1) / count[:, 0]
    freedom = 1 / (1 / count[:, 0] + lost**2 * (1 - r * r) / (2 * n[:, 0]))
    enough: FloatArray = np.maximum(freedom, _FEWEST_FREE)
    return enough


def freedom_of(n: Count, inflation: float) -> Count:
    """Effective degrees of freedom of a variance that `correlation_of` has inflated."""
    return 1.0 / (1.0 / (n - 1) + _FREEDOM_LOST * inflation / n)


def correlation_of(apart: FloatArray, known: NDArray[np.bool_]) -> tuple[float, float]:
    """Correlation of neighbouring strokes, and the steadier inflation f of their mean's variance.

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
    """The steadier inflation f (k,) of each column's mean; NaN where it cannot be told.

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
