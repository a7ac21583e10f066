"""What putting the markers on anew does: from trials to the text of ``replacing.toml``."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import date

from livefit.change.replacing import Spot, Spread, TrialMean
from livefit.change.trials import Key, TrialStrokes
from livefit.definitions import Definitions, Placements, PlacementSpread
from livefit.kernel.correlation import FEWEST

_HEAD = """\
# How much the numbers differ when the markers are taken off and put on again, the bicycle
# unchanged: standard deviations between placements, and the degrees of freedom that they are
# known with. Measured by livefit replacing; behind each line the 95 % interval, and the sides.
"""
_LEAST_FREEDOM = 0.01


def trial_means(strokes: TrialStrokes) -> dict[Key, TrialMean]:
    """The mean of every row of a trial that has strokes enough."""
    found = {key: strokes.mean(key) for key in strokes.keys}
    return {k: TrialMean(m.mean, m.sd, m.n) for k, m in found.items() if m.n >= FEWEST}


def placements_of(
    spreads: Mapping[Spot, Spread], definitions: Definitions, on: date, fitter: str
) -> list[Placements]:
    """The spreads as definitions, in the order of the measures and their events."""
    found = []
    for measure in definitions.measures:
        own = {event: spreads[spot] for event in measure.events
               if (spot := (measure.name, event)) in spreads}  # fmt: skip
        if own and measure.unit != "rpm":
            at = {event: PlacementSpread(sd=round(each.sd, 3),
                                         freedom=max(round(each.freedom, 2), _LEAST_FREEDOM))
                  for event, each in own.items()}  # fmt: skip
            most = max(each.placements for each in own.values())
            found.append(
                Placements(
                    name=measure.name, unit=measure.unit, placements=most, date=on,
                    fitter=fitter, at=at,
                )
            )  # fmt: skip
    return found


def replacing_toml(placements: Sequence[Placements], spreads: Mapping[Spot, Spread]) -> str:
    """The text of ``replacing.toml``."""
    return "\n".join([_HEAD, *(line for one in placements for line in _table(one, spreads))])


def _table(one: Placements, spreads: Mapping[Spot, Spread]) -> Iterable[str]:
    yield f"[{one.name}]"
    yield f'unit = "{one.unit}"'
    yield f"placements = {one.placements}"
    yield f"date = {one.date.isoformat()}"
    if one.fitter:
        yield f"fitter = {json.dumps(one.fitter, ensure_ascii=False)}"
    yield ""
    yield f"[{one.name}.at]"
    for event, spread in one.at.items():
        found = spreads[one.name, event]
        sides = ", ".join(f"{side} {sd:.2f}" for side, sd in sorted(found.sides.items()))
        yield (
            f"{event} = {{sd = {spread.sd:.3f}, freedom = {spread.freedom:.2f}}}"
            f"  # {found.low:.2f} to {found.high:.2f}; {sides}"
        )
    yield ""
