"""What the next change of the bicycle would do, from the riding so far and its own marks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from livefit.change.correlated import StrokeMean
from livefit.definitions import Definitions
from livefit.kernel.kernel import Kernel
from livefit.node.trial import Trial
from livefit.predict import (
    PUBLISHED,
    Belief,
    Observed,
    Prediction,
    Rider,
    learned,
    observed,
    predict,
)
from livefit.predict.numbers import Key


def predict_next(
    kernel: Kernel,
    trials: Sequence[Trial | None],
    changes_before: Sequence[Mapping[str, float]],
    changes: Mapping[str, float],
    definitions: Definitions,
    seat_tube_deg: float,
) -> Prediction:
    """Estimate what changes would do to the rider of the latest trial.

    Parameters
    ----------
    kernel
        Of the stream.
    trials
        From the oldest to the present one; None: of an earlier stream, which teaches nothing.
    changes_before
        What was changed between each trial and the next, by part; one entry fewer than trials.
    changes
        What would be changed, by part; mm or deg, signed as the adjustments are.
    definitions
        Measures and events.
    seat_tube_deg
        Of the bicycle.

    Raises
    ------
    ValueError
        If the rider has not ridden a whole stroke yet, a leg's markers are missing, or a part is
        not known.
    """
    seen = []
    for before, after, made in zip(trials, trials[1:], changes_before, strict=False):
        rider = None if before is None else _rider(kernel, before, seat_tube_deg)
        if rider is not None and before is not None and after is not None:
            seen.append(observed(rider, made, _means(before), _means(after)))
    now = trials[-1]
    rider = None if now is None else _rider(kernel, now, seat_tube_deg)
    if rider is None:
        raise ValueError("nothing can be predicted before the first whole stroke of this trial")
    return predict(rider, changes, definitions, belief=_belief(seen, definitions))


def _belief(seen: Sequence[Observed], definitions: Definitions) -> Belief:
    return learned(seen, definitions) if seen else PUBLISHED


def _rider(kernel: Kernel, trial: Trial, seat_tube_deg: float) -> Rider | None:
    pose, bike = trial.mean_pose(), kernel.bike
    if pose is None or bike is None:
        return None
    return Rider(kernel.labels, pose, bike.cranks, seat_tube_deg)


def _means(trial: Trial) -> dict[Key, StrokeMean]:
    return {Key(*key): trial.strokes.mean(key) for key in trial.strokes.keys}
