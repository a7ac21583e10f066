"""What putting the markers on anew does to the numbers, where the fitter has measured it."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from livefit.definitions.bicycle import Identifier

FEWEST_PLACEMENTS = 3
"""From two, a spread would be known no better than within a factor of thirty."""


class PlacementSpread(BaseModel):
    """How much a measure at one event differs from placement to placement."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    sd: Annotated[FiniteFloat, Field(ge=0)]
    """Standard deviation, in the measure's unit; left and right side alike."""
    freedom: Annotated[FiniteFloat, Field(gt=0)] | None = None
    """Degrees of freedom that it is known with; None: the placements less one."""


class Placements(BaseModel):
    """The placements from which a measure's spreads come: by whom, when, and how many."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Identifier
    """Of the measure."""
    unit: Literal["deg", "mm"]
    placements: Annotated[int, Field(ge=FEWEST_PLACEMENTS, le=1000)]
    date: date
    fitter: Annotated[str, Field(max_length=120)] = ""
    """Whose hands put the markers on: the spread is theirs."""
    at: Annotated[dict[Identifier, PlacementSpread], Field(min_length=1)]
    """By event."""

    @model_validator(mode="after")
    def _freedom_from_both_sides_at_most(self) -> Placements:
        most = 2 * (self.placements - 1)
        for event, spread in self.at.items():
            if spread.freedom is not None and spread.freedom > most:
                raise ValueError(
                    f"at.{event}.freedom: expected at most {most}, twice the placements less one "
                    f"(left and right), found {spread.freedom:g}"
                )
        return self

    def freedom(self, event: str) -> float:
        """Degrees of freedom of the spread at an event that is listed."""
        found = self.at[event].freedom
        return float(self.placements - 1) if found is None else found
