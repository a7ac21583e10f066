"""How a rider's strokes hang together, and what that leaves of the certainty of their mean.

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
larger f is the cautious one, 1.5 does in place of 2.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from livefit.frames import FloatArray

LEAST_CORRELATION, MOST_CORRELATION = -0.2, 0.9
"""Strokes that alternate are credited with little; what goes beyond 0.9 is drift."""
FEWEST = 5
"""Strokes without which no correlation can be told."""
FEWEST_EFFECTIVE = 3.0
"""Independent strokes that n are worth, at least: of fewer nothing could be said."""
_MOST_LAGS = 40
_FREEDOM_LOST = 1.5
Count = TypeVar("Count", float, FloatArray)


def freedom_of(n: Count, inflation: Count | float) -> Count:
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
        (n, k) of successive strokes, NaN = none. A column gives the same bits in any company.
    """
    counts = np.isfinite(values).sum(axis=0)
    found = np.full(len(counts), np.nan)
    for n in {n for n in counts.tolist() if n >= FEWEST}:
        columns = counts == n
        found[columns] = _inflations(np.ascontiguousarray(values[:, columns].T), n)
    return found


def _inflations(rows: FloatArray, n: int) -> FloatArray:
    """Of rows (k, strokes) that have n values each; a row's sum does not depend on the others."""
    lags = range(min(n // 2, _MOST_LAGS) // 2 * 2)
    if n == rows.shape[1]:
        apart = rows - np.add.reduce(rows, axis=-1, keepdims=True) / n
        r = np.array([_products(apart, lag) for lag in lags])
    else:
        known = np.isfinite(rows)
        mean = np.where(known, rows, 0.0).sum(axis=-1, keepdims=True) / n
        apart, present = np.where(known, rows - mean, 0.0), known.astype(float)
        there = np.array([_products(present, lag) for lag in lags])
        r = np.array([_products(apart, lag) for lag in lags])
        r *= (n - np.arange(len(lags))[:, None]) / np.maximum(there, 1.0)
    square = r[0].copy()
    _, inflation = _judged(r / np.where(square > 0.0, square, np.inf), n)
    return np.where(square > 0.0, inflation, 1.0)


def _products(rows: FloatArray, lag: int) -> FloatArray:
    products = rows[:, : rows.shape[1] - lag] * rows[:, lag:]
    total: FloatArray = np.add.reduce(products, axis=-1)
    return total


def _judged(r: FloatArray, n: int) -> tuple[FloatArray, FloatArray]:
    """First-order correlation (k,) and inflation (k,) from autocorrelations (lags, k)."""
    first = np.maximum((n * r[1] + 1) / (n - 4), LEAST_CORRELATION)
    first = np.minimum(first, MOST_CORRELATION)
    rest = 2 * first * (1 - first**n) / (n * (1 - first) ** 2)
    autoregressive = (1 + first) / (1 - first) - rest
    sums = np.minimum.accumulate(r[0::2] + r[1::2], axis=0)
    monotone = 2 * np.maximum(sums, 0.0).sum(axis=0) - 1
    return first, np.minimum(np.maximum(autoregressive, monotone), n / FEWEST_EFFECTIVE)
