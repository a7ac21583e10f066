"""A bicycle of known dimensions that stands somewhere, upright or not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from math import atan2, cos, degrees, hypot, radians, sin, sqrt

import numpy as np

from livefit.frames import FloatArray


@dataclass(frozen=True)
class Design:
    """A bicycle by the numbers of its drawing; mm and deg.

    Heights and lengths are counted from the crank axis; both wheels are of one size. The saddle
    meets the seat tube's line `nose_ahead_mm` behind its nose.
    """

    stack_mm: float = 560.0
    reach_mm: float = 385.0
    head_tube_deg: float = 73.0
    head_tube_mm: float = 150.0
    fork_offset_mm: float = 45.0
    chainstay_mm: float = 410.0
    drop_mm: float = 70.0
    seat_tube_deg: float = 73.5
    seat_tube_mm: float = 520.0
    saddle_height_mm: float = 720.0
    saddle_tilt_deg: float = -1.0
    saddle_mm: float = 270.0
    nose_ahead_mm: float = 150.0
    bar_forward_mm: float = 100.0
    bar_up_mm: float = 35.0
    hood_forward_mm: float = 85.0
    hood_up_mm: float = 15.0
    hood_width_mm: float = 400.0
    bar_width_mm: float = 420.0
    crank_mm: float = 172.5
    crank_deg: float = 90.0
    pedal_spacing_mm: float = 148.0
    wide_behind_mm: float = 140.0
    """From the nose along the saddle's line to where the saddle has its stated width."""
    wide_above_mm: float = 2.0
    """Of the saddle's top there, square to that line."""
    drops_forward_mm: float = 85.0
    drops_down_mm: float = 70.0
    """From the top of the bar, as what follows of a time-trial bar's pads."""
    pad_forward_mm: float = -20.0
    pad_up_mm: float = 65.0
    pad_width_mm: float = 190.0
    extension_forward_mm: float = 300.0
    extension_up_mm: float = 30.0
    """From the pads."""
    bar_mm: float = 31.8
    """How thick it is beside the stem."""
    stem_up_mm: float = 27.0
    """Along the steering axis from the head tube's top to the middle of the stem's clamp."""
    tyre_mm: float = 336.0
    """Radius of both wheels over the tyres."""

    @property
    def fork_mm(self) -> float:
        """Head tube's bottom to the front axle along the steering axis.

        It brings the front axle to the height of the rear one.
        """
        head = radians(self.head_tube_deg)
        above = self.stack_mm - self.drop_mm + self.fork_offset_mm * cos(head)
        return above / sin(head) - self.head_tube_mm

    def dimensions(self) -> dict[str, float]:
        """The true dimensions, mm and deg, by plane trigonometry from the drawing."""
        seat, head = radians(self.seat_tube_deg), radians(self.head_tube_deg)
        tilt = radians(self.saddle_tilt_deg)
        setback = self.saddle_height_mm * cos(seat) - self.nose_ahead_mm * cos(tilt)
        bar_up = self.stack_mm + self.bar_up_mm
        before = self.nose_ahead_mm - self.wide_behind_mm
        reach = self.reach_mm + self.bar_forward_mm + setback
        drop = self.saddle_height_mm * sin(seat) - bar_up
        centre_up = self.bar_up_mm - self.bar_mm / 2
        out = self.bar_forward_mm * sin(head) + centre_up * cos(head)
        up = centre_up * sin(head) - self.bar_forward_mm * cos(head) - self.stem_up_mm
        front = (
            self.reach_mm
            + (self.head_tube_mm + self.fork_mm) * cos(head)
            + self.fork_offset_mm * sin(head)
        )
        return {
            "saddle_height": self.saddle_height_mm,
            "saddle_height_spindle": self.saddle_height_mm + self.crank_mm,
            "saddle_setback": setback,
            "saddle_tilt": self.saddle_tilt_deg,
            "saddle_wide_height": self.saddle_height_mm
            - before * cos(seat + tilt)
            + self.wide_above_mm * sin(seat + tilt),
            "saddle_wide_setback": setback
            + self.wide_behind_mm * cos(tilt)
            + self.wide_above_mm * sin(tilt),
            "saddle_to_bar_reach": reach,
            "saddle_to_bar_drop": drop,
            "saddle_wide_to_bar_drop": drop + before * sin(tilt) + self.wide_above_mm * cos(tilt),
            "saddle_to_drops_reach": reach + self.drops_forward_mm,
            "saddle_to_drops_drop": drop + self.drops_down_mm,
            "saddle_to_pads_reach": reach + self.pad_forward_mm,
            "saddle_to_pads_drop": drop - self.pad_up_mm,
            "pad_width": self.pad_width_mm,
            "extension_reach": self.extension_forward_mm,
            "extension_rise": self.extension_up_mm,
            "stack": self.stack_mm,
            "reach": self.reach_mm,
            "bar_forward": self.reach_mm + self.bar_forward_mm,
            "bar_up": bar_up,
            "bar_width": self.hood_width_mm,
            "bar_end_width": self.bar_width_mm,
            "hood_forward": self.reach_mm + self.bar_forward_mm + self.hood_forward_mm,
            "hood_up": bar_up + self.hood_up_mm,
            "stem_length": hypot(out, up),
            "stem_angle": degrees(atan2(up, out)),
            "seat_tube_angle": self.seat_tube_deg,
            "head_tube_angle": self.head_tube_deg,
            "head_tube_length": self.head_tube_mm,
            "fork_length": self.fork_mm,
            "fork_offset": self.fork_offset_mm,
            "crank_length": self.crank_mm,
            "pedal_spacing": self.pedal_spacing_mm,
            "wheelbase": sqrt(self.chainstay_mm**2 - self.drop_mm**2) + front,
            "chainstay_length": self.chainstay_mm,
            "bottom_bracket_drop": self.drop_mm,
            "bottom_bracket_height": self.tyre_mm - self.drop_mm,
        }

    def points(self) -> dict[str, FloatArray]:
        """The points (3,) mm that a pointer touches: forward, up, to the rider's right."""
        seat, head = radians(self.seat_tube_deg), radians(self.head_tube_deg)
        tilt, crank = radians(self.saddle_tilt_deg), radians(self.crank_deg)
        rear = -sqrt(self.chainstay_mm**2 - self.drop_mm**2)
        meets = -self.saddle_height_mm * cos(seat), self.saddle_height_mm * sin(seat)
        behind = self.saddle_mm - self.nose_ahead_mm
        before = self.nose_ahead_mm - self.wide_behind_mm
        bar = self.reach_mm + self.bar_forward_mm, self.stack_mm + self.bar_up_mm
        found: dict[str, FloatArray] = {
            "saddle_nose": np.array(
                [
                    meets[0] + self.nose_ahead_mm * cos(tilt),
                    meets[1] + self.nose_ahead_mm * sin(tilt),
                    0.0,
                ]
            ),
            "saddle_rear": np.array(
                [meets[0] - behind * cos(tilt), meets[1] - behind * sin(tilt), 0.0]
            ),
            "saddle_wide": np.array(
                [
                    meets[0] + before * cos(tilt) - self.wide_above_mm * sin(tilt),
                    meets[1] + before * sin(tilt) + self.wide_above_mm * cos(tilt),
                    0.0,
                ]
            ),
        }
        pad = bar[0] + self.pad_forward_mm, bar[1] + self.pad_up_mm
        bottom = (
            self.reach_mm + self.head_tube_mm * cos(head),
            self.stack_mm - self.head_tube_mm * sin(head),
        )
        places = {
            "rear_axle": (rear, self.drop_mm, 68.0),
            "front_axle": (rear + self.dimensions()["wheelbase"], self.drop_mm, 52.0),
            "crank_axis": (0.0, 0.0, 66.0),
            "seat_tube": (-self.seat_tube_mm * cos(seat), self.seat_tube_mm * sin(seat), 15.0),
            "head_top": (self.reach_mm, self.stack_mm, 20.0),
            "head_bottom": (*bottom, 24.0),
            "bar_top": (*bar, 30.0),
            "hood": (
                bar[0] + self.hood_forward_mm,
                bar[1] + self.hood_up_mm,
                self.hood_width_mm / 2,
            ),
            "bar_end": (bar[0] + 5.0, bar[1] - 125.0, self.bar_width_mm / 2),
            "bar_front": (bar[0] + self.bar_mm / 2, bar[1] - self.bar_mm / 2, 30.0),
            "drops": (
                bar[0] + self.drops_forward_mm,
                bar[1] - self.drops_down_mm,
                self.hood_width_mm / 2 + 5.0,
            ),
            "pad": (*pad, self.pad_width_mm / 2),
            "extension": (
                pad[0] + self.extension_forward_mm,
                pad[1] + self.extension_up_mm,
                55.0,
            ),
            "stem_top": (*self._on_steerer(self.stem_up_mm + 20.0), 18.0),
            "stem_bottom": (*self._on_steerer(self.stem_up_mm - 20.0), 18.0),
        }
        for pair, (forward, upward, outward) in places.items():
            found[f"{pair}_left"] = np.array([forward, upward, -outward])
            found[f"{pair}_right"] = np.array([forward, upward, outward])
        pedal = self.crank_mm * np.array([sin(crank), cos(crank)])
        found["pedal_right"] = np.array([*pedal, self.pedal_spacing_mm / 2])
        found["pedal_left"] = np.array([*-pedal, -self.pedal_spacing_mm / 2])
        for end, ahead_deg in (("rear", 12.0), ("front", -8.0)):
            aside = radians(ahead_deg)
            axle = found[f"{end}_axle_left"] * [1.0, 1.0, 0.0]
            found[f"tyre_{end}"] = axle + self.tyre_mm * np.array([sin(aside), -cos(aside), 0.0])
        return found

    def _on_steerer(self, up_mm: float) -> tuple[float, float]:
        """So far above the head tube's top along the steering axis: forward, up."""
        head = radians(self.head_tube_deg)
        return self.reach_mm - up_mm * cos(head), self.stack_mm + up_mm * sin(head)


