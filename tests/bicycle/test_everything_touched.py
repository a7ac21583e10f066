"""What is touched with everything alone: wide part of the saddle, drops, pads, stem and tyres."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import cos, radians, sin
from pathlib import Path

import numpy as np
import pytest

from livefit.bicycle.geometry import BicycleGeometry, measure_bicycle
from livefit.bicycle.twins import with_twins
from livefit.definitions import load_definitions
from livefit.frames import FloatArray
from simulators.standing_bicycle import Design, Stand
from tests.bicycle.bicycle_examples import (
    EVERY,
    EXACT,
    NAMES,
    POINTS,
    calibrated,
    exact_touches,
    measured_by_pointer,
)

STAND = Stand(4.0, -2.0, 65.0)


def touched(changed: dict[str, FloatArray], axle_rise_mm: float = 0.0) -> BicycleGeometry:
    """The bicycle as drawn, with some points (3,) elsewhere in its axes, touched as it leans."""
    inside = {**Design().points(), **changed}
    turn = STAND.rotation()
    places = {name: turn @ place + STAND.place_mm for name, place in inside.items()}
    return measure_bicycle(exact_touches(places), POINTS, EXACT, axle_rise_mm=axle_rise_mm)


def pair(name: str, place: Sequence[float] | FloatArray, outward: float) -> dict[str, FloatArray]:
    """Both sides of a place: forward, up."""
    return {
        f"{name}_left": np.array([*place, -outward]),
        f"{name}_right": np.array([*place, outward]),
    }


def value(geometry: BicycleGeometry, name: str) -> float:
    return geometry.measured[name].value


@pytest.mark.parametrize("bar_mm", [25.4, 31.8, 35.0])
@pytest.mark.parametrize(("length", "angle"), [(110.0, -17.0), (90.0, 6.0), (60.0, 35.0)])
def test_a_stem_has_its_length_and_angle_on_a_bar_of_any_thickness(
    bar_mm: float, length: float, angle: float
) -> None:
    """By trigonometry: up the steering axis to the clamp's middle, then out along the stem."""
    design = Design()
    head = radians(design.head_tube_deg)
    steerer = np.array([-cos(head), sin(head)])
    top = np.array([design.reach_mm, design.stack_mm])
    clamp = top + 42.0 * steerer
    rise = radians(90.0 - design.head_tube_deg + angle)
    bar = clamp + length * np.array([cos(rise), sin(rise)])
    geometry = touched(
        pair("stem_bottom", clamp - 21.0 * steerer, 17.0)
        | pair("stem_top", clamp + 21.0 * steerer, 17.0)
        | pair("bar_top", (bar[0], bar[1] + bar_mm / 2), 28.0)
        | pair("bar_front", (bar[0] + bar_mm / 2, bar[1]), 28.0)
    )
    assert value(geometry, "stem_length") == pytest.approx(length, abs=1e-6)
    assert value(geometry, "stem_angle") == pytest.approx(angle, abs=1e-6)


@pytest.mark.parametrize(("rear", "front"), [(336.0, 336.0), (340.0, 306.0), (290.0, 345.0)])
@pytest.mark.parametrize("aside_deg", [0.0, 25.0])
def test_the_crank_axis_is_as_high_as_on_flat_ground(
    rear: float, front: float, aside_deg: float
) -> None:
    """A bicycle drawn on the ground, its wheels of two sizes, tyres touched beside the lowest."""
    height, aside = 268.0, radians(aside_deg)
    axles = {"rear": (-410.0, rear), "front": (590.0, front)}
    changed: dict[str, FloatArray] = {}
    for end, (forward, radius) in axles.items():
        changed |= pair(f"{end}_axle", (forward, radius - height), 60.0)
        tread = [forward + radius * sin(aside), radius * (1.0 - cos(aside)) - height, 0.0]
        changed[f"tyre_{end}"] = np.array(tread)
    for axle_rise_mm in (0.0, front - rear):
        geometry = touched(changed, axle_rise_mm)
        assert value(geometry, "bottom_bracket_height") == pytest.approx(height, abs=1e-6)


def test_the_wide_part_of_the_saddle_by_its_coordinates() -> None:
    seat = radians(Design().seat_tube_deg)
    geometry = touched({"saddle_wide": np.array([-205.0, 697.0, 3.0])})
    height = 205.0 * cos(seat) + 697.0 * sin(seat)
    assert value(geometry, "saddle_wide_height") == pytest.approx(height, abs=1e-6)
    assert value(geometry, "saddle_wide_setback") == pytest.approx(205.0, abs=1e-6)
    drop = 697.0 - Design().dimensions()["bar_up"]
    assert value(geometry, "saddle_wide_to_bar_drop") == pytest.approx(drop, abs=1e-6)


def test_drops_pads_and_extensions_by_their_coordinates() -> None:
    """With a level saddle at a known height the drops count from its top."""
    design = Design(saddle_tilt_deg=0.0)
    saddle = {name: design.points()[name] for name in ("saddle_nose", "saddle_rear")}
    nose, top = saddle["saddle_nose"][0], saddle["saddle_nose"][1]
    geometry = touched(
        saddle
        | pair("drops", (566.0, 520.0), 204.0)
        | pair("pad", (470.0, 660.0), 88.0)
        | pair("extension", (765.0, 695.0), 50.0)
    )
    assert geometry.findings == ()
    wanted = {
        "saddle_to_drops_reach": 566.0 - nose, "saddle_to_drops_drop": top - 520.0,
        "saddle_to_pads_reach": 470.0 - nose, "saddle_to_pads_drop": top - 660.0,
        "pad_width": 176.0, "extension_reach": 295.0, "extension_rise": 35.0,
    }  # fmt: skip
    for name, wants in wanted.items():
        assert value(geometry, name) == pytest.approx(wants, abs=1e-6), name


