"""How much means differ when the markers are taken off and put on again, and how sure that is.

Placements are taken as drawn at random from all that the same hands would make (one-way random
effects: Searle SR, Casella G, McCulloch CE (1992) Variance Components, ch. 3, from memory). The
variance of the trials' means, less what their strokes bring to it, is that between placements. The
strokes are taken as independent there: too much left in misleads nobody.

The variance of k means has k - 1 degrees of freedom and is chi squared, very nearly so too where
the trials are not equally long; its interval, with the strokes' part taken off both ends, is that
of the placements (Thomas JD, Hultquist RA (1978) Interval estimation for the unbalanced case of the
one-way random effects model. Ann Stat 6:582-587; the strokes' part is taken as known).

Left and right are taken as alike and pooled. As both may move together, when the rider sits
otherwise, their two variances are not independent: those of normal values correlated by r are
correlated by r², which leaves 2 (k - 1) / (1 + r²) degrees of freedom. What is left once the
strokes' part was taken off has those times the square of its share (Satterthwaite FE (1946)
Biometrics Bulletin 2:110-114).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
from scipy.special import chdtri, stdtrit

from livefit.change.difference import LEVEL, Change, Replacing
from livefit.change.trials import CADENCE, Key
from livefit.change.workload import LOAD
from livefit.definitions import Definitions
from livefit.definitions.replacing import FEWEST_PLACEMENTS

Spot = tuple[str, str]
"""Measure and event."""


class TrialMean(NamedTuple):
    """A trial's mean of a row, the spread of its single strokes, and their number."""

    mean: float
    sd: float
    n: int


@dataclass(frozen=True)
class Spread:
    """Between placements on the same rider and bicycle, in the measure's unit.

    Attributes
    ----------
    placements
        How many there were, on the side that has more.
    sides
        Standard deviation of each side by itself; 0: no more than the strokes alone bring.
    sd, low, high
        Of both together, with its 95 % interval.
    freedom
        Degrees of freedom of ``sd``; where that is 0, of the spread of the trials' means.
    smallest
        Two trials like these, each with a placement of its own, tell a difference of one row from
        chance when it is larger.
    """

    placements: int
    sides: Mapping[str, float]
    sd: float
    low: float
    high: float
    freedom: float
    smallest: float


def spread_between(sides: Mapping[str, Mapping[int, TrialMean]]) -> Spread | None:
    """Spread between placements of one measure at one event; None: on no side are there three.

    Parameters
    ----------
    sides
        By side: the means, by number of the placement.

    >>> means = {k: TrialMean(mean, 2.0, 50) for k, mean in enumerate([35.0, 36.0, 38.0])}
    >>> found = spread_between({"L": means})
    >>> round(found.sd**2, 6), found.placements  # variance of the means 7/3, less 4/50
    (2.253333, 3)
    """
    used = {side: own for side, own in sides.items() if len(own) >= FEWEST_PLACEMENTS}
    if not used:
        return None
    variance = {side: _variance(own) for side, own in used.items()}
    strokes = {side: _by_strokes(own) for side, own in used.items()}
    each = {side: len(own) - 1.0 for side, own in used.items()}
    both = sum(each.values())
    pooled = sum(each[side] * variance[side] for side in used) / both
    by_strokes = sum(each[side] * strokes[side] for side in used) / both
    freedom = both**2 / sum(
        each[one] if one == other else _shared(used[one], used[other])
        for one, other in product(used, repeat=2)
    )
    left = max(pooled - by_strokes, 0.0)
    ends = freedom * pooled / chdtri(freedom, np.array([LEVEL / 2, 1 - LEVEL / 2])) - by_strokes
    low, high = np.sqrt(np.maximum(ends, 0.0)).tolist()
    return Spread(
        placements=max(map(len, used.values())),
        sides={s: float(np.sqrt(max(variance[s] - strokes[s], 0.0))) for s in used},
        sd=float(np.sqrt(left)),
        low=low,
        high=high,
        freedom=freedom * (left / pooled) ** 2 if left > 0 else freedom,
        smallest=float(stdtrit(freedom, 1 - LEVEL / 2) * np.sqrt(2 * pooled)),
    )


def spreads_between(
    placements: Sequence[Mapping[Key, TrialMean]],
) -> dict[Spot, Spread]:
    """Spread between placements of every row that three of them have; not of loads.

    Parameters
    ----------
    placements
        The means of one trial each, by row.
    """
    gathered: dict[Spot, dict[str, dict[int, TrialMean]]] = {}
    for number, rows in enumerate(placements):
        for (measure, side, event), mean in rows.items():
            usable = np.isfinite(mean.mean) and np.isfinite(mean.sd)
            if usable and (measure, event) not in (CADENCE, LOAD):
                gathered.setdefault((measure, event), {}).setdefault(side, {})[number] = mean
    found = {spot: spread_between(sides) for spot, sides in gathered.items()}
    return {spot: spread for spot, spread in found.items() if spread is not None}


def replacing_of(definitions: Definitions) -> dict[Spot, Replacing]:
    """What the definitions say of markers put on anew, by measure and event."""
    return {
        (one.name, event): Replacing(spread.sd, one.freedom(event))
        for one in definitions.replacing
        for event, spread in one.at.items()
    }


def with_markers_anew(
    changes: Mapping[Key, Change], replacing: Mapping[Spot, Replacing]
) -> dict[Key, Change]:
    """The same differences, had the markers been put on anew in between, where it was measured."""
    found = {key: replacing.get((key[0], key[2])) for key in changes}
    return {
        key: change if (anew := found[key]) is None else change.with_replacing(anew)
        for key, change in changes.items()
    }


def _variance(means: Mapping[int, TrialMean]) -> float:
    return float(np.var([each.mean for each in means.values()], ddof=1))


def _by_strokes(means: Mapping[int, TrialMean]) -> float:
    """What independent strokes bring to the variance of these means."""
    return float(np.mean([each.sd**2 / each.n for each in means.values()]))


def _shared(one: Mapping[int, TrialMean], other: Mapping[int, TrialMean]) -> float:
    """Degrees of freedom that two sides share, times the square of their correlation."""
    common = sorted(one.keys() & other.keys())
    if len(common) < FEWEST_PLACEMENTS:
        return 0.0
    pair = np.array([[side[number].mean for number in common] for side in (one, other)])
    pair -= pair.mean(axis=1, keepdims=True)
    squares = (pair**2).sum(axis=1)
    if not squares.all():
        return 0.0
    return float((len(common) - 1.0) * (pair[0] @ pair[1]) ** 2 / (squares[0] * squares[1]))
