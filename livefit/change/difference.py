"""What a change did: differences of means of correlated strokes, judged one by one or together.

The interval is Welch's, with each mean's own effective degrees of freedom in place of n - 1:
Welch BL (1947) The generalization of 'Student's' problem when several different population
variances are involved. Biometrika 34:28-35. Putting the markers on anew brings in a spread that
more strokes do not remove; where the fitter has measured it, it is counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

from livefit.change.correlated import StrokeMean
from livefit.frames import FloatArray

LEVEL = 0.05
"""Chance of finding a difference where there is none, for all that is judged together."""
POWER = 0.8


@dataclass(frozen=True)
class Replacing:
    """How much a mean differs when the markers are taken off and put on again.

    Attributes
    ----------
    sd
        Between placements on the same rider in the same position, in the measure's unit.
    freedom
        Degrees of freedom that it is known with: see `livefit.change.replacing`.
    """

    sd: float
    freedom: float


@dataclass(frozen=True)
class Change:
    """A difference of means; NaN = cannot be said.

    Attributes
    ----------
    by, se, freedom
        Difference in the measure's unit, its standard error and effective degrees of freedom.
    low, high
        95 % interval.
    p
        Chance of so large a difference, either way, were there none.
    smallest
        A difference found below this could be chance: half the interval.
    sure
        A true difference of this size is found four times in five.
    """

    by: float
    se: float
    freedom: float
    low: float
    high: float
    p: float
    smallest: float
    sure: float

    def with_replacing(self, replacing: Replacing) -> Change:
        """The same difference, had the markers been put on anew in between."""
        return _change(
            self.by,
            [self.se**2, 2 * replacing.sd**2],
            [self.freedom, replacing.freedom],
        )


@dataclass(frozen=True)
class ThereAndBack:
    """A change made and taken back (A-B-A).

    Attributes
    ----------
    there
        B less the mean of the two A: a steady drift over equally long trials cancels out.
    back
        The second A less the first: were it not nought, something else has changed too.
    """

    there: Change
    back: Change


def difference(
    before: StrokeMean, now: StrokeMean, *, replacing: Replacing | None = None
) -> Change:
    """Now less before, of two trials or of the baseline and now.

    Parameters
    ----------
    before, now
        Means of the same measure.
    replacing
        Given if the markers were put on anew in between.

    >>> from livefit.change.correlated import mean_of
    >>> before, now = (mean_of(level + np.arange(5.0), independent=True) for level in (30, 33))
    >>> change = difference(before, now)
    >>> change.by, round(change.freedom, 6), round(change.smallest, 3)
    (3.0, 8.0, 2.306)
    """
    return _contrast(((-1.0, before), (1.0, now)), replacing)


def there_and_back(first: StrokeMean, changed: StrokeMean, again: StrokeMean) -> ThereAndBack:
    """A change made and taken back, markers left on: the three trials in their order."""
    return ThereAndBack(
        _contrast(((-0.5, first), (1.0, changed), (-0.5, again)), None),
        _contrast(((-1.0, first), (1.0, again)), None),
    )


def _contrast(parts: Sequence[tuple[float, StrokeMean]], replacing: Replacing | None) -> Change:
    by = sum(weight * mean.mean for weight, mean in parts)
    variances = [(weight * mean.se) ** 2 for weight, mean in parts]
    freedoms = [mean.freedom for _, mean in parts]
    if replacing is not None:
        variances.append(replacing.sd**2 * sum(weight**2 for weight, _ in parts))
        freedoms.append(replacing.freedom)
    return _change(by, variances, freedoms)


def _change(by: float, variances: Sequence[float], freedoms: Sequence[float]) -> Change:
    """A difference whose variance is a sum, each part with its own freedom."""
    variance = sum(variances)
    parted = sum(v**2 / freedom for v, freedom in zip(variances, freedoms, strict=True))
    se = float(np.sqrt(variance))
    freedom = variance**2 / parted if parted > 0 else sum(freedoms)
    if se > 0:
        p = 2.0 * float(stdtr(freedom, -abs(by) / se))
    else:
        p = np.nan if np.isnan(se) else float(by == 0)
    half = float(stdtrit(freedom, 1 - LEVEL / 2)) * se
    sure = half + float(stdtrit(freedom, POWER)) * se
    return Change(by, se, freedom, by - half, by + half, p, half, sure)


@dataclass(frozen=True)
class Judged:
    """A difference among others.

    Attributes
    ----------
    change
        By itself.
    p
        Holm's: counts how many are judged together; NaN = cannot be said.
    told
        Whether it is more than chance would bring about among so many.
    smallest
        A difference found below this could be chance among so many.
    """

    change: Change
    p: float
    told: bool
    smallest: float


def together(changes: Sequence[Change]) -> list[Judged]:
    """Judge several differences at once, so that chance finds one among them in one case of 20.

    Holm S (1979) A simple sequentially rejective multiple test procedure. Scand J Stat 6:65-70.
    Those that cannot be said do not count.
    """
    p = np.array([change.p for change in changes])
    holm, level = _holm(p)
    judged = []
    for change, own in zip(changes, holm.tolist(), strict=True):
        told = bool(own <= LEVEL)
        smallest = float(stdtrit(change.freedom, 1 - level / 2)) * change.se
        judged.append(
            Judged(change, own, told, min(smallest, abs(change.by)) if told else smallest)
        )
    return judged


def _holm(p: FloatArray) -> tuple[FloatArray, float]:
    """Adjusted p (n,), and the level at which the first one not told was judged."""
    adjusted = np.full(len(p), np.nan)
    order = np.argsort(p)[: int(np.isfinite(p).sum())]
    left = np.arange(len(order), 0, -1)
    adjusted[order] = np.minimum(np.maximum.accumulate(p[order] * left), 1.0)
    told = int((adjusted <= LEVEL).sum())
    return adjusted, LEVEL / max(len(order) - told, 1)
