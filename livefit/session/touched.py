"""A touched bicycle as a document: the set-up, and the touches it rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Literal, TypeVar

import numpy as np
from pydantic import Field, FiniteFloat, ValidationError

from livefit.bicycle.axes import Level
from livefit.bicycle.change import ADJUSTED, Difference
from livefit.bicycle.geometry import COVERING, BicycleGeometry, measure_bicycle, touch_covariance
from livefit.bicycle.kept import Matrix, Vector
from livefit.bicycle.pointer import Calibration
from livefit.bicycle.registration import Placement, find_placement
from livefit.bicycle.touching import Touch
from livefit.definitions.bicycle import TouchPoint
from livefit.frames import FloatArray, Up
from livefit.private_files import make_private_directory, write_private
from livefit.session.models import Adjustment, Record, SetUp, Taken, Text

_Kind = TypeVar("_Kind", bound=Record)


Six = tuple[FiniteFloat, FiniteFloat, FiniteFloat, FiniteFloat, FiniteFloat, FiniteFloat]


class SetUpError(ValueError):
    """A file that holds no set-up; the text says where and what to do."""


@dataclass(frozen=True)
class KeptTip:
    """As much of a calibration as dimensions need: the tip's covariance, (3, 3) mm2."""

    covariance: FloatArray


class TouchedPoint(Record):
    """A touch; mm in capture axes."""

    point: Vector
    covariance: Matrix
    turn: Matrix
    """The pointer's rotation."""
    spread_mm: FiniteFloat
    frames: int
    t: FiniteFloat

    def touch(self) -> Touch:
        """As the program computes with it."""
        return Touch(
            np.array(self.point), np.array(self.covariance), np.array(self.turn), self.spread_mm,
            self.frames, self.t,
        )  # fmt: skip


class Move(Record):
    """How surely a moved bicycle was found again, where it stands now."""

    centre: Vector
    """mm in capture axes."""
    covariance: tuple[Six, Six, Six, Six, Six, Six]
    """Of a small turn (rad) about the centre, then of a shift (mm)."""

    def placement(self) -> Placement:
        """From where its touches lie now to where it stands: nowhere, give or take this."""
        return Placement(
            np.eye(3), np.zeros(3), np.array(self.centre), np.array(self.covariance), 0.0, {}
        )


class TouchedBicycle(Record):
    """A bicycle measured with a pointer.

    ``set_up`` is what a session keeps; the rest lets the bicycle be found again, measured again
    in part, and drawn.
    """

    version: Literal[1] = 1
    set_up: SetUp
    touches: dict[str, TouchedPoint]
    pointer: str
    calibrated: date
    tip_covariance_mm2: Matrix
    level: Level = "axles"
    up: Up = "+z"
    axle_rise_mm: FiniteFloat = 0.0
    markers: dict[str, Vector] = Field(default_factory=dict)
    """Markers stuck on the bicycle, mm in capture axes: by three of them it is found again."""
    move: Move | None = None
    """Where the touches are only where the bicycle was found again: how surely."""
    adjustments: tuple[Adjustment, ...] = ()
    """What was changed since the measurement before."""
    stance: Text = ""
    """How the bicycle stood, and what of it was taken out."""
    findings: tuple[Text, ...] = ()
    """What looked like a mistake and was left as it is."""

    @property
    def tip(self) -> KeptTip:
        """The pointer's tip."""
        return KeptTip(np.array(self.tip_covariance_mm2))

    @property
    def placement(self) -> Placement | None:
        """How surely its touches are where it stands; None: it was touched there."""
        return None if self.move is None else self.move.placement()

    def all_touches(self) -> dict[str, Touch]:
        """By point."""
        return {name: point.touch() for name, point in self.touches.items()}

    def geometry(self, points: Sequence[TouchPoint]) -> BicycleGeometry:
        """The bicycle computed anew from its touches.

        Raises
        ------
        GeometryError
            If the points make no bicycle, or one is unknown.
        """
        return measure_bicycle(
            self.all_touches(), points, self.tip, level=self.level, up=self.up,
            axle_rise_mm=self.axle_rise_mm,
        )  # fmt: skip


def touched_bicycle(
    geometry: BicycleGeometry | None,
    touches: Mapping[str, Touch],
    calibration: Calibration,
    *,
    taken: datetime,
    pointer: str,
    up: Up,
    level: Level = "axles",
    axle_rise_mm: float = 0.0,
    markers: Mapping[str, FloatArray] | None = None,
    adjustments: Sequence[Adjustment] = (),
    notes: str = "",
) -> TouchedBicycle:
    """The document of a bicycle that was just touched.

    Without a geometry it holds the touches so far, and no dimension.
    """
    dimensions = {} if geometry is None else dimensions_taken(geometry)
    return TouchedBicycle(
        set_up=SetUp(taken=taken, dimensions=dimensions, notes=notes),
        touches={name: _touched(touch) for name, touch in touches.items()},
        pointer=pointer,
        calibrated=calibration.day,
        tip_covariance_mm2=calibration.covariance.tolist(),
        level=level,
        up=up,
        axle_rise_mm=axle_rise_mm,
        markers={name: _vector(place) for name, place in (markers or {}).items()},
        adjustments=tuple(adjustments),
        stance="" if geometry is None else geometry.stance.text,
        findings=() if geometry is None else tuple(f.text for f in geometry.findings),
    )


