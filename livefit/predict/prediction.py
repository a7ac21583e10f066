"""What a change would do to every number, with an interval that says how far to trust it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cached_property
from typing import Any

import numpy as np

from livefit.definitions.models import Definitions
from livefit.frames import FloatArray
from livefit.kernel.crank import CrankGeometry
from livefit.predict import words
from livefit.predict.chain import Short, moved
from livefit.predict.changes import UNPREDICTED, Shift, checked, shift_of
from livefit.predict.numbers import Key, Reading
from livefit.predict.response import NAMES, PUBLISHED, SPREAD, Belief
from livefit.predict.rider import HEAD_TUBE_DEG, SEAT_TUBE_DEG, Rider

Z95 = 1.959963984540054
_SHARE_UNSAID = 0.1
"""Of a predicted change: what a chain of straight segments leaves out; an assumption."""
_UNSAID = {"deg": 0.02, "mm": 0.05}
"""Standard deviation of the same for each mm of change, however little is predicted."""
_LEARNED = 0.5
"""This rider speaks where less than so much of the published variance is left."""


@dataclass(frozen=True)
class Predicted:
    """One measure at one event on one side.

    Attributes
    ----------
    now, by
        Present mean and predicted change of it, in `unit`; None = cannot be said.
    low, high
        95 % interval of the change of the long-run mean; what two trials are seen to differ by
        has the strokes' own scatter on top.
    source
        Who speaks: ``published`` riders or ``this rider``.
    """

    measure: str
    side: str
    event: str
    unit: str
    now: float | None
    by: float | None
    low: float | None
    high: float | None
    source: str


@dataclass(frozen=True)
class Prediction:
    """An estimate of what changes would do.

    Attributes
    ----------
    changes
        By part, in the adjustment's unit.
    rows
        The numbers, in the order of the measures.
    reaches
        Whether every leg and arm still spans its ends, with the likeliest response.
    short
        Limbs that do not; the numbers that need them are None.
    said_by
        ``published`` or ``this rider, from n adjustments``.
    not_predicted
        What the changes also hold and nothing is said of, and why.
    cautions
        To be shown with the numbers.
    """

    changes: dict[str, float]
    rows: tuple[Predicted, ...]
    reaches: bool
    short: tuple[Short, ...]
    said_by: str
    not_predicted: tuple[str, ...]
    cautions: tuple[str, ...]

    def document(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


class Forecast:
    """A rider's numbers as a function of changes and of the response.

    Parameters
    ----------
    rider
        The chain.
    reading
        The numbers.
    """

    def __init__(self, rider: Rider, reading: Reading) -> None:
        self.rider, self.reading = rider, reading

    @cached_property
    def now(self) -> FloatArray:
        """(k,) the present numbers."""
        numbers: FloatArray = self.reading(self.rider.pose[None], self.rider.cranks)[0]
        return numbers

    def shift(self, changes: Mapping[str, float]) -> Shift:
        """What the changes move on this bicycle."""
        return shift_of(changes, self.rider.seat_tube_deg, self.rider.head_tube_deg)

    def changes_of(
        self, changes: Mapping[str, float], vectors: FloatArray
    ) -> tuple[FloatArray, tuple[Short, ...]]:
        """By how much each number changes (r, k), with responses (r, p).

        And the limbs that do not reach with the first one.
        """
        after = moved(self.rider, self.shift(changes), vectors)
        by = self.reading(after.pose, after.cranks) - self.now
        wrapped: FloatArray = np.where(self._is_angle, by - 360.0 * np.round(by / 360.0), by)
        return wrapped, after.short

    def change(
        self, changes: Mapping[str, float], vector: FloatArray
    ) -> tuple[FloatArray, tuple[Short, ...]]:
        """The same for one response (p,)."""
        by, short = self.changes_of(changes, vector[None])
        return by[0], short

    @cached_property
    def _is_angle(self) -> FloatArray:
        units = [self.reading.units[key.measure] for key in self.reading.keys]
        return np.array([unit == "deg" for unit in units])

    def jacobian(self, changes: Mapping[str, float], vector: FloatArray) -> FloatArray:
        """(k, p) derivatives of the changes by the response, over half a spread either way."""
        slopes = np.zeros((len(self.reading.keys), len(vector)))
        idle = self._idle(changes)
        busy = [k for k, name in enumerate(NAMES) if name not in idle]
        spread = SPREAD.vector()
        steps = np.diag(spread / 2)[busy]
        by, _ = self.changes_of(changes, np.concatenate([vector + steps, vector - steps]))
        ahead, behind = np.split(by, 2)
        slopes[:, busy] = (ahead - behind).T / spread[busy]
        return slopes

    def _idle(self, changes: Mapping[str, float]) -> set[str]:
        """Numbers of the response that these changes do not call on."""
        shift = self.shift(changes)
        legs = [*shift.saddle, *shift.foot, shift.crank, shift.rotation, shift.wedge]
        if not any(legs):
            return {*NAMES} - {"arm"}
        idle = {"arm"} if not self.reading.of_arms else set()
        if not any([*shift.foot, *(shift.saddle - shift.raised), shift.rotation, shift.wedge]):
            idle |= {"elsewhere"}
        idle |= set() if shift.rotation else {"follow"}
        return idle if shift.wedge else idle | {"tilt"}

    def unsaid(self, changes: Mapping[str, float], by: FloatArray) -> FloatArray:
        """(k,) standard deviations of what the chain leaves out."""
        each = np.where(self._is_angle, _UNSAID["deg"], _UNSAID["mm"])
        return np.hypot(_SHARE_UNSAID * by, each * self.shift(changes).size)


def predict_from(
    pose: FloatArray,
    labels: Sequence[str],
    cranks: Mapping[str, CrankGeometry],
    changes: Mapping[str, float],
    definitions: Definitions,
    *,
    belief: Belief = PUBLISHED,
    seat_tube_deg: float = SEAT_TUBE_DEG,
    head_tube_deg: float = HEAD_TUBE_DEG,
) -> Prediction:
    """Predict from what a processing node holds: its mean pose and the kernel's cranks.

    Parameters
    ----------
    pose, labels
        (36, m, 3) mm in bike axes at right crank 0, 10, ... 350 deg, and canonical names.
    cranks
        By side: ``kernel.bike.cranks``.
    changes
        By part of the adjustments: mm or deg, signed as they are.
    definitions
        Measures and events.
    belief
        Of the rider's response; see :func:`livefit.predict.learned`.

    Raises
    ------
    RiderError
        If the pose does not hold a leg.
    ChangeError
        If a change is not known.
    """
    rider = Rider(
        tuple(labels), np.asarray(pose, dtype=float), dict(cranks), seat_tube_deg, head_tube_deg
    )
    return predict(rider, changes, definitions, belief=belief)


def predict(
    rider: Rider,
    changes: Mapping[str, float],
    definitions: Definitions,
    *,
    belief: Belief = PUBLISHED,
) -> Prediction:
    """What the changes, made together, would do to the rider's numbers.

    The interval is that of a linear function of a Gaussian response, with what the chain leaves out
    added.

    Raises
    ------
    ChangeError
        If a change is not known.
    """
    amounts = checked(changes)
    reading = Reading(rider, definitions.measures, definitions.events)
    forecast = Forecast(rider, reading)
    return predicted(forecast, amounts, belief, [part for part in changes if part in UNPREDICTED])


def predicted(
    forecast: Forecast, changes: Mapping[str, float], belief: Belief, unpredicted: Sequence[str]
) -> Prediction:
    """The prediction of checked changes."""
    by, lacking = forecast.change(changes, belief.mean)
    slopes = forecast.jacobian(changes, belief.mean)
    variance = _quadratic(slopes, belief.covariance)
    half = Z95 * np.sqrt(variance + forecast.unsaid(changes, by) ** 2)
    learned = belief.adjustments > 0
    own = learned & (variance < _LEARNED * _quadratic(slopes, PUBLISHED.covariance))
    short = {(each.side, each.limb) for each in lacking}
    blank = [
        (key.side, "leg") in short
        or ((key.side, "arm") in short and key.measure in forecast.reading.of_arms)
        for key in forecast.reading.keys
    ]
    rows = [
        _row(key, forecast.reading.units[key.measure], *numbers)
        for key, *numbers in zip(
            forecast.reading.keys,
            forecast.now.tolist(),
            by.tolist(),
            half.tolist(),
            own.tolist(),
            blank,
            strict=True,
        )
    ]
    known = np.isfinite(by) & (np.abs(by) > 0)
    mostly_own = bool(known.any()) and float(own[known].mean()) >= 0.5
    return Prediction(
        changes=dict(changes),
        rows=tuple(rows),
        reaches=not lacking,
        short=lacking,
        said_by=words.source_words(belief.adjustments if mostly_own else 0),
        not_predicted=tuple(UNPREDICTED[part] for part in unpredicted),
        cautions=words.CAUTIONS,
    )


def _row(
    key: Key, unit: str, now: float, by: float, half: float, own: bool, blank: bool
) -> Predicted:
    said = not blank and math.isfinite(by) and math.isfinite(half)
    return Predicted(
        key.measure,
        key.side,
        key.event,
        unit,
        now if math.isfinite(now) else None,
        by if said else None,
        by - half if said else None,
        by + half if said else None,
        words.THIS_RIDER if own else words.PUBLISHED,
    )


def _quadratic(slopes: FloatArray, covariance: FloatArray) -> FloatArray:
    """(k,) variances of slopes (k, p) times numbers of this covariance (p, p)."""
    variance: FloatArray = ((slopes @ covariance) * slopes).sum(axis=1)
    return variance
