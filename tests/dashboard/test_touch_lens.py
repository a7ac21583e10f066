"""The close-up where points crowd, and a sheet of more dimensions than can be read at once."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from contextlib import contextmanager

from livefit.dashboard.picture import offscreen_canvas
from livefit.dashboard.touch_lens import NEAR_MM, neighbours, within
from livefit.dashboard.touch_view import TouchView
from livefit.dashboard.visuals import Box
from livefit.view.bicycle_drawing import TYPICAL
from livefit.view.touching import TouchModel
from tests.view.touch_examples import Bench, new_model, shipped, whole

EVERY = tuple(point.name for point in shipped().touch_points)
ASKED = tuple(point.name for point in shipped().touch_points if not point.extra)


def test_a_line_in_a_circle_is_what_of_it_lies_inside() -> None:
    """Against a slow second version: many places along the line, each asked whether it is in."""
    centre, radius = (10.0, -5.0), 40.0
    lines = itertools.product(
        [(-80.0, -5.0), (0.0, 0.0), (10.0, 60.0)], [(90.0, 10.0), (10.0, -5.0), (60.0, 60.0)]
    )
    for a, b in lines:
        places = [
            (a[0] + k / 5000 * (b[0] - a[0]), a[1] + k / 5000 * (b[1] - a[1])) for k in range(5001)
        ]
        inside = [place for place in places if math.dist(place, centre) < radius]
        found = within(a, b, centre, radius)
        if not inside:
            assert found is None
            continue
        assert found is not None
        for end, wanted in zip(found, (inside[0], inside[-1]), strict=True):
            assert math.dist(end, wanted) < 0.1
    assert within((0.0, 0.0), (0.0, 0.0), centre, radius) is None


def test_the_close_up_shows_the_crowd_and_nobody_else() -> None:
    for name in ASKED:
        assert neighbours(name, TYPICAL, ASKED) == [], name
    assert set(neighbours("stem_bottom_left", TYPICAL, EVERY)) == {
        "stem_bottom_right", "stem_top_left", "stem_top_right", "head_top_left", "head_top_right",
    }  # fmt: skip
    for name in EVERY:
        near = neighbours(name, TYPICAL, EVERY)
        apart = [math.dist(TYPICAL[name][:2], TYPICAL[other][:2]) for other in EVERY]
        assert bool(near) == any(0 < far < NEAR_MM for far in apart)
        assert name not in near


@contextmanager
def view_of(model: TouchModel, size: tuple[int, int]) -> Iterator[TouchView]:
    with offscreen_canvas(size) as canvas:
        yield TouchView(canvas, model, shipped().screen("fitter"))


def checked_boxes(view: TouchView, size: tuple[int, int]) -> list[Box]:
    """All texts, which lie on the canvas and on none other."""
    view.refresh()
    boxes = view.boxes()
    for box in boxes:
        assert 0 <= box.left < box.right <= size[0], box
        assert 0 <= box.top < box.bottom <= size[1], box
    for one, two in itertools.combinations(boxes, 2):
        assert (
            one.right <= two.left or two.right <= one.left
            or one.bottom <= two.top or two.bottom <= one.top
        ), (one, two)  # fmt: skip
    return boxes


def test_every_instruction_has_room() -> None:
    size = (1280, 720)
    model = new_model(whole().calibration, EVERY)
    with view_of(model, size) as view:
        for point in shipped().touch_points:
            said = " ".join(box.text for box in checked_boxes(view, size))
            assert point.title in said
            assert point.say in said
            model.press("N")


def test_of_more_dimensions_than_can_be_read_those_about_the_chosen_one_are_shown() -> None:
    size = (1280, 720)
    bench = Bench(new_model(whole().calibration, EVERY), order="none")
    bench.run(lambda model: model.complete, seconds=200.0)
    model = bench.model
    assert model.geometry is not None
    titles = [one.dimension.title for one in model.geometry.measured.values()]
    assert len(titles) == 37
    with view_of(model, size) as view:
        for chosen, first in ((0, 0), (13, 1), (20, 8), (36, 13)):
            while model.selected < chosen:
                model.press("Down")
            boxes = checked_boxes(view, size)
            table = [box.text for box in boxes if box.text in titles and box.left > size[0] / 2]
            assert table == titles[first : first + 24]
            assert f"Dimensions, {first + 1} to {first + 24} of 37" in {box.text for box in boxes}