def _vector(place: FloatArray) -> Vector:
    x, y, z = place.tolist()
    return x, y, z


def _touched(touch: Touch) -> TouchedPoint:
    return TouchedPoint(
        point=touch.point.tolist(),
        covariance=touch.covariance.tolist(),
        turn=touch.turn.tolist(),
        spread_mm=touch.spread_mm,
        frames=touch.frames,
        t=touch.t,
    )


def found_by_touches(
    document: TouchedBicycle, now: Mapping[str, Touch], points: Sequence[TouchPoint]
) -> Placement:
    """Where a bicycle went, from three of its points or more touched again.

    Raises
    ------
    RegistrationError
        If it is not found; the text says why.
    """
    known = {point.name: point for point in points}
    there = document.all_touches()
    return find_placement(
        {name: touch.point for name, touch in there.items()},
        {name: touch.point for name, touch in now.items()},
        {
            name: touch_covariance(touch, known[name]) + touch_covariance(now[name], known[name])
            for name, touch in there.items()
            if name in now
        },
    )


def found_by_markers(document: TouchedBicycle, now: Mapping[str, FloatArray]) -> Placement:
    """Where a bicycle went, from three markers or more stuck on it, (3,) mm each.

    Raises
    ------
    RegistrationError
        If it is not found; the text says why.
    """
    return find_placement({n: np.array(place) for n, place in document.markers.items()}, now)


def moved_bicycle(document: TouchedBicycle, placement: Placement) -> TouchedBicycle:
    """The same bicycle where it stands now."""
    touches = document.all_touches().items()
    whole = placement if document.placement is None else placement.after(document.placement)
    move = Move(centre=_vector(whole.centre), covariance=whole.covariance.tolist())
    return document.model_copy(
        update={
            "move": move,
            "touches": {name: _touched(placement.move_touch(touch)) for name, touch in touches},
            "markers": {
                name: _vector(placement.place(np.array(place)))
                for name, place in document.markers.items()
            },
        }
    )


def dimensions_taken(geometry: BicycleGeometry) -> dict[str, Taken]:
    """The dimensions as a set-up has them; one whose points coincide is left out."""
    return {
        name: Taken(
            value=round(measured.value, 3),
            unit=measured.dimension.unit,
            half_width=round(COVERING * measured.se, 3),
            how="touched",
        )
        for name, measured in geometry.measured.items()
        if np.isfinite(measured.value) and np.isfinite(measured.se)
    }


def with_measured(
    found: Mapping[str, Difference], noted: Sequence[Adjustment] = ()
) -> list[Adjustment]:
    """Adjustments that were noted, with what the pointer says of them; then those it found.

    Of several noted for one part the sum is what was changed; the pointer's value goes to the
    last of them. A change that nobody noted is added if the interval leaves out none.
    """
    last = {adjustment.part: k for k, adjustment in enumerate(noted)}
    adjusted = [
        adjustment.model_copy(update={"measured": _taken(found[ADJUSTED[adjustment.part]])})
        if ADJUSTED.get(adjustment.part) in found and last[adjustment.part] == k
        else adjustment
        for k, adjustment in enumerate(noted)
    ]
    for part, dimension in ADJUSTED.items():
        difference = found.get(dimension)
        if difference is None or part in last or not difference.sure:
            continue
        adjusted.append(
            Adjustment(
                part=part,
                amount=round(difference.value, 2),
                unit=difference.dimension.unit,
                measured=_taken(difference),
            )
        )
    return adjusted


def _taken(difference: Difference) -> Taken:
    return Taken(
        value=round(difference.value, 3),
        unit=difference.dimension.unit,
        half_width=round(difference.half_width, 3),
        how="touched",
    )


def write_touched(path: Path, document: TouchedBicycle) -> None:
    """Write a document that only its owner can read."""
    make_private_directory(path.parent)
    write_private(path, document.model_dump_json(indent=1) + "\n")


def read_touched(path: Path) -> TouchedBicycle:
    """Read a touched bicycle.

    Raises
    ------
    SetUpError
        If the file holds none.
    """
    return _read(path, TouchedBicycle, "a bicycle written by livefit touch")


def read_set_up(path: Path) -> SetUp:
    """Read a set-up, or the one in a touched bicycle.

    Raises
    ------
    SetUpError
        If the file holds none.
    """
    try:
        return read_touched(path).set_up
    except SetUpError:
        return _read(path, SetUp, "a set-up, or a bicycle written by livefit touch")


def _read(path: Path, kind: type[_Kind], what: str) -> _Kind:
    try:
        return kind.model_validate_json(path.read_text("utf-8"))
    except FileNotFoundError:
        raise SetUpError(f"expected {what} at {path}, found no such file") from None
    except (ValidationError, UnicodeDecodeError) as error:
        first = str(error).splitlines()[1:3]
        raise SetUpError(f"{path}: expected {what}, found: {' '.join(first).strip()}") from error
