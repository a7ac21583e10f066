"""What a window shows its scene on: both surfaces, whole and in parts."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from PySide6.QtGui import QImage
from PySide6.QtWidgets import QApplication

from livefit.dashboard.fitter_view import FitterView
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.picture import render
from livefit.dashboard.surface import EDGE, CardSurface, PixelSurface, Surface
from tests.dashboard.dashboard_examples import make_pose

SIZE = (960, 540)
MakeModel = Callable[[], DashboardModel]


def shown(surface: Surface) -> NDArray[np.uint8]:
    """What is on the widget, (height, width, 3)."""
    image = surface.widget.grab().toImage().convertToFormat(QImage.Format.Format_RGB888)
    flat = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), -1)
    return flat[:, : 3 * image.width()].reshape(image.height(), image.width(), 3).copy()


def put_on(surface: Surface, size: tuple[int, int]) -> None:
    surface.widget.resize(*size)
    surface.widget.show()
    QApplication.processEvents()


def test_parts_drawn_anew_make_the_same_picture_as_the_whole(
    app: QApplication, riding: MakeModel
) -> None:
    model = riding()
    surface = PixelSurface(SIZE)
    put_on(surface, SIZE)
    view = FitterView(surface.canvas, model)
    surface.show_scene(view.refresh())
    first = shown(surface)
    assert np.array_equal(first, render(model, SIZE))
    model.apply_pose(make_pose(130.0), 100.06)
    areas = view.refresh()
    assert areas, "a part of the scene has changed"
    surface.show_scene(areas)
    second = shown(surface)
    whole = surface.canvas.render(alpha=False)
    assert np.abs(second - whole.astype(int)).max() <= 4, "rounding at smooth edges alone"
    assert not np.array_equal(first, second)
    surface.close_canvas()
    surface.close()


def test_change_after_change_leaves_the_picture_of_the_whole(
    app: QApplication, riding: MakeModel
) -> None:
    model = riding()
    surface = PixelSurface(SIZE)
    put_on(surface, SIZE)
    view = FitterView(surface.canvas, model)
    surface.show_scene(view.refresh())
    changes: list[Callable[[], object]] = [
        lambda: model.select(3),
        model.next_views,
        lambda: model.notify("said in the figure's caption", 100.06),
        model.charts.next_kind,
        model.toggle_hold,
        lambda: model.apply_pose(make_pose(250.0), 100.1),
        model.toggle_hold,
        model.next_sides,
        lambda: model.apply_silence(109.0),
        lambda: model.select(0),
    ]
    before = surface.canvas.pixels(0, 0, *SIZE)
    for number, change in enumerate(changes):
        change()
        areas = view.refresh()
        assert areas is not None, "none of these concerns the whole picture"
        surface.show_scene(areas)
        there, whole = shown(surface), surface.canvas.pixels(0, 0, *SIZE)
        same = np.ones(whole.shape[:2], bool)
        for area in areas:
            left, top = max(int(area.rect.x) - EDGE, 0), max(int(area.rect.y) - EDGE, 0)
            right, bottom = math.ceil(area.rect.right) + EDGE, math.ceil(area.rect.bottom) + EDGE
            right, bottom = min(right, SIZE[0]), min(bottom, SIZE[1])
            # Drawn within the same bounds: others round smooth edges otherwise.
            everything = surface.canvas.pixels(left, top, right - left, bottom - top)
            part = there[top:bottom, left:right]
            assert np.array_equal(part, everything[..., :3]), f"change {number}: not all was drawn"
            same[top:bottom, left:right] = False
        assert np.array_equal(whole[same], before[same]), f"change {number}: more has changed"
        before = whole
    surface.close_canvas()
    surface.close()


def test_a_resized_window_is_drawn_at_its_new_size(app: QApplication, riding: MakeModel) -> None:
    model = riding()
    surface = PixelSurface(SIZE)
    put_on(surface, SIZE)
    view = FitterView(surface.canvas, model)
    for size in ((1280, 720), SIZE):
        surface.show_scene(view.refresh())
        put_on(surface, size)
        surface.show_scene(view.refresh())
        assert np.array_equal(shown(surface), render(model, size))
    surface.close_canvas()
    surface.close()


@pytest.mark.parametrize("kind", [CardSurface, PixelSurface])
def test_both_surfaces_show_the_scene_and_say_where_a_click_lies(
    app: QApplication, riding: MakeModel, kind: type[CardSurface | PixelSurface]
) -> None:
    model = riding()
    expected = render(model, SIZE)
    surface: Surface = kind(SIZE)
    put_on(surface, SIZE)
    view = FitterView(surface.canvas, model)
    surface.show_scene(view.refresh())
    QApplication.processEvents()
    apart = np.abs(shown(surface).astype(int) - expected)
    assert np.mean(apart > 40) < 0.002, "smooth edges alone may differ"
    assert surface.at(100, 50) == (100, 50)
    surface.close_canvas()
    surface.widget.close()
