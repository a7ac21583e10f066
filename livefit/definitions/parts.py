"""A frame by its numbers, and the parts at hand to build it up with."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, TypeVar

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, ValidationError, model_validator

Length = Annotated[FiniteFloat, Field(gt=0, le=2000)]
Offset = Annotated[FiniteFloat, Field(ge=-200, le=200)]
TubeAngle = Annotated[FiniteFloat, Field(ge=45, le=90)]
Count = Annotated[int, Field(ge=1, le=20)]


class PartsError(ValueError):
    """A file that describes no frame or no parts; the text says where and what to do."""


class _Thing(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class BareFrame(_Thing):
    """A frame; lengths in mm, angles from the level in deg, heights from the crank axis."""

    title: str
    stack_mm: Length
    reach_mm: Length
    seat_tube_deg: TubeAngle
    """Of the line along which the seat post slides; through the crank axis."""
    seat_tube_mm: Length
    """From the crank axis along that line to the seat tube's top."""
    head_tube_deg: TubeAngle
    headset_mm: Annotated[FiniteFloat, Field(ge=0, le=60)]
    """From the head tube's top to the underside of the lowest spacer."""
    spacers_most_mm: Annotated[FiniteFloat, Field(ge=0, le=100)]
    """The highest pile of spacers below the stem that the fork's maker allows."""
    post_insertion_least_mm: Annotated[FiniteFloat, Field(ge=0)] = 0.0
    """How far the frame's maker wants the post to reach into the seat tube."""
    post_insertion_most_mm: Length | None = None
    """How far it can; None: nothing stops it."""


class SeatPost(_Thing):
    """A seat post; the clamp's centre is its upper end."""

    title: str
    setback_mm: Offset
    """Clamp's centre behind the post's axis, square to it."""
    length_mm: Length
    insertion_least_mm: Length
    """From its lower end to the minimum-insertion mark."""
    head_mm: Annotated[FiniteFloat, Field(ge=0)] = 25.0
    """It can be pushed in until so much is left between seat tube and clamp."""


class Saddle(_Thing):
    """The rider's saddle, seen from the side, its nose and rear on one line."""

    nose_to_clamp_mm: tuple[Length, Length]
    """Nose to the clamp's centre along that line, with the saddle farthest back, farthest fore."""
    height_mm: Length
    """That line above the clamp's centre, square to it."""

    @model_validator(mode="after")
    def _rises(self) -> Saddle:
        low, high = self.nose_to_clamp_mm
        if not low < high:
            raise ValueError(f"nose_to_clamp_mm is low, then high, found {low} and {high}")
        return self


class Stem(_Thing):
    """A stem; it can be turned over."""

    title: str
    length_mm: Length
    angle_deg: Annotated[FiniteFloat, Field(ge=-60, le=60)]
    """Between the stem and the square to the steering axis, rising positive."""
    height_mm: Length = 40.0
    """Of its clamp, along the steering axis."""


class Spacers(_Thing):
    """Spacers of one height."""

    height_mm: Length
    count: Count


class Parts(_Thing):
    """What is at hand."""

    saddle: Saddle
    seat_posts: Annotated[list[SeatPost], Field(min_length=1, max_length=100)]
    stems: Annotated[list[Stem], Field(min_length=1, max_length=200)]
    spacers: Annotated[list[Spacers], Field(max_length=8)] = []
    spacers_most: Annotated[int, Field(ge=0, le=10)] = 5
    """No more of them on one another."""
    cranks_mm: Annotated[list[Length], Field(min_length=1)]
    bar_mm: Length = 31.8
    """Diameter of the bar beside the stem."""


_Kind = TypeVar("_Kind", bound=_Thing)


def read_frame(path: Path) -> BareFrame:
    """Read a frame from a TOML file; PartsError if it holds none."""
    return _read(path, BareFrame)


def read_parts(path: Path) -> Parts:
    """Read parts from a TOML file; PartsError if it holds none."""
    return _read(path, Parts)


def _read(path: Path, kind: type[_Kind]) -> _Kind:
    try:
        content = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise PartsError(f"expected a TOML file at {path}, found none") from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise PartsError(f"{path}: expected valid TOML, found: {error}") from error
    try:
        return kind.model_validate(content)
    except ValidationError as error:
        faults = [
            f"  {'.'.join(map(str, entry['loc'])) or 'the file'}: {entry['msg']}, "
            f"found {entry['input']!r:.60}"
            for entry in error.errors(include_url=False)
        ]
        raise PartsError("\n".join([f"{path}: expected {_WHAT[kind]}:", *faults])) from error


_WHAT: dict[type[_Thing], str] = {
    BareFrame: "a frame as in configs/examples/frame.toml",
    Parts: "parts as in configs/examples/parts.toml",
}
