"""The dimensions of a bicycle: each one's name, its definition in a sentence, its formula."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from livefit.bicycle.axes import middle
from livefit.frames import FloatArray

Points = Mapping[str, FloatArray]
"""Name -> (..., 3) mm in bike axes."""


@dataclass(frozen=True)
class Dimension:
    """One dimension.

    Attributes
    ----------
    name, title
        For programs and for people.
    unit
        ``mm`` or ``deg``.
    sentence
        What it is.
    needs
        The points and pairs that its formula takes, by name.
    formula
        Points in bike axes -> values (...), mm or rad.
    """

    name: str
    title: str
    unit: Literal["mm", "deg"]
    sentence: str
    needs: tuple[str, ...]
    formula: Callable[[Points], FloatArray]


def _along_seat_tube(p: Points) -> FloatArray:
    tube = middle(p, "seat_tube")[..., :2]
    nose, rear = p["saddle_nose"][..., :2], p["saddle_rear"][..., :2]
    top = nose - rear
    height = np.linalg.norm(tube, axis=-1) * _area(rear, top) / _area(tube, top)
    return np.asarray(height)


def _area(a: FloatArray, b: FloatArray) -> FloatArray:
    area: FloatArray = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return area


def _saddle_top(p: Points) -> FloatArray:
    """Where the seat tube's line meets the saddle's, (..., 2)."""
    tube = middle(p, "seat_tube")[..., :2]
    unit = tube / np.linalg.norm(tube, axis=-1, keepdims=True)
    return np.asarray(_along_seat_tube(p)[..., None] * unit)


def _crank(p: Points) -> FloatArray:
    axis = middle(p, "crank_axis")[..., :2]
    sides = [np.linalg.norm(p[f"pedal_{side}"][..., :2] - axis, axis=-1) for side in _SIDES]
    return np.asarray((sides[0] + sides[1]) / 2)


_SIDES = ("left", "right")


def _slope(v: FloatArray, forward: float) -> FloatArray:
    """rad: a line's angle from the level, seen from the side, its `forward` way counted as 0."""
    slope: FloatArray = np.arctan2(v[..., 1], forward * v[..., 0])
    return slope


def _head(p: Points) -> FloatArray:
    """From the head tube's bottom to its top."""
    head: FloatArray = middle(p, "head_top") - middle(p, "head_bottom")
    return head


def _fork(p: Points) -> tuple[FloatArray, FloatArray]:
    """Front axle from the head tube's bottom: down the steering axis, and forward of it."""
    head, axle = _head(p)[..., :2], (middle(p, "front_axle") - middle(p, "head_bottom"))[..., :2]
    size = np.linalg.norm(head, axis=-1)
    return -(head * axle).sum(axis=-1) / size, -_area(head, axle) / size


def _axle_line(p: Points) -> FloatArray:
    line: FloatArray = (middle(p, "front_axle") - middle(p, "rear_axle"))[..., :2]
    return line


def _drop(p: Points) -> FloatArray:
    line, axis = _axle_line(p), (middle(p, "crank_axis") - middle(p, "rear_axle"))[..., :2]
    return np.asarray(-_area(line, axis) / np.linalg.norm(line, axis=-1))


def _length(v: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.norm(v, axis=-1))


_SADDLE = ("seat_tube", "saddle_nose", "saddle_rear")
_HEAD = ("head_top", "head_bottom")
_AXLES = ("rear_axle", "front_axle")

