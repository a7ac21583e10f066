"""A bicycle's dimensions against its drawing, against trigonometry and against measured ones."""

from __future__ import annotations

import csv
from dataclasses import replace
from math import cos, radians, sin, sqrt
from pathlib import Path

import numpy as np
import pytest

from livefit.bicycle.axes import GeometryError, find_axes
from livefit.bicycle.dimensions import DIMENSIONS
from livefit.bicycle.geometry import BicycleGeometry, measure_bicycle
from livefit.bicycle.touching import Touch
from livefit.bicycle.twins import twin_of
from livefit.frames import FloatArray
from simulators.standing_bicycle import Design, Stand
from tests.bicycle.bicycle_examples import (
    EXACT,
    NAMES,
    POINTS,
    exact_touches,
    simulated_bicycle,
)

EXTRA = {
    "bar_end_width", "saddle_wide_height", "saddle_wide_setback", "saddle_wide_to_bar_drop",
    "saddle_to_drops_reach", "saddle_to_drops_drop", "saddle_to_pads_reach", "saddle_to_pads_drop",
    "pad_width", "extension_reach", "extension_rise", "stem_length", "stem_angle",
    "bottom_bracket_height",
}  # fmt: skip
"""Dimensions of the points that are asked for with everything alone."""
MEASURED = Path(__file__).parents[1] / "data" / "bicycles" / "measured.csv"


def values(geometry: BicycleGeometry) -> dict[str, float]:
    return {name: measured.value for name, measured in geometry.measured.items()}


@pytest.mark.parametrize("seed", range(10))
def test_exact_touches_give_the_drawing_however_the_bicycle_stands(seed: int) -> None:
    """The simulator computes its dimensions by plane trigonometry from the drawing."""
    design, stand = simulated_bicycle(seed)
    geometry = measure_bicycle(exact_touches(stand.place(design)), POINTS, EXACT)
    assert values(geometry) == pytest.approx(design.dimensions(), abs=1e-6)
    assert geometry.findings == ()
    lean = np.degrees(np.arcsin(sin(radians(stand.lean_deg)) * cos(radians(stand.nose_up_deg))))
    assert geometry.stance.lean_deg == pytest.approx(lean)
    assert geometry.stance.nose_up_deg == pytest.approx(stand.nose_up_deg)
    assert geometry.stance.heading_deg == pytest.approx(stand.heading_deg)
    assert geometry.axes.rotation == pytest.approx(stand.rotation().T, abs=1e-9)
    assert geometry.axes.origin == pytest.approx(stand.place_mm, abs=1e-6)


def test_every_dimension_is_defined_in_one_sentence_and_computed() -> None:
    assert [dimension.name for dimension in DIMENSIONS] == list(Design().dimensions())
    for dimension in DIMENSIONS:
        assert dimension.sentence.endswith(".")
        assert dimension.sentence.count(". ") == 0
        assert dimension.unit == ("deg" if dimension.name.endswith(("angle", "tilt")) else "mm")


def test_stack_reach_head_angle_and_fork_close_the_front_triangle() -> None:
    """From the axle up the fork and head tube one comes to stack and reach.

    As frame drawings have it, stack = drop + (fork + head tube) sin(angle) - offset cos(angle), and
    reach = wheelbase - sqrt(chainstay^2 - drop^2) - (fork + head tube) cos(angle)
    - offset sin(angle).
    """
    random = np.random.default_rng(1)
    touches = {
        name: replace(touch, point=touch.point + random.normal(size=3))
        for name, touch in exact_touches(Stand(3.0, 2.0, 70.0).place(Design())).items()
    }
    d = values(measure_bicycle(touches, POINTS, EXACT))
    angle, legs = radians(d["head_tube_angle"]), d["fork_length"] + d["head_tube_length"]
    stack = d["bottom_bracket_drop"] + legs * sin(angle) - d["fork_offset"] * cos(angle)
    rear = sqrt(d["chainstay_length"] ** 2 - d["bottom_bracket_drop"] ** 2)
    reach = d["wheelbase"] - rear - legs * cos(angle) - d["fork_offset"] * sin(angle)
    # 0.01 mm: the axles' line is level and the head tube hardly out of the mid-plane.
    assert d["stack"] == pytest.approx(stack, abs=0.01)
    assert d["reach"] == pytest.approx(reach, abs=0.01)


