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


def _wide_height(p: Points) -> FloatArray:
    tube = middle(p, "seat_tube")[..., :2]
    along: FloatArray = (p["saddle_wide"][..., :2] * tube).sum(axis=-1)
    return np.asarray(along / np.linalg.norm(tube, axis=-1))


def _stem(p: Points) -> FloatArray:
    """From the middle of the stem's clamp on the steerer to the bar's middle, (..., 2).

    The bar's middle lies below its highest point and behind its foremost one, however thick it is.
    """
    clamp = (middle(p, "stem_top") + middle(p, "stem_bottom"))[..., :2] / 2
    bar = np.stack([middle(p, "bar_top")[..., 0], middle(p, "bar_front")[..., 1]], axis=-1)
    return np.asarray(bar - clamp)


def _stem_angle(p: Points) -> FloatArray:
    stem, steerer = _stem(p), _head(p)[..., :2]
    angle: FloatArray = np.arctan2((stem * steerer).sum(axis=-1), _area(stem, steerer))
    return angle


def _above_ground(p: Points) -> FloatArray:
    """Height of the crank axis above the line that touches both tyres from below."""
    rear = middle(p, "rear_axle")[..., :2]
    line = _axle_line(p)
    behind, ahead = (
        _length(p[f"tyre_{end}"][..., :2] - middle(p, f"{end}_axle")[..., :2])
        for end in ("rear", "front")
    )
    size = _length(line)
    falls = np.arcsin((behind - ahead) / size)
    along, square = line / size[..., None], np.stack([line[..., 1], -line[..., 0]], axis=-1)
    down = np.sin(falls)[..., None] * along + (np.cos(falls) / size)[..., None] * square
    height: FloatArray = behind + (down * (rear - middle(p, "crank_axis")[..., :2])).sum(axis=-1)
    return height


_SADDLE = ("seat_tube", "saddle_nose", "saddle_rear")
_HEAD = ("head_top", "head_bottom")
_AXLES = ("rear_axle", "front_axle")
_STEM = ("stem_top", "stem_bottom", "bar_top", "bar_front")

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
        "saddle_wide_height", "Saddle height, wide part", "mm",
        "From the crank axis along the seat tube's line to the foot of the square from the middle "
        "of the saddle's top where it is 80 mm wide, or as wide as its touch says.",
        ("seat_tube", "saddle_wide"), _wide_height,
    ),
    Dimension(
        "saddle_wide_setback", "Saddle setback, wide part", "mm",
        "How far the saddle's top where it is 80 mm wide, or as wide as its touch says, is behind "
        "the crank axis, along the level.",
        ("saddle_wide",), lambda p: -p["saddle_wide"][..., 0],
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
        "saddle_wide_to_bar_drop", "Wide part to bar, drop", "mm",
        "How far the top of the bar beside the stem is below the saddle's top where it is 80 mm "
        "wide, or as wide as its touch says.",
        ("saddle_wide", "bar_top"),
        lambda p: p["saddle_wide"][..., 1] - middle(p, "bar_top")[..., 1],
    ),
    Dimension(
        "saddle_to_drops_reach", "Saddle to drops, reach", "mm",
        "From the saddle's nose forward along the level to the middle between the foremost points "
        "of the drops' bends.",
        ("saddle_nose", "drops"),
        lambda p: middle(p, "drops")[..., 0] - p["saddle_nose"][..., 0],
    ),
    Dimension(
        "saddle_to_drops_drop", "Saddle to drops, drop", "mm",
        "How far the middle between the foremost points of the drops' bends is below the point "
        "where the seat tube's line meets the saddle.",
        (*_SADDLE, "drops"), lambda p: _saddle_top(p)[..., 1] - middle(p, "drops")[..., 1],
    ),
    Dimension(
        "saddle_to_pads_reach", "Saddle to arm pads, reach", "mm",
        "From the saddle's nose forward along the level to the middle between the arm pads.",
        ("saddle_nose", "pad"), lambda p: middle(p, "pad")[..., 0] - p["saddle_nose"][..., 0],
    ),
    Dimension(
        "saddle_to_pads_drop", "Saddle to arm pads, drop", "mm",
        "How far the middle between the arm pads is below the point where the seat tube's line "
        "meets the saddle.",
        (*_SADDLE, "pad"), lambda p: _saddle_top(p)[..., 1] - middle(p, "pad")[..., 1],
    ),
    Dimension(
        "pad_width", "Arm-pad width", "mm",
        "Distance between the middles of the two arm pads.",
        ("pad",), lambda p: _length(p["pad_right"] - p["pad_left"]),
    ),
    Dimension(
        "extension_reach", "Pads to extensions, reach", "mm",
        "From the middle between the arm pads forward along the level to the middle between the "
        "ends of the extensions.",
        ("pad", "extension"),
        lambda p: middle(p, "extension")[..., 0] - middle(p, "pad")[..., 0],
    ),
    Dimension(
        "extension_rise", "Pads to extensions, rise", "mm",
        "How far the middle between the ends of the extensions is above that between the arm pads.",
        ("pad", "extension"),
        lambda p: middle(p, "extension")[..., 1] - middle(p, "pad")[..., 1],
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
        "stem_length", "Stem length", "mm",
        "From the middle of the stem's clamp on the steerer to the middle of the bar, which lies "
        "below the bar's highest point and behind its foremost one, seen from the side.",
        _STEM, lambda p: _length(_stem(p)),
    ),
    Dimension(
        "stem_angle", "Stem angle", "deg",
        "Angle of the line from the middle of the stem's clamp to the middle of the bar from "
        "square to the head tube's line, upward positive.",
        (*_STEM, *_HEAD), _stem_angle,
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
    Dimension(
        "bottom_bracket_height", "Bottom-bracket height", "mm",
        "Height of the crank axis above the straight line that touches both tyres from below, seen "
        "from the side: the ground under tyres that do not give.",
        (*_AXLES, "crank_axis", "tyre_rear", "tyre_front"), _above_ground,
    ),
)  # fmt: skip
"""In the order in which they are shown."""