_RANGES: Mapping[str, tuple[float, float]] = {
    "stack_mm": (520, 620), "reach_mm": (365, 420), "head_tube_deg": (69, 74.5),
    "head_tube_mm": (110, 200), "fork_offset_mm": (38, 55), "chainstay_mm": (405, 445),
    "drop_mm": (60, 80), "seat_tube_deg": (72, 76.5), "seat_tube_mm": (440, 560),
    "saddle_height_mm": (640, 800), "saddle_tilt_deg": (-8, 2), "saddle_mm": (240, 285),
    "nose_ahead_mm": (125, 160), "bar_forward_mm": (70, 125), "bar_up_mm": (10, 70),
    "hood_forward_mm": (70, 95), "hood_up_mm": (0, 40), "hood_width_mm": (340, 440),
    "bar_width_mm": (370, 470), "crank_mm": (160, 180), "crank_deg": (70, 110),
    "pedal_spacing_mm": (140, 180), "wide_behind_mm": (110, 165), "wide_above_mm": (-5, 6),
    "drops_forward_mm": (70, 95), "drops_down_mm": (60, 90), "pad_forward_mm": (-40, 40),
    "pad_up_mm": (40, 90), "pad_width_mm": (150, 250), "extension_forward_mm": (230, 330),
    "extension_up_mm": (-20, 60), "bar_mm": (25.4, 35), "stem_up_mm": (24, 45),
    "tyre_mm": (310, 355),
}  # fmt: skip


