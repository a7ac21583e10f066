"""The rider's own adjustments: what they say of how the rider gives way.

A Gaussian belief about the response is brought up to date with the changes that were seen, by
Gauss-Newton steps on the posterior (Bell BM, Cathey FW (1993) The iterated Kalman filter update as
a Gauss-Newton method. IEEE Trans Autom Control 38:294-297; from memory).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livefit.change.correlated import StrokeMean
from livefit.change.difference import difference
from livefit.definitions.models import Definitions, events_by_name
from livefit.frames import FloatArray
from livefit.predict.changes import checked
from livefit.predict.numbers import Key, Reading
from livefit.predict.prediction import Forecast
from livefit.predict.response import PUBLISHED, Belief
from livefit.predict.rider import Rider

TEACHING = (
    "knee_flexion", "foot_inclination", "hip_height", "knee_over_spindle", "trunk_inclination",
    "elbow_flexion", "knee_lateral", "toe_out",
)  # fmt: skip
"""Measures that are learned from: one for each thing that a rider may do, and the knee."""
_NOT_TAUGHT = ("range", "maximum", "minimum")
"""Events that say little beyond the crank angles, with more noise."""
_STEPS = 4


@dataclass(frozen=True)
class Seen:
    """One number before and after an adjustment: difference of means and its standard error."""

    key: Key
    by: float
    se: float


@dataclass(frozen=True)
class Observed:
    """An adjustment of this rider's bicycle and what came of it.

    Attributes
    ----------
    rider
        Before it.
    changes
        By part, as marked.
    seen
        Differences of the means, after less before.
    """

    rider: Rider
    changes: Mapping[str, float]
    seen: tuple[Seen, ...]


def observed(
    rider: Rider,
    changes: Mapping[str, float],
    before: Mapping[Key, StrokeMean],
    after: Mapping[Key, StrokeMean],
) -> Observed:
    """From the means of two trials, the adjustment between them."""
    seen = []
    for key, mean in before.items():
        if key in after:
            change = difference(mean, after[key])
            if np.isfinite(change.by) and np.isfinite(change.se):
                seen.append(Seen(key, change.by, change.se))
    return Observed(rider, dict(changes), tuple(seen))


def learned(
    adjustments: Sequence[Observed], definitions: Definitions, *, belief: Belief = PUBLISHED
) -> Belief:
    """What is believed of the rider after these adjustments; the order does not matter.

    Events of one measure on one side share their strokes: each counts for its part of one
    observation. An adjustment of which nothing was seen does not count.

    Raises
    ------
    ChangeError
        If an adjustment's part is not known.
    """
    forecasts = [
        (Forecast(each.rider, _reading(each.rider, definitions)), checked(each.changes), each.seen)
        for each in adjustments
    ]
    mean, precision = belief.mean, np.linalg.inv(belief.covariance)
    found = belief
    for _ in range(_STEPS):
        gram, pull = precision.copy(), precision @ belief.mean
        taught = belief.adjustments
        for forecast, changes, seen in forecasts:
            told = _told(forecast, changes, seen, mean)
            if told is None:
                continue
            taught += 1
            slopes, weight, target = told
            gram += slopes.T @ (weight[:, None] * slopes)
            pull += slopes.T @ (weight * target)
        covariance = np.linalg.inv(gram)
        mean = covariance @ pull
        found = Belief(mean, (covariance + covariance.T) / 2, taught)
    return found


def _reading(rider: Rider, definitions: Definitions) -> Reading:
    known = events_by_name(definitions.events, definitions.measures)
    measures = [
        measure.model_copy(
            update={"events": [n for n in measure.events if known[n].kind not in _NOT_TAUGHT]}
        )
        for measure in definitions.measures
        if measure.name in TEACHING
    ]
    return Reading(rider, measures, definitions.events)


def _told(
    forecast: Forecast, changes: Mapping[str, float], seen: Sequence[Seen], mean: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Slopes (s, p), weights (s,) and linearised observations (s,) of one adjustment."""
    if not changes or all(amount == 0 for amount in changes.values()):
        return None
    by, _ = forecast.change(changes, mean)
    slopes = forecast.jacobian(changes, mean)
    unsaid = forecast.unsaid(changes, by)
    place = {key: k for k, key in enumerate(forecast.reading.keys)}
    usable = [
        (place[each.key], each)
        for each in seen
        if each.key in place
        and np.isfinite([by[place[each.key]], *slopes[place[each.key]], each.by, each.se]).all()
    ]
    if not usable:
        return None
    rows = np.array([row for row, _ in usable])
    count = Counter((each.key.measure, each.key.side) for _, each in usable)
    sharing = np.array([count[each.key.measure, each.key.side] for _, each in usable])
    variance = (np.array([each.se for _, each in usable]) ** 2 + unsaid[rows] ** 2) * sharing
    residual = np.array([each.by for _, each in usable]) - by[rows]
    return slopes[rows], 1 / variance, residual + slopes[rows] @ mean
