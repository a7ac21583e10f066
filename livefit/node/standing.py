"""A measured bicycle under the rider: where it stands, and whether the feet agree with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from livefit.bicycle.axes import up_vector
from livefit.frames import FloatArray, Up
from livefit.kernel.crank import BikeFrame, KnownAxis

MOST_POINTS = 100
MOST_PLACE_MM = 1e5
AXIS_SE_MM = 0.3
"""Of a touched crank axis, where the sender does not say: two careful touches, one on each side
(an estimate, no source)."""
MOVED_MM = 4.0
"""The feet's crank axis lies as near to the touched one, unless the bicycle was moved; twice what
a foot that turns little leaves open is allowed on top."""
TURNED_DEG = 1.5
CRANK_MM = 1.0
"""By so much a crank's length may differ between pointer and feet beyond both intervals: play of
cleat and shoe (common practice, no source)."""
_COVERING = 1.96
_NEAR_MM = 0.5


@dataclass(frozen=True)
class MeasuredBicycle:
    """What a pointer told of a bicycle.

    Attributes
    ----------
    points
        (3,) mm in the bicycle's own axes (X forward, Y up, Z right, from the crank axis).
    rotation, origin
        (3, 3) and (3,) mm: capture axes -> own axes, and the crank axis, when it was touched;
        None: not known.
    seat_tube_deg
        Angle of the seat tube from the level of these axes.
    crank
        Length and standard error, mm.
    axis_se
        Standard error of the crank axis along each axis, mm.
    """

    points: Mapping[str, FloatArray]
    rotation: FloatArray | None
    origin: FloatArray | None
    seat_tube_deg: float | None
    crank: tuple[float, float] | None
    axis_se: float = AXIS_SE_MM

    @property
    def axis(self) -> KnownAxis | None:
        """The crank axis in capture axes."""
        if self.origin is None:
            return None
        x, y, z = self.origin.tolist()
        return KnownAxis((x, y, z), self.axis_se)

    def standing_seat_tube(self, up: Up) -> float | None:
        """Seat-tube angle from the level of the capture volume: nose-up makes it flatter."""
        if self.seat_tube_deg is None or self.rotation is None:
            return self.seat_tube_deg
        rise = float(np.clip(self.rotation[0] @ up_vector(up), -1.0, 1.0))
        return self.seat_tube_deg - float(np.degrees(np.arcsin(rise)))


@dataclass(frozen=True)
class Placed:
    """A bicycle's points (3,) mm in the axes that the rider is shown in."""

    points: Mapping[str, FloatArray]

    def near(self, other: Placed) -> bool:
        """Whether nobody would see the difference."""
        return self.points.keys() == other.points.keys() and all(
            np.linalg.norm(place - other.points[name]) < _NEAR_MM
            for name, place in self.points.items()
        )


def place_bicycle(bicycle: MeasuredBicycle, bike: BikeFrame | None) -> Placed:
    """Where the bicycle's points are drawn.

    Where it was touched, as long as the feet turn about the same axis; else, moved or not found
    yet, with its crank axis in the origin.
    """
    rotation, origin = bicycle.rotation, bicycle.origin
    if bike is None or rotation is None or origin is None or _moved(bicycle, bike):
        return Placed(bicycle.points)
    return Placed(
        {name: bike.to_bike(rotation.T @ place + origin) for name, place in bicycle.points.items()}
    )


def _apart(bicycle: MeasuredBicycle, bike: BikeFrame) -> tuple[float, float, float, float]:
    """Touched axis forward and up of the feet's (mm), heading (deg), and what is allowed (mm)."""
    if bicycle.origin is None or bicycle.rotation is None:
        return 0.0, 0.0, 0.0, np.inf
    forward, up, _ = bike.to_bike(bicycle.origin).tolist()
    ahead = bike.rotation @ bicycle.rotation[0]
    unsure = max((max(crank.spindle_se) for crank in bike.cranks.values()), default=0.0)
    allowed = MOVED_MM + 2 * float(np.hypot(unsure, bicycle.axis_se))
    return forward, up, float(np.degrees(np.arctan2(ahead[2], ahead[0]))), allowed