def random_design(random: np.random.Generator) -> Design:
    """A bicycle for grown-ups, every number by chance."""
    chosen = {name: float(random.uniform(*limits)) for name, limits in _RANGES.items()}
    return Design(**{field.name: chosen[field.name] for field in fields(Design)})


@dataclass(frozen=True)
class Stand:
    """How a bicycle stands in a capture volume whose z points up.

    Attributes
    ----------
    lean_deg
        To the rider's right.
    nose_up_deg
        Front axle higher than the rear one.
    heading_deg
        Counter-clockwise seen from above.
    place_mm
        The crank axis in the mid-plane.
    steered_deg
        Bar and front wheel turned to the left about the steering axis; only the bar's points
        follow.
    """

    lean_deg: float = 0.0
    nose_up_deg: float = 0.0
    heading_deg: float = 0.0
    place_mm: tuple[float, float, float] = (0.0, 0.0, 300.0)
    steered_deg: float = 0.0

    def place(self, design: Design) -> dict[str, FloatArray]:
        """The bicycle's points (3,) mm in capture axes."""
        inside = design.points()
        if self.steered_deg:
            inside = _steered(inside, self.steered_deg)
        matrix = self.rotation()
        return {name: matrix @ point + self.place_mm for name, point in inside.items()}

    def rotation(self) -> FloatArray:
        """(3, 3): bike axes -> capture axes: leaned about forward, raised, then turned."""
        lean, nose, heading = map(radians, (self.lean_deg, self.nose_up_deg, self.heading_deg))
        level = np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]])
        leaned = [[1, 0, 0], [0, cos(lean), -sin(lean)], [0, sin(lean), cos(lean)]]
        raised = [[cos(nose), 0, -sin(nose)], [0, 1, 0], [sin(nose), 0, cos(nose)]]
        turned = [[cos(heading), -sin(heading), 0], [sin(heading), cos(heading), 0], [0, 0, 1]]
        matrix: FloatArray = np.array(turned) @ np.array(raised) @ np.array(leaned) @ level
        return matrix


_STEERED = ("bar_", "hood_", "drops_", "pad_", "extension_", "stem_")


def _steered(inside: Mapping[str, FloatArray], degrees: float) -> dict[str, FloatArray]:
    """The bar's points turned about the steering axis, by Rodrigues' formula."""
    top = (inside["head_top_left"] + inside["head_top_right"]) / 2
    bottom = (inside["head_bottom_left"] + inside["head_bottom_right"]) / 2
    axis = (top - bottom) / hypot(*(top - bottom))
    angle = radians(degrees)
    turned = dict(inside)
    for name in inside:
        if name.startswith(_STEERED):
            arm = inside[name] - bottom
            turned[name] = (
                bottom
                + arm * cos(angle)
                + np.cross(axis, arm) * sin(angle)
                + axis * (axis @ arm) * (1 - cos(angle))
            )
    return turned
