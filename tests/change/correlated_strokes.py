"""Strokes with a known correlation, a first-order autoregression started in its steady state."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from livefit.frames import FloatArray


def correlated(
    rng: np.random.Generator, correlation: float, shape: int | tuple[int, ...]
) -> FloatArray:
    """Of mean 0 and spread 1, along the last axis."""
    shocks = rng.standard_normal(shape)
    shocks[..., 1:] *= np.sqrt(1 - correlation**2)
    return np.asarray(lfilter([1.0], [1.0, -correlation], shocks, axis=-1), dtype=np.float64)


def wandering(rng: np.random.Generator, shape: int | tuple[int, ...]) -> FloatArray:
    """Of spread 1: a quarter of the variance wanders over tens of strokes, the rest is noise."""
    noise: FloatArray = np.sqrt(0.75) * rng.standard_normal(shape)
    return 0.5 * correlated(rng, 0.9, shape) + noise


def neighbouring(rng: np.random.Generator, n: int) -> FloatArray:
    """Of spread 1: each stroke resembles the next by 0.5 and none beyond, a moving average."""
    shocks = rng.standard_normal(n + 1)
    return np.asarray((shocks[1:] + shocks[:-1]) / np.sqrt(2))