def test_one_side_is_enough_here_as_well() -> None:
    """Against the drawing, the bar turned by a degree: what lies in its middle stays."""
    touches = exact_touches(Stand(3.0, 1.0, 20.0, steered_deg=1.0).place(Design()))
    lefts = [name for name in EVERY if name not in NAMES and not name.endswith("_right")]
    few = measure_bicycle({name: touches[name] for name in [*NAMES, *lefts]}, POINTS, EXACT)
    every = measure_bicycle(touches, POINTS, EXACT)
    assert set(few.measured) == set(every.measured)
    for name, place in few.points.items():
        if not name.startswith("stem_"):
            assert place == pytest.approx(every.points[name], abs=1e-6), name
    # A turned stem's edge goes round the steering axis: 18 mm by a degree, and its mirror image.
    assert few.points["stem_top_right"] == pytest.approx(every.points["stem_top_right"], abs=0.7)


def test_a_twin_goes_by_the_widest_pair_on_the_bar() -> None:
    """A bar turned by 5 deg of which a hood and the pads are known; the narrow pair was missed."""
    turn = radians(5.0)
    along = np.array([sin(turn), 0.0, cos(turn)])
    middle = np.array([480.0, 600.0, 0.0])
    known = {point.name: point for point in POINTS}
    inside = {
        "bar_top_left": middle - 30.0 * along + [2.0, 0.0, 0.0],
        "bar_top_right": middle + 30.0 * along,
        "hood_left": middle - 200.0 * along,
        "hood_right": middle + 200.0 * along,
        "pad_left": middle - 95.0 * along,
    }
    assert with_twins(inside, known)["pad_right"] == pytest.approx(middle + 95.0 * along)


def test_every_point_by_pointer_lies_within_its_honest_error() -> None:
    for seed in range(5):
        design, geometry = measured_by_pointer(seed, calibrated(seed), order=EVERY)
        assert geometry.findings == ()
        true = design.dimensions()
        assert set(geometry.measured) == set(true)
        for name, measured in geometry.measured.items():
            assert abs(measured.value - true[name]) < 4 * measured.se, (seed, name)


def test_swaps_are_noticed_though_one_side_alone_was_touched() -> None:
    every = exact_touches(STAND.place(Design()))
    lefts = [name for name in EVERY if name not in NAMES and not name.endswith("_right")]
    touches = {name: every[name] for name in [*NAMES, *lefts]}
    for one, other in combinations(touches, 2):
        if {one, other} & set(lefts):
            swapped = {**touches, one: touches[other], other: touches[one]}
            assert measure_bicycle(swapped, POINTS, EXACT).findings, (one, other)


@pytest.mark.parametrize(
    ("one", "other", "said"),
    [
        ("drops_left", "hood_left", "Brake hood, left: expected above Drops, left, found it 85 mm"),
        ("pad_right", "drops_right", "Arm pad, right: expected above Drops, right, found it 135"),
        ("stem_top_left", "stem_bottom_left", "expected above Stem on the steerer, bottom, left"),
        ("saddle_wide", "saddle_rear", "expected ahead of Saddle, rear, found it 130 mm the other"),
    ],
)
def test_what_is_the_wrong_way_round_is_named(one: str, other: str, said: str) -> None:
    touches = exact_touches(STAND.place(Design()))
    swapped = {**touches, one: touches[other], other: touches[one]}
    findings = measure_bicycle(swapped, POINTS, EXACT).findings
    named = [finding for finding in findings if finding.kind == "order"]
    assert any(said in finding.text and {one, other} == set(finding.points) for finding in named)


def test_drops_of_the_two_sides_touched_in_each_others_turn_are_both_out_of_place() -> None:
    touches = exact_touches(STAND.place(Design()))
    swapped = {
        **touches, "drops_left": touches["drops_right"], "drops_right": touches["drops_left"],
    }  # fmt: skip
    findings = measure_bicycle(swapped, POINTS, EXACT).findings
    assert {name for f in findings if f.kind == "place" for name in f.points} == {
        "drops_left", "drops_right",
    }  # fmt: skip


def test_the_saddles_width_is_the_fitters_own(tmp_path: Path) -> None:
    shipped = {point.name: point for point in POINTS}["saddle_wide"]
    assert "80 mm" in shipped.title
    assert "80 mm" in shipped.say
    (tmp_path / "touch_points.toml").write_text(
        '[saddle_wide]\ntitle = "Saddle, top where it is 70 mm wide"\nsay = "Touch it."\n'
        "placement_mm = 0.5\nforward_mm = [-400, 60]\nup_mm = [400, 1000]\n"
        "outward_mm = [-40, 40]\n"
    )
    own = {point.name: point for point in load_definitions(tmp_path).touch_points}
    assert own["saddle_wide"].title.endswith("70 mm wide")
    assert not own["saddle_wide"].extra
    assert len(own) == len(POINTS)
