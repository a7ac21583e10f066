"""Contact points carried over to another frame, beside trigonometry and a search of every part."""

from __future__ import annotations

from itertools import combinations, product
from math import asin, cos, degrees, hypot, radians, sin
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livefit.bicycle.transfer import (
    TransferError,
    bar_place,
    contact_points,
    piles,
    transfer,
)
from livefit.definitions.parts import BareFrame, Parts, PartsError, read_frame, read_parts
from simulators.standing_bicycle import Design

EXAMPLES = Path(__file__).parents[2] / "configs" / "examples"
FRAME = read_frame(EXAMPLES / "frame.toml")
PARTS = read_parts(EXAMPLES / "parts.toml")


def designs() -> st.SearchStrategy[Design]:
    return st.builds(
        Design,
        saddle_height_mm=st.floats(560, 900),
        saddle_tilt_deg=st.floats(-6, 4),
        seat_tube_deg=st.floats(70, 77),
        nose_ahead_mm=st.floats(110, 190),
        bar_forward_mm=st.floats(20, 160),
        bar_up_mm=st.floats(-20, 120),
        crank_mm=st.floats(155, 185),
    )


def frames() -> st.SearchStrategy[BareFrame]:
    return st.builds(
        FRAME.model_copy,
        update=st.fixed_dictionaries(
            {
                "stack_mm": st.floats(500, 650),
                "reach_mm": st.floats(350, 430),
                "seat_tube_deg": st.floats(70, 77),
                "head_tube_deg": st.floats(67, 75),
                "seat_tube_mm": st.floats(420, 580),
                "spacers_most_mm": st.floats(0, 60),
                "post_insertion_most_mm": st.one_of(st.none(), st.floats(150, 300)),
            }
        ),
    )


def test_contact_points_are_those_of_the_drawing() -> None:
    design = Design(saddle_tilt_deg=-3.0)
    points = design.points()
    contact = contact_points(design.dimensions())
    np.testing.assert_allclose(contact.nose, points["saddle_nose"][:2], atol=1e-9)
    np.testing.assert_allclose(contact.bar, points["bar_top_left"][:2], atol=1e-9)
    assert contact.crank == design.crank_mm
    with pytest.raises(TransferError, match="found no saddle_height, bar_up"):
        contact_points({k: v for k, v in design.dimensions().items()
                        if k not in ("saddle_height", "bar_up")})  # fmt: skip


def test_bar_place_by_trigonometry_of_stack_reach_and_head_angle() -> None:
    """Triangles from the head tube's top: the pile's along the steering axis, then the stem's.

    A stem of -17 deg on a head tube of 73 deg lies level.
    """
    at = bar_place(FRAME, 100.0, -17.0, 40.0, 20.0)
    up = 8 + 20 + 20
    assert at[0] == pytest.approx(388 - up * cos(radians(73)) + 100)
    assert at[1] == pytest.approx(575 + up * sin(radians(73)))
    one = bar_place(FRAME, 110.0, 6.0, 40.0, 0.0)
    other = bar_place(FRAME, 110.0, -6.0, 40.0, 0.0)
    # A chord of 12 deg of a circle of 110 mm.
    assert hypot(*(one - other)) == pytest.approx(2 * 110 * sin(radians(6)))
    assert degrees(asin((one - other)[0] / hypot(*(one - other)))) == pytest.approx(-17.0)


def slow_rear(design: Design, frame: BareFrame, parts: Parts) -> float:
    """Nearest the nose can come, by a search in steps of a third of a mm over post and rails."""
    points, tilt = design.points(), radians(design.saddle_tilt_deg)
    wanted = points["saddle_nose"]
    best = np.inf
    for post in parts.seat_posts:
        most = post.length_mm - max(post.insertion_least_mm, frame.post_insertion_least_mm)
        least = post.head_mm
        if frame.post_insertion_most_mm is not None:
            least = max(least, post.length_mm - frame.post_insertion_most_mm)
        if least > most:
            continue
        d = frame.seat_tube_mm + np.linspace(least, most, int((most - least) * 3) + 2)[:, None]
        clamp = np.linspace(*parts.saddle.nose_to_clamp_mm, 151)
        angle = radians(frame.seat_tube_deg)
        x = -d * cos(angle) - post.setback_mm * sin(angle)
        y = d * sin(angle) - post.setback_mm * cos(angle)
        x = x + clamp * cos(tilt) - parts.saddle.height_mm * sin(tilt)
        y = y + clamp * sin(tilt) + parts.saddle.height_mm * cos(tilt)
        best = min(best, float(np.hypot(x - wanted[0], y - wanted[1]).min()))
    return best


def slow_front(design: Design, frame: BareFrame, parts: Parts) -> float:
    """Nearest the bar can come, every stem either way up on every pile, with complex numbers."""
    wanted = design.points()["bar_top_left"]
    loose = [each.height_mm for each in parts.spacers for _ in range(each.count)]
    heights = {
        sum(some)
        for n in range(min(parts.spacers_most, len(loose)) + 1)
        for some in combinations(loose, n)
        if sum(some) <= frame.spacers_most_mm
    }
    best = np.inf
    for height, stem, sign in product(heights, parts.stems, (1, -1)):
        axis = np.exp(1j * radians(180 - frame.head_tube_deg))
        bar = complex(frame.reach_mm, frame.stack_mm) + axis * (
            frame.headset_mm + height + stem.height_mm / 2
        )
        bar += stem.length_mm * axis * np.exp(-1j * radians(90 - sign * stem.angle_deg))
        top = bar + 1j * parts.bar_mm / 2
        best = min(best, abs(top - complex(wanted[0], wanted[1])))
    return best