def _moved(bicycle: MeasuredBicycle, bike: BikeFrame) -> bool:
    forward, up, heading, allowed = _apart(bicycle, bike)
    return bool(np.hypot(forward, up) > allowed or abs(heading) > TURNED_DEG)


def bicycle_warnings(bicycle: MeasuredBicycle, bike: BikeFrame) -> list[str]:
    """Where the feet and the pointer disagree, in words."""
    told = []
    if _moved(bicycle, bike):
        forward, up, heading, _ = _apart(bicycle, bike)
        told.append(
            f"the touched crank axis lies {forward:.0f} mm forward and {up:.0f} mm up of where the "
            f"feet turn, the bicycle points {heading:.1f} deg aside: if it was moved, find it "
            "again (livefit touch --again); if not, touch the crank axis again"
        )
    if bicycle.crank is None:
        return told
    length, se = bicycle.crank
    for side, crank in sorted(bike.cranks.items()):
        off = crank.length - length
        if abs(off) > _COVERING * float(np.hypot(se, crank.length_se)) + CRANK_MM:
            which = "left" if side == "L" else "right"
            told.append(
                f"the {which} foot turns on a crank of {crank.length:.1f} mm, the pointer measured "
                f"{length:.1f} mm: look for a loose cleat or a slipping heel marker, or touch the "
                "pedal axles again"
            )
    return told


def read_bicycle(args: Mapping[str, Any]) -> MeasuredBicycle:
    """Read the arguments of the request ``bicycle``.

    Raises
    ------
    ValueError
        For what is not understood; the text says what is expected.
    """
    points = args.get("points")
    if not isinstance(points, dict) or not 0 < len(points) <= MOST_POINTS:
        raise ValueError(f"points must be a map of 1 to {MOST_POINTS} places, got {points!r:.60}")
    rotation, origin = _numbers(args, "rotation", 9), _numbers(args, "origin", 3)
    if (rotation is None) != (origin is None):
        raise ValueError("rotation and origin belong together: give both or none")
    matrix = None if rotation is None else rotation.reshape(3, 3)
    if matrix is not None and not (
        np.allclose(matrix @ matrix.T, np.eye(3), atol=1e-3) and np.linalg.det(matrix) > 0
    ):
        raise ValueError("rotation must turn right-handed axes into such: three unit rows, square")
    crank, crank_se = _size(args, "crank_mm"), _size(args, "crank_se_mm")
    axis_se = _size(args, "axis_se_mm")
    return MeasuredBicycle(
        points={str(name): _place(name, place) for name, place in points.items()},
        rotation=matrix,
        origin=origin,
        seat_tube_deg=_size(args, "seat_tube_deg"),
        crank=None if crank is None else (crank, crank_se or 0.0),
        axis_se=AXIS_SE_MM if axis_se is None else axis_se,
    )


def _place(name: object, place: object) -> FloatArray:
    found = _finite_list(place, 3)
    if not isinstance(name, str) or found is None:
        raise ValueError(f"a place must be three numbers in mm, got {place!r:.60} for {name!r:.60}")
    return found


def _numbers(args: Mapping[str, Any], name: str, count: int) -> FloatArray | None:
    value = args.get(name)
    if value is None:
        return None
    found = _finite_list(value, count)
    if found is None:
        raise ValueError(f"{name} must be {count} numbers, got {value!r:.60}")
    return found


def _finite_list(value: object, count: int) -> FloatArray | None:
    if not isinstance(value, list) or len(value) != count:
        return None
    if not all(isinstance(x, int | float) and not isinstance(x, bool) for x in value):
        return None
    found = np.array(value, dtype=np.float64)
    return found if (np.abs(found) <= MOST_PLACE_MM).all() else None


def _size(args: Mapping[str, Any], name: str) -> float | None:
    value = args.get(name)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e4:
        raise ValueError(f"{name} must be a number from 0 up, or nil, got {value!r:.60}")
    return float(value)
