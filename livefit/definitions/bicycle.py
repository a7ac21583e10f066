"""What is measured on a bicycle, and with what: pointers and the points they touch."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

Identifier = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]

Range = Annotated[list[FiniteFloat], Field(min_length=2, max_length=2)]
Place = Annotated[list[FiniteFloat], Field(min_length=3, max_length=3)]


class Pointer(BaseModel):
    """A rigid body of markers with a tip, held in the hand."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Identifier
    title: str
    markers: Annotated[list[str], Field(min_length=3)]
    """Labels as the capture system sends them."""
    positions_mm: dict[str, Place] = {}
    """Where each marker sits, in any axes of the pointer's own; empty = learnt."""
    age_limit_days: Annotated[float, Field(gt=0)] = 30.0
    """A calibration older than this is called old."""

    @model_validator(mode="after")
    def _markers_and_positions(self) -> Pointer:
        if len(set(self.markers)) < len(self.markers):
            raise ValueError(f"expected each marker once, found {self.markers}")
        if self.positions_mm and set(self.positions_mm) != set(self.markers):
            raise ValueError(
                f"positions_mm belongs to all the markers {self.markers} or is left out, "
                f"found {sorted(self.positions_mm)}"
            )
        return self


class TouchPoint(BaseModel):
    """A point of a bicycle that the pointer touches.

    A name that ends in ``_left`` or ``_right`` is one of a pair. The ranges say where a bicycle
    for grown-ups has the point, in its own axes: they notice a touch in the wrong turn.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Identifier
    title: str
    say: str
    """What to do, said to the person with the pointer."""
    placement_mm: Annotated[float, Field(ge=0, le=20)]
    """How well a careful hand finds the point: standard deviation along each axis."""
    twin: Literal["mid_plane", "bar", "half_turn"] | None = None
    """Where the other one of its pair lies: mirrored in the bicycle's mid-plane, mirrored in the
    bar's own middle, or half a turn of the cranks away. One touch of the pair is then enough."""
    axle: bool = False
    """The line through its pair is square to the mid-plane."""
    extra: bool = False
    """Touched only when everything is asked for."""
    forward_mm: Range
    up_mm: Range
    outward_mm: Range
    """Away from the mid-plane on the point's own side; to the rider's right for one without."""

    @property
    def side(self) -> Literal["left", "right"] | None:
        """Which of a pair it is."""
        if self.name.endswith("_left"):
            return "left"
        return "right" if self.name.endswith("_right") else None

    @property
    def pair(self) -> str | None:
        """The pair's name: the point's without its side."""
        return None if self.side is None else self.name.removesuffix(f"_{self.side}")

    @model_validator(mode="after")
    def _ranges_rise(self) -> TouchPoint:
        for low, high in (self.forward_mm, self.up_mm, self.outward_mm):
            if not low < high:
                raise ValueError(f"a range is low, then high, found {low} and {high}")
        if self.twin is not None and self.side is None:
            raise ValueError("twin belongs to points whose names end in _left or _right")
        if self.axle and self.twin != "mid_plane":
            raise ValueError('axle belongs to points with twin = "mid_plane"')
        return self