@settings(max_examples=60, deadline=None, derandomize=True)
@given(designs(), frames())
def test_nothing_comes_nearer_and_no_limit_is_exceeded(design: Design, frame: BareFrame) -> None:
    found = transfer(contact_points(design.dimensions()), frame, PARTS)
    rear, front = found.rear, found.front
    far = hypot(*rear.left)
    assert far <= max(slow_rear(design, frame, PARTS), 0.5) + 1e-6
    assert hypot(*front.left) <= max(slow_front(design, frame, PARTS), 0.5) + 1e-6

    assert (
        rear.inserted_mm >= max(rear.post.insertion_least_mm, frame.post_insertion_least_mm) - 1e-9
    )
    assert rear.exposed_mm + rear.inserted_mm == pytest.approx(rear.post.length_mm)
    assert rear.exposed_mm >= rear.post.head_mm - 1e-9
    if frame.post_insertion_most_mm is not None:
        assert rear.inserted_mm <= frame.post_insertion_most_mm + 1e-9
    low, high = PARTS.saddle.nose_to_clamp_mm
    assert low - 1e-9 <= rear.nose_to_clamp_mm <= high + 1e-9
    assert bool(rear.limits) == (far > 0.5)

    assert len(front.spacers) <= PARTS.spacers_most
    assert sum(front.spacers) <= frame.spacers_most_mm + 1e-9
    for each in PARTS.spacers:
        assert front.spacers.count(each.height_mm) <= each.count
    assert front.stem in PARTS.stems
    assert abs(found.crank_left_mm) == min(abs(c - design.crank_mm) for c in PARTS.cranks_mm)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(designs(), frames())
def test_the_ideal_stem_reaches_the_bar(design: Design, frame: BareFrame) -> None:
    found = transfer(contact_points(design.dimensions()), frame, PARTS)
    length, angle = found.ideal_stem
    at = bar_place(frame, length, angle, found.front.stem.height_mm, sum(found.front.spacers))
    wanted = design.points()["bar_top_left"]
    np.testing.assert_allclose(np.add(at, (0, PARTS.bar_mm / 2)), wanted[:2], atol=1e-6)


def test_a_bicycle_that_stands_on_the_same_frame_is_reached() -> None:
    """Built up from parts by hand, the measured bicycle gives these parts back."""
    seat, head = radians(73.5), radians(73.0)
    d = 520 + 200
    clamp = -d * cos(seat) - 20 * sin(seat), d * sin(seat) - 20 * cos(seat)
    nose = clamp[0] + 150, clamp[1] + 45
    up = 8 + 15 + 20
    bar = (388 - up * cos(head) + 100 * cos(radians(17 + 6)),
           575 + up * sin(head) + 100 * sin(radians(17 + 6)) + 31.8 / 2)  # fmt: skip
    on_line = nose[1] / sin(seat)
    dimensions = {
        "saddle_height": on_line, "saddle_setback": -nose[0], "saddle_tilt": 0.0,
        "seat_tube_angle": 73.5, "bar_forward": bar[0], "bar_up": bar[1], "crank_length": 170.0,
    }  # fmt: skip
    found = transfer(contact_points(dimensions), FRAME, PARTS)
    assert found.rear.post.title == "setback 20, 350"
    assert found.rear.exposed_mm == pytest.approx(200.0, abs=1e-6)
    assert found.rear.nose_to_clamp_mm == pytest.approx(150.0, abs=1e-6)
    assert (found.front.stem.title, found.front.turned_over) == ("100", False)
    assert found.front.spacers == (10.0, 5.0)
    assert found.crank_left_mm == 0.0
    assert found.ideal_stem == pytest.approx((100.0, 6.0))
    np.testing.assert_allclose(found.front.left, 0, atol=1e-9)


def test_what_no_part_can_reach_is_told() -> None:
    tall = Design(saddle_height_mm=900.0).dimensions()
    rear = transfer(contact_points(tall), FRAME, PARTS).rear
    assert rear.limits == ("insertion_least",) or rear.limits == ("insertion_least", "rails")
    assert rear.inserted_mm == pytest.approx(100.0)
    assert rear.left[1] < -40
    low = Design(saddle_height_mm=560.0).dimensions()
    assert transfer(contact_points(low), FRAME, PARTS).rear.limits[0] == "head"
    deep = FRAME.model_copy(update={"post_insertion_most_mm": 150.0})
    assert transfer(contact_points(Design(saddle_height_mm=620.0).dimensions()), deep,
                    PARTS).rear.limits[0] == "insertion_most"  # fmt: skip
    shallow = FRAME.model_copy(update={"post_insertion_least_mm": 340.0})
    with pytest.raises(TransferError, match="found none of straight, 350, setback 20, 350"):
        transfer(contact_points(tall), shallow, PARTS)


def test_piles_by_counting() -> None:
    heights = sorted(sum(pile) for pile in piles(PARTS.spacers, 4, 30.0))
    assert heights == [0, 5, 10, 10, 15, 20, 20, 25, 30, 30]


def test_files_that_hold_something_else(tmp_path: Path) -> None:
    file = tmp_path / "frame.toml"
    with pytest.raises(PartsError, match="expected a TOML file"):
        read_frame(file)
    file.write_text("stack_mm = ")
    with pytest.raises(PartsError, match="expected valid TOML"):
        read_frame(file)
    file.write_text((EXAMPLES / "frame.toml").read_text().replace("reach_mm", "rich_mm"))
    with pytest.raises(PartsError, match=r"reach_mm: Field required(.|\n)*rich_mm: Extra"):
        read_frame(file)
    file.write_text((EXAMPLES / "parts.toml").read_text().replace("[125, 175]", "[175, 125]"))
    with pytest.raises(PartsError, match="low, then high, found 175"):
        read_parts(file)
