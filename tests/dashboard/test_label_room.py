"""Labels keep still, off the lines and off each other."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livefit.dashboard.label_room import BETTER, CELL, LOOK_AGAIN, REMEMBERED, LabelRoom

EDGES = (-1000.0, 1000.0, -1000.0, 1000.0)
Point = tuple[float, float]


def gap(line: tuple[Point, Point], middle: Point, size: Point) -> float:
    """Distance of a line from a rectangle, by points of the line close together."""
    a, b = np.array(line)
    points = a + np.linspace(0, 1, 500)[:, None] * (b - a)
    beyond = np.abs(points - middle) - np.array(size) / 2
    return float(np.hypot(*np.maximum(beyond, 0).T).min())


def places(room: LabelRoom, *wanted: tuple[str, Point, float, float]) -> list[Point]:
    found = room.place(wanted, EDGES)
    return [place for place in found if place is not None]


def test_a_label_lies_beside_its_point_and_off_the_lines() -> None:
    room = LabelRoom(EDGES)
    lines = [((0.0, -500.0), (0.0, 500.0)), ((-500.0, 0.0), (500.0, 0.0))]
    room.note(lines)
    (middle,) = places(room, ("knee", (0.0, 0.0), 300.0, 150.0))
    assert all(gap(line, middle, (300.0 - 2 * CELL, 150.0 - 2 * CELL)) > 0 for line in lines)
    # One of its corners next to the point: 150 and 75 mm away, to within the squares.
    assert math.dist((abs(middle[0]), abs(middle[1])), (150.0, 75.0)) < 3 * CELL


def test_labels_do_not_lie_over_each_other() -> None:
    room = LabelRoom(EDGES)
    room.note([])
    wanted = [(f"label {i}", (0.0, 0.0), 300.0, 150.0) for i in range(8)]
    found = places(room, *wanted)
    assert len(found) == 8
    for i, one in enumerate(found):
        for other in found[:i]:
            assert abs(one[0] - other[0]) >= 300.0 or abs(one[1] - other[1]) >= 150.0


def test_a_label_keeps_its_place_until_a_line_comes() -> None:
    room = LabelRoom(EDGES)
    joint = 0.0
    room.note([((0.0, -500.0), (0.0, 500.0))])
    first = places(room, ("knee", (joint, 0.0), 300.0, 150.0))
    for _ in range(LOOK_AGAIN - 2):
        joint += 1.0
        room.note([((0.0, -500.0), (0.0, 500.0))])
        assert places(room, ("knee", (joint, 0.0), 300.0, 150.0)) == first
    line = ((first[0][0], -500.0), (first[0][0], 500.0))
    room.note([line])
    (then,) = places(room, ("knee", (joint, 0.0), 300.0, 150.0))
    assert gap(line, then, (300.0 - 2 * CELL, 150.0)) > 0


def test_a_much_better_place_is_taken_once_lines_are_long_gone() -> None:
    room = LabelRoom(EDGES)
    wall = [((x, -900.0), (x, 900.0)) for x in np.arange(-800.0, 801.0, CELL)]
    room.note(wall)
    (far,) = places(room, ("hip", (0.0, 0.0), 150.0, 100.0))
    assert abs(far[0]) > 800.0
    for _ in range(REMEMBERED + LOOK_AGAIN):
        room.note([])
        (near,) = places(room, ("hip", (0.0, 0.0), 150.0, 100.0))
    assert math.hypot(*near) < 150.0 + BETTER * CELL


def test_no_place_is_said_not_made_up() -> None:
    room = LabelRoom(EDGES)
    room.note([((x, -1000.0), (x, 1000.0)) for x in np.arange(-1000.0, 1001.0, CELL)])
    assert room.place([("hip", (0.0, 0.0), 200.0, 100.0)], EDGES) == [None]
    assert room.place([("hip", (0.0, 0.0), 2500.0, 100.0)], EDGES) == [None]


@pytest.mark.parametrize("shift", [0.0, 333.0])
def test_labels_stay_inside_the_bounds(shift: float) -> None:
    room = LabelRoom(EDGES)
    room.note([])
    bounds = (-400.0 + shift, 100.0 + shift, -300.0, 200.0)
    found = room.place([("hip", (900.0, 900.0), 200.0, 100.0)], bounds)
    assert found[0] is not None
    x, y = found[0]
    assert bounds[0] <= x - 100.0
    assert x + 100.0 <= bounds[1]
    assert bounds[2] <= y - 50.0
    assert y + 50.0 <= bounds[3]