def test_level_by_gravity_leaves_the_bicycle_nose_up() -> None:
    """A drawing turned nose-up by 3 deg: angles change by it, stack and reach turn by it."""
    design, nose = Design(), radians(3.0)
    touches = exact_touches(Stand(0.0, 3.0, 120.0).place(design))
    geometry = measure_bicycle(touches, POINTS, EXACT, level="gravity")
    found, true = values(geometry), design.dimensions()
    assert found["head_tube_angle"] == pytest.approx(true["head_tube_angle"] - 3.0)
    assert found["seat_tube_angle"] == pytest.approx(true["seat_tube_angle"] - 3.0)
    assert found["saddle_tilt"] == pytest.approx(true["saddle_tilt"] + 3.0)
    turned = true["stack"] * cos(nose) + true["reach"] * sin(nose)
    assert found["stack"] == pytest.approx(turned)
    for name in ("wheelbase", "bottom_bracket_drop", "saddle_height", "crank_length"):
        assert found[name] == pytest.approx(true[name])
    assert geometry.stance.text == (
        "Taken out: lean 0.0° to the right, turned 120°. Left in: 3.0° nose-up."
    )


def test_the_correction_is_said() -> None:
    touches = exact_touches(Stand(-4.0, 2.5, 30.0).place(Design()))
    text = measure_bicycle(touches, POINTS, EXACT).stance.text
    assert text == "Taken out: lean 4.0° to the left, 2.5° nose-up, turned 30°."


@pytest.mark.parametrize("up", ["+x", "-x", "+y", "-y", "-z"])
def test_any_axis_may_point_up(up: str) -> None:
    """The same bicycle in axes renamed in a circle, or turned upside down."""
    stand = Stand(4.0, 3.0, 50.0)
    k = "xyz".index(up[1])
    matrix = np.roll(np.eye(3), k + 1, axis=0)
    if up[0] == "-":
        flip = np.ones(3)
        flip[[k, (k + 2) % 3]] = -1.0
        matrix = np.diag(flip) @ matrix
    places = {name: matrix @ place for name, place in stand.place(Design()).items()}
    geometry = measure_bicycle(
        exact_touches(places),
        POINTS,
        EXACT,
        level="gravity",
        up=up,  # type: ignore[arg-type]
    )
    plain = measure_bicycle(exact_touches(stand.place(Design())), POINTS, EXACT, level="gravity")
    assert values(geometry) == pytest.approx(values(plain))
    assert geometry.stance.lean_deg == pytest.approx(plain.stance.lean_deg)
    assert geometry.stance.heading_deg == pytest.approx(50.0, abs=0.5)


def test_uncertainty_is_that_of_many_repetitions() -> None:
    """Monte Carlo over the touches' errors and the tip's shared one, 400 bicycles."""
    random = np.random.default_rng(2)
    places = Stand(5.0, -3.0, 200.0).place(Design())
    turns = {name: np.linalg.qr(random.normal(size=(3, 3)))[0] for name in NAMES}
    tip = np.diag([0.3, 0.2, 0.1]) ** 2
    calibration = replace(EXACT, covariance=tip)
    still = np.diag([0.3, 0.1, 0.2]) ** 2
    sure = [point.model_copy(update={"placement_mm": 0.0}) for point in POINTS]

    def measure(shift: FloatArray, noise: FloatArray) -> BicycleGeometry:
        touches = {
            name: Touch(places[name] + turns[name] @ shift + noise[k], still, turns[name], 1, 99, 0)
            for k, name in enumerate(NAMES)
        }
        return measure_bicycle(touches, sure, calibration)

    claimed = measure(np.zeros(3), np.zeros((len(NAMES), 3))).measured
    shifts = random.normal(size=(400, 3)) @ np.sqrt(tip)
    noises = random.normal(size=(400, len(NAMES), 3)) @ np.sqrt(still)
    repeated = [values(measure(a, b)) for a, b in zip(shifts, noises, strict=True)]
    for name, measured in claimed.items():
        spread = np.std([one[name] for one in repeated])
        # 400 repetitions: 3.5 %, and three times that.
        assert measured.se == pytest.approx(spread, rel=0.12), name


