"""The scene of guided touching, drawn off screen at several sizes and in both themes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cache

import pytest

from livefit.bicycle.change import ONLY
from livefit.bicycle.pointer import Calibration
from livefit.dashboard import theme
from livefit.dashboard.picture import offscreen_canvas
from livefit.dashboard.touch_view import TouchView
from livefit.view.touching import TouchModel
from tests.view.touch_examples import Bench, new_model, shipped, whole

SIZES = [(1280, 720), (1920, 1080), (3840, 2160)]


@pytest.fixture(autouse=True)
def _dark_again() -> Iterator[None]:
    yield
    theme.use("dark")


def tip() -> Calibration:
    found = whole().calibration
    assert found is not None
    return found


@cache
def half_way() -> TouchModel:
    bench = Bench(new_model(tip()), order="none")
    bench.run(lambda model: model.guide.index == 3 and model.sign == "set down")
    bench.model.press("S")
    return bench.model


@cache
def wrong() -> TouchModel:
    bench = Bench(new_model(tip()), order="wrong")
    bench.run(lambda model: model.complete, led=False)
    return bench.model


@cache
def raised() -> TouchModel:
    before = whole().document(datetime(2025, 3, 1, tzinfo=UTC))
    bench = Bench(new_model(tip(), ONLY["saddle"], before=before), order="none", saddle="728")
    bench.run(lambda model: model.complete)
    return bench.model


@contextmanager
def view_of(model: TouchModel, size: tuple[int, int]) -> Iterator[TouchView]:
    with offscreen_canvas(size) as canvas:
        view = TouchView(canvas, model, shipped().screen("fitter"))
        view.saved = "Saved: bicycle-20250301-120000.json"
        view.refresh()
        yield view


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("fills", [True, False], ids=["screen", "window"])
def test_texts_lie_on_the_canvas_and_on_none_other(size: tuple[int, int], fills: bool) -> None:
    models = [half_way(), whole(), wrong(), raised(), new_model(None)]
    with view_of(models[0], size) as view:
        view.screen_px = size if fills else (1.5 * size[0], 1.5 * size[1])
        for model in models:
            view.model = model
            view.refresh()
            boxes = view.boxes()
            assert len(boxes) > 8
            for box in boxes:
                assert box.left >= 0
                assert box.top >= 0
                assert box.right <= size[0]
                assert box.bottom <= size[1]
            for one, two in itertools.combinations(boxes, 2):
                apart = (
                    one.right <= two.left or two.right <= one.left
                    or one.bottom <= two.top or two.bottom <= one.top
                )  # fmt: skip
                assert apart, (one, two)


def test_what_is_read_from_afar_is_large_enough() -> None:
    """20 minutes of arc at the distance and size of the screen in configs, worked out here."""
    screen = shipped().screen("fitter")
    for size, window in (
        ((1920, 1080), (1920, 1080)), ((3840, 2160), (3840, 2160)), ((1920, 1080), (1280, 720)),
    ):  # fmt: skip
        with view_of(half_way(), window) as view:
            view.screen_px = size
            view.refresh()
            boxes, type_px = view.boxes(), view.type_px
        millimetre = math.hypot(*size) / screen.diagonal_mm
        needed = 2 * screen.distance_mm * math.tan(math.radians(20 / 60 / 2)) * millimetre
        assert type_px * theme.CAP_HEIGHT >= needed
        for text in ("Hold still", "5 of 14", "Rear axle, left", "Saddle, rear"):
            found = [box for box in boxes if box.text == text]
            if found:
                # Capitals and digits stand so high; letters with a tail more.
                assert found[0].bottom - found[0].top >= needed * 0.99, text
        assert any("of 14" in box.text for box in boxes)


@pytest.mark.parametrize("name", list(theme.PALETTES))
def test_both_themes_tell_touched_from_left_out(name: str) -> None:
    theme.use(name)
    with view_of(half_way(), (1280, 720)) as view:
        pixels = view.pixels()
    colors = {tuple(pixel) for pixel in pixels.reshape(-1, 3)[::7].tolist()}
    for color in (theme.GROUND, theme.WITHIN, theme.CARE, theme.TEXT):
        wanted = tuple(round(255 * c) for c in color[:3])
        assert any(max(abs(a - b) for a, b in zip(c, wanted, strict=True)) <= 1 for c in colors)


def test_the_chosen_dimension_is_drawn_and_defined() -> None:
    bench = Bench(new_model(tip()), order="none")
    bench.run(lambda model: model.complete)
    model = bench.model
    with view_of(model, (1280, 720)) as view:
        before = view.pixels()
        for _ in range(3):
            model.press("Down")
        view.refresh()
        said = " ".join(box.text for box in view.boxes())
        assert "Saddle tilt: −" in said
        assert "nose up positive." in said
        changed = (view.pixels() != before).any(axis=2)
        assert changed[:430, :740].sum() > 300
        model.press("Up")
        view.refresh()
        assert any(box.text.startswith("Saddle setback: ") for box in view.boxes())
