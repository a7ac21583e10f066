"""What each adjustment moves: the saddle, the bar, the shoe on the pedal, the crank.

Names and signs are those of the adjustments in the definitions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from livefit.frames import FloatArray

PARTS = (
    "saddle_height", "saddle_setback", "bar_reach", "bar_height", "stem_length", "spacers",
    "cleat_fore_aft", "cleat_lateral", "cleat_rotation", "cleat_wedge", "crank_length",
)  # fmt: skip
UNPREDICTED = {
    "saddle_tilt": "what saddle tilt does to a rider's angles is not predicted: no published "
    "number was found"
}
FEET = ("cleat_fore_aft", "cleat_lateral", "cleat_rotation", "cleat_wedge")
BARS = ("bar_reach", "bar_height", "stem_length", "spacers")
_FARTHEST = 150.0
"""mm or deg; more is a slip of the fingers."""


class ChangeError(ValueError):
    """A change that is not known or cannot be meant; the text says what is expected."""


@dataclass(frozen=True)
class Shift:
    """How far changes move the ends of the chain.

    Attributes
    ----------
    raised, saddle, bar
        (2,) mm forward and up: by the saddle's height alone, the saddle in all, the bar.
    foot
        (2,) mm by which the shoe goes forward and outward on the pedal.
    rotation
        rad, heel in.
    wedge
        rad, inside raised.
    crank
        mm longer.
    size
        mm, all parts together; a degree counts as 2 mm.
    """

    raised: FloatArray = field(default_factory=lambda: np.zeros(2))
    saddle: FloatArray = field(default_factory=lambda: np.zeros(2))
    bar: FloatArray = field(default_factory=lambda: np.zeros(2))
    foot: FloatArray = field(default_factory=lambda: np.zeros(2))
    rotation: float = 0.0
    wedge: float = 0.0
    crank: float = 0.0
    size: float = 0.0


def checked(changes: Mapping[str, float]) -> dict[str, float]:
    """The changes that can be predicted, by part.

    Raises
    ------
    ChangeError
        If a part is not known, or an amount is no number or too large.
    """
    for part, amount in changes.items():
        if part not in PARTS and part not in UNPREDICTED:
            raise ChangeError(f"expected one of {', '.join(PARTS)}, got {part!r}")
        if not abs(amount) <= _FARTHEST:
            raise ChangeError(
                f"{part}: expected a change within {_FARTHEST:g} either way, got {amount}"
            )
    return {part: float(amount) for part, amount in changes.items() if part in PARTS}


def shift_of(changes: Mapping[str, float], seat_tube_deg: float, head_tube_deg: float) -> Shift:
    """What the changes (mm, deg) move.

    Saddle height goes along the seat tube, setback level. A stem is taken as level; spacers raise
    the bar along the steerer.

    >>> shift_of({"saddle_height": 10.0}, 90.0, 72.0).saddle.round(6)
    array([-0., 10.])
    """
    by = {part: changes.get(part, 0.0) for part in PARTS}
    seat, head = np.radians(seat_tube_deg), np.radians(head_tube_deg)
    up_tube = np.array([-np.cos(seat), np.sin(seat)])
    up_steerer = np.array([-np.cos(head), np.sin(head)])
    degrees = abs(by["cleat_rotation"]) + abs(by["cleat_wedge"])
    raised = by["saddle_height"] * up_tube
    return Shift(
        raised=raised,
        saddle=raised + np.array([-by["saddle_setback"], 0.0]),
        bar=np.array([by["bar_reach"] + by["stem_length"], by["bar_height"]])
        + by["spacers"] * up_steerer,
        foot=-np.array([by["cleat_fore_aft"], by["cleat_lateral"]]),
        rotation=float(np.radians(by["cleat_rotation"])),
        wedge=float(np.radians(by["cleat_wedge"])),
        crank=by["crank_length"],
        size=sum(abs(amount) for amount in by.values()) + degrees,
    )