def test_points_left_out_cost_only_what_needs_them() -> None:
    touches = exact_touches(Stand().place(Design()))
    del touches["saddle_rear"], touches["pedal_left"], touches["pedal_right"]
    found = values(measure_bicycle(touches, POINTS, EXACT))
    gone = {
        "saddle_height", "saddle_height_spindle", "saddle_tilt", "saddle_to_bar_drop",
        "saddle_to_drops_drop", "saddle_to_pads_drop", "crank_length", "pedal_spacing",
    }  # fmt: skip
    assert set(Design().dimensions()) - set(found) == gone
    assert found == pytest.approx(
        {name: value for name, value in Design().dimensions().items() if name not in gone}
    )


@pytest.mark.parametrize("steered_deg", [0.0, 1.0])
def test_one_touch_of_a_pair_tells_where_the_other_is(steered_deg: float) -> None:
    """Against the drawing; a bar that is turned keeps what lies in its middle."""
    design, stand = Design(), Stand(3.0, -2.0, 140.0, steered_deg=steered_deg)
    touches = exact_touches(stand.place(design))
    few = measure_bicycle({name: touches[name] for name in NAMES}, POINTS, EXACT)
    every = measure_bicycle(touches, POINTS, EXACT)
    assert set(every.measured) - set(few.measured) == EXTRA
    assert set(few.points) == {
        twin for name in NAMES for twin in (name, twin_of(name)) if twin is not None
    }
    for name, place in few.points.items():
        assert place == pytest.approx(every.points[name], abs=1e-6), name
    if not steered_deg:
        true = design.dimensions()
        assert values(few) == pytest.approx({name: true[name] for name in few.measured})


def test_what_makes_no_bicycle_is_refused() -> None:
    touches = exact_touches(Stand().place(Design()))
    frame = {point.name for point in POINTS if point.twin == "mid_plane"}
    few = {name: touch for name, touch in touches.items() if not name.startswith("rear_axle")}
    with pytest.raises(GeometryError, match="found no rear_axle"):
        measure_bicycle(few, POINTS, EXACT)
    with pytest.raises(GeometryError, match="found elsewhere as well"):
        measure_bicycle({**touches, "elsewhere": touches["pedal_left"]}, POINTS, EXACT)
    line = {name: np.array([k * 100.0, 0.0, 0.0]) for k, name in enumerate(sorted(frame))}
    with pytest.raises(GeometryError, match="Touch both ends of the rear axle"):
        find_axes(line, ["crank_axis", "rear_axle", "front_axle"], [], level="axles", up="+z")


@pytest.mark.parametrize(
    "row", list(csv.DictReader(MEASURED.read_text().splitlines())), ids=lambda r: r["bicycle"]
)
def test_measured_bicycles_have_the_trail_their_authors_computed(row: dict[str, str]) -> None:
    """BicycleParameters 1.5.2: wheelbase, head angle, fork offset and radii in, trail out.

    The bicycle is built from the first, touched while it leans, and the trail comes from what is
    measured: (radius cos(angle) - offset) / sin(angle) (Meijaard et al. 2007, Proc R Soc A
    463:1955-1982). Its wheels differ in size, so that the axles' line is not level.
    """
    mm = {name.removesuffix("_m"): 1000 * float(row[name]) for name in row if name.endswith("_m")}
    angle = radians(float(row["head_tube_deg"]))
    rear, front = mm["rear_radius"], mm["front_radius"]
    axis = np.array([-cos(angle), sin(angle)])
    foot = np.array([mm["wheelbase"], front]) - mm["fork_offset"] * np.array(
        [sin(angle), cos(angle)]
    )
    pairs = {
        "rear_axle": np.array([0.0, rear]),
        "front_axle": np.array([mm["wheelbase"], front]),
        "crank_axis": np.array([430.0, rear - 60.0]),
        "head_bottom": foot + 380.0 * axis,
        "head_top": foot + 520.0 * axis,
    }
    turn = Stand(6.0, 4.0, 100.0).rotation()
    places = {
        f"{pair}_{side}": turn @ np.append(place, out)
        for pair, place in pairs.items()
        for side, out in (("left", -40.0), ("right", 40.0))
    }
    geometry = measure_bicycle(exact_touches(places), POINTS, EXACT, axle_rise_mm=front - rear)
    found = values(geometry)
    head = radians(found["head_tube_angle"])
    trail = (front * cos(head) - found["fork_offset"]) / sin(head)
    assert trail == pytest.approx(mm["trail"], abs=0.001)
    assert found["wheelbase"] == pytest.approx(mm["wheelbase"], abs=0.05)
    assert geometry.stance.nose_up_deg == pytest.approx(4.0, abs=0.01)