DIMENSIONS: tuple[Dimension, ...] = (
    Dimension(
        "saddle_height", "Saddle height", "mm",
        "From the crank axis along the seat tube's line to the straight line that joins the "
        "saddle's nose and rear, seen from the side.",
        _SADDLE, _along_seat_tube,
    ),
    Dimension(
        "saddle_height_spindle", "Saddle height from the pedal", "mm",
        "Saddle height plus crank length: from the pedal's axle with the crank in line with the "
        "seat tube.",
        (*_SADDLE, "pedal"), lambda p: _along_seat_tube(p) + _crank(p),
    ),
    Dimension(
        "saddle_setback", "Saddle setback", "mm",
        "How far the saddle's nose is behind the crank axis, along the level.",
        ("saddle_nose",), lambda p: -p["saddle_nose"][..., 0],
    ),
    Dimension(
        "saddle_tilt", "Saddle tilt", "deg",
        "Angle of the line from the saddle's rear to its nose from the level, nose up positive.",
        ("saddle_nose", "saddle_rear"), lambda p: _slope(p["saddle_nose"] - p["saddle_rear"], 1.0),
    ),
    Dimension(
        "saddle_to_bar_reach", "Saddle to bar, reach", "mm",
        "From the saddle's nose forward along the level to the middle of the bar beside the stem.",
        ("saddle_nose", "bar_top"),
        lambda p: middle(p, "bar_top")[..., 0] - p["saddle_nose"][..., 0],
    ),
    Dimension(
        "saddle_to_bar_drop", "Saddle to bar, drop", "mm",
        "How far the top of the bar beside the stem is below the point where the seat tube's line "
        "meets the saddle.",
        (*_SADDLE, "bar_top"), lambda p: _saddle_top(p)[..., 1] - middle(p, "bar_top")[..., 1],
    ),
    Dimension(
        "stack", "Stack", "mm",
        "Height of the middle of the head tube's top above the crank axis, square to the level.",
        ("head_top",), lambda p: middle(p, "head_top")[..., 1],
    ),
    Dimension(
        "reach", "Reach", "mm",
        "How far the middle of the head tube's top is before the crank axis, along the level.",
        ("head_top",), lambda p: middle(p, "head_top")[..., 0],
    ),
    Dimension(
        "bar_forward", "Bar, forward", "mm",
        "How far the top of the bar beside the stem is before the crank axis, along the level.",
        ("bar_top",), lambda p: middle(p, "bar_top")[..., 0],
    ),
    Dimension(
        "bar_up", "Bar, up", "mm",
        "Height of the top of the bar beside the stem above the crank axis, square to the level.",
        ("bar_top",), lambda p: middle(p, "bar_top")[..., 1],
    ),
    Dimension(
        "bar_width", "Bar width", "mm",
        "Distance between the highest points of the brake hoods, on a flat bar between the middles "
        "of the grips.",
        ("hood",), lambda p: _length(p["hood_right"] - p["hood_left"]),
    ),
    Dimension(
        "bar_end_width", "Bar width at its ends", "mm",
        "Distance between the middles of the bar's two ends.",
        ("bar_end",), lambda p: _length(p["bar_end_right"] - p["bar_end_left"]),
    ),
    Dimension(
        "hood_forward", "Hoods, forward", "mm",
        "How far the middle between the brake hoods is before the crank axis, along the level.",
        ("hood",), lambda p: middle(p, "hood")[..., 0],
    ),
    Dimension(
        "hood_up", "Hoods, up", "mm",
        "Height of the middle between the brake hoods above the crank axis, square to the level.",
        ("hood",), lambda p: middle(p, "hood")[..., 1],
    ),
    Dimension(
        "seat_tube_angle", "Seat-tube angle", "deg",
        "Angle between the level toward the rear and the line from the crank axis to the middle of "
        "the seat tube's top, seen from the side.",
        ("seat_tube",), lambda p: _slope(middle(p, "seat_tube"), -1.0),
    ),
    Dimension(
        "head_tube_angle", "Head-tube angle", "deg",
        "Angle between the level toward the rear and the line from the middle of the head tube's "
        "bottom to that of its top, seen from the side.",
        _HEAD, lambda p: _slope(_head(p), -1.0),
    ),
    Dimension(
        "head_tube_length", "Head-tube length", "mm",
        "Distance between the middles of the head tube's bottom and top.",
        _HEAD, lambda p: _length(_head(p)),
    ),
    Dimension(
        "fork_length", "Fork length", "mm",
        "From the head tube's bottom along the steering axis to the foot of the square from the "
        "front axle.",
        (*_HEAD, "front_axle"), lambda p: _fork(p)[0],
    ),
    Dimension(
        "fork_offset", "Fork offset", "mm",
        "Distance of the front axle from the steering axis, forward positive.",
        (*_HEAD, "front_axle"), lambda p: _fork(p)[1],
    ),
    Dimension(
        "crank_length", "Crank length", "mm",
        "Distance of the pedal's axle from the crank axis, seen from the side, mean of both sides.",
        ("crank_axis", "pedal"), _crank,
    ),
    Dimension(
        "pedal_spacing", "Pedal spacing", "mm",
        "Distance across the bicycle between the places where the pedals' axles leave the cranks.",
        ("pedal",), lambda p: p["pedal_right"][..., 2] - p["pedal_left"][..., 2],
    ),
    Dimension(
        "wheelbase", "Wheelbase", "mm",
        "Distance between the middles of the two axles, seen from the side.",
        _AXLES, lambda p: _length(_axle_line(p)),
    ),
    Dimension(
        "chainstay_length", "Chainstay length", "mm",
        "Distance of the middle of the rear axle from the crank axis, seen from the side.",
        ("rear_axle", "crank_axis"),
        lambda p: _length((middle(p, "rear_axle") - middle(p, "crank_axis"))[..., :2]),
    ),
    Dimension(
        "bottom_bracket_drop", "Bottom-bracket drop", "mm",
        "Distance of the crank axis from the line of the axles, seen from the side, below it "
        "positive.",
        (*_AXLES, "crank_axis"), _drop,
    ),
)  # fmt: skip
"""In the order in which they are shown."""
