"""What the next change of the bicycle would do, from the riding so far and its own marks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from livefit.change.correlated import StrokeMean
from livefit.definitions import Definitions
from livefit.kernel.kernel import Kernel
from livefit.node.ended import Adjusted
from livefit.node.trial import Trial
from livefit.predict import (
    PUBLISHED,
    Belief,
    Limit,
    Observed,
    Prediction,
    Rider,
    Target,
    into_bands,
    learned,
    observed,
    predict,
    words,
)
from livefit.predict.changes import ChangeError, checked
from livefit.predict.numbers import Key


@dataclass(frozen=True)
class Known:
    """What an estimate goes by: nothing that changes any more.

    Attributes
    ----------
    rider
        Of the latest trial.
    belief
        How this rider gives way.
    left_out
        Sides that the trial has numbers of, and no estimate.
    """

    rider: Rider
    belief: Belief
    left_out: frozenset[str]


def rider_now(
    kernel: Kernel,
    trial: Trial,
    adjustments: Sequence[Adjusted],
    definitions: Definitions,
    seat_tube_deg: float,
) -> Known:
    """What an estimate goes by: the rider of the latest trial, and what the marks have taught.

    Parameters
    ----------
    kernel
        Of the stream.
    trial
        The present one.
    adjustments
        What the marks have done, in trials of this stream.
    definitions
        Measures and events.
    seat_tube_deg
        Of the bicycle.

    Raises
    ------
    ValueError
        If the rider has not ridden a whole stroke yet, or a leg's markers are missing.
    """
    seen = []
    for each in adjustments:
        before = _rider(kernel, each.before, seat_tube_deg) if _foreseen(each.made) else None
        if before is not None:
            seen.append(observed(before, each.made, _means(each.before), _means(each.after)))
    rider = _rider(kernel, trial, seat_tube_deg)
    if rider is None:
        raise ValueError("nothing can be predicted before the first whole stroke of this trial")
    sides = {key.side for key in _means(trial)} - {"B"}
    return Known(rider, _belief(seen, definitions), frozenset(sides - set(rider.sides)))


def predict_next(
    known: Known, changes: Mapping[str, float], definitions: Definitions
) -> Prediction:
    """Estimate what changes would do.

    Parameters
    ----------
    known
        As from `rider_now`.
    changes
        What would be changed, by part; mm or deg, signed as the adjustments are.
    definitions
        Measures and events.

    Raises
    ------
    ValueError
        If a part is not known.
    """
    found = predict(known.rider, changes, definitions, belief=known.belief)
    return replace(
        found, not_predicted=(*found.not_predicted, *words.left_out_words(known.left_out))
    )


def bring_inside(
    known: Known,
    bands: Mapping[tuple[str, str], tuple[float, float]],
    permitted: Mapping[str, Limit | None] | None,
    definitions: Definitions,
) -> dict[str, Any]:
    """The fewest and smallest changes that bring numbers inside their bands, as a plain document.

    This takes up to a second or more; it touches nothing but its arguments, and may be done in
    another thread.

    Parameters
    ----------
    known
        As from `rider_now`.
    bands
        Low and high of each number, by measure and event.
    permitted
        Parts that may be moved and how far; None: saddle and bar.
    definitions
        Measures, events and adjustments.

    Raises
    ------
    ValueError
        If a part, or a number, is not known to the prediction.
    """
    targets = [Target(measure, event, low, high) for (measure, event), (low, high) in bands.items()]
    plan = into_bands(known.rider, targets, definitions, permitted=permitted, belief=known.belief)
    said = [*words.left_out_words(known.left_out), *words.plan_words(plan, definitions)]
    return {**plan.document(), "said": said}


def _foreseen(made: Mapping[str, float]) -> bool:
    """Whether all that was changed can be predicted: else nothing can be learned from it."""
    try:
        return checked(made) == made
    except ChangeError:
        return False


def _belief(seen: Sequence[Observed], definitions: Definitions) -> Belief:
    return learned(seen, definitions) if seen else PUBLISHED


def _rider(kernel: Kernel, trial: Trial, seat_tube_deg: float) -> Rider | None:
    """The rider of a trial, of both captures where it has two."""
    pose, bike, other = trial.mean_pose(), kernel.bike, trial.other_capture
    if pose is None or bike is None:
        return None
    labels, cranks = kernel.labels, bike.cranks
    if other is not None:
        own = [k for k, label in enumerate(labels) if label not in other.labels]
        labels = (*(labels[k] for k in own), *other.labels)
        pose = np.concatenate([pose[:, own], other.pose], axis=1)
        cranks = {**cranks, **other.cranks}
    return Rider(labels, pose, cranks, seat_tube_deg)


def _means(trial: Trial) -> dict[Key, StrokeMean]:
    return {Key(*key): trial.strokes.mean(key) for key in trial.strokes.keys}
