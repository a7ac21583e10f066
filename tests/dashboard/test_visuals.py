"""The two batched visuals, drawn off screen."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import freetype  # type: ignore[import-untyped]
import numpy as np
import pytest
import vispy.util.fonts
from numpy.typing import NDArray

from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.picture import offscreen_canvas
from livefit.dashboard.theme import rgb
from livefit.dashboard.visuals import CACHED_LAYOUTS, Fonts

WHITE = rgb("#FFFFFF")
SIZE = (320, 200)


def ink(draw: Callable[[Layer], object]) -> NDArray[np.float64]:
    """White on black: how much of each pixel is covered."""
    with offscreen_canvas(SIZE) as canvas:
        canvas.bgcolor = "black"
        layer = Layer(canvas.scene, Fonts(), order=0)
        draw(layer)
        layer.show()
        return np.asarray(canvas.render(alpha=False)[..., 0], np.float64) / 255


@pytest.mark.parametrize(
    ("draw", "area"),
    [
        (lambda p: p.rect(Rect(20, 30, 100, 40), WHITE), 4000.0),
        (lambda p: p.line((10.0, 10.0), (190.0, 145.0), 7.0, WHITE), 7.0 * 225.0),
        (lambda p: p.disc((100.0, 100.0), 60.0, WHITE), math.pi * 30**2),
        (lambda p: p.line((50.0, 50.0), (150.0, 50.0), 20.0, WHITE, round_ends=True),
         20.0 * 100 + math.pi * 10**2),
        (lambda p: p.shape("up", (100.0, 100.0), 60.0, WHITE), 60.0 * 60 / 2),
        (lambda p: p.shape("down", (100.0, 100.0), 60.0, WHITE), 60.0 * 60 / 2),
        (lambda p: p.shape("diamond", (100.0, 100.0), 60.0, WHITE), 60.0 * 60 / 2),
        (lambda p: p.shape("none", (100.0, 100.0), 60.0, WHITE), 0.0),
    ],
)  # fmt: skip
def test_shapes_cover_their_area(draw: Callable[[Layer], None], area: float) -> None:
    # Closed forms. The edge of a shape is a ramp of one pixel whose middle is the true edge, so
    # only corners and the rounding to 256 levels remain.
    assert ink(draw).sum() == pytest.approx(area, rel=0.01)


def test_a_rectangle_on_whole_pixels_is_sharp() -> None:
    want = np.zeros((SIZE[1], SIZE[0]))
    want[30:70, 20:120] = 1.0
    np.testing.assert_array_equal(ink(lambda p: p.rect(Rect(20, 30, 100, 40), WHITE)), want)


def test_up_points_up() -> None:
    drawn = ink(lambda p: p.shape("up", (100.0, 100.0), 60.0, WHITE))
    assert drawn[70:100].sum() < drawn[100:130].sum()


def test_later_strokes_lie_above() -> None:
    def draw(layer: Layer) -> None:
        layer.rect(Rect(0, 0, 100, 100), WHITE)
        layer.rect(Rect(20, 20, 10, 10), rgb("#000000"))

    assert ink(draw)[25, 25] == 0.0


def test_more_and_fewer_marks_than_before() -> None:
    def draw(layer: Layer, count: int) -> None:
        layer.clear()
        for i in range(count):
            layer.rect(Rect(10 * i, 20, 5, 5), WHITE)
            layer.text("H", 10 * i, 100, 12, WHITE)
        layer.show()

    with offscreen_canvas(SIZE) as canvas:
        canvas.bgcolor = "black"
        layer = Layer(canvas.scene, Fonts(), order=0)
        seen: dict[int, NDArray[np.uint8]] = {}
        for count in (1, 30, 2, 0, 30, 1):
            draw(layer, count)
            pixels = np.asarray(canvas.render(alpha=False))
            assert (pixels[20:25, :, 0] == 255).sum() == 25 * count
            np.testing.assert_array_equal(pixels, seen.setdefault(count, pixels))
    one = ink(lambda layer: draw(layer, 1))
    np.testing.assert_array_equal(one, seen[1][..., 0] / 255)


def face() -> freetype.Face:
    fonts = Path(vispy.util.fonts.__file__).parent / "data"
    return freetype.Face(str(fonts / "OpenSans-Regular.ttf"))


@pytest.mark.parametrize(
    "text", ["148.2°", "−13 mm", "Knee ahead of the pedal spindle", "AVAT", ""]
)
def test_width_is_that_of_the_font(text: str) -> None:
    # FreeType's own advances in font units, with the font's kerning table where it has one.
    font, width, kerned, before = face(), 0.0, 0, None
    for char in text:
        font.load_char(char, freetype.FT_LOAD_NO_SCALE)
        if before is not None:
            kerning = font.get_kerning(before, char, freetype.FT_KERNING_UNSCALED).x
            width += kerning
            kerned += kerning != 0
        width += font.glyph.advance.x
        before = char
    want = width / font.units_per_EM * 59.0
    # vispy loads glyphs at 256 px to the em; FreeType rounds advances there to 1/64 px and
    # kerning to whole pixels.
    tolerance = 59.0 / 256 * (len(text) / 64 + kerned / 2) + 1e-9
    assert Fonts().width(text, 59.0) == pytest.approx(want, abs=tolerance)


def test_boxes_hold_the_ink() -> None:
    boxes = []

    def draw(layer: Layer) -> None:
        layer.text("−148.2° Ág", 20.0, 100.0, 52.0, WHITE)
        boxes.extend(layer.boxes())

    rows, columns = np.nonzero(ink(draw) > 0.5)
    (box,) = boxes
    found = (columns.min(), rows.min(), columns.max() + 1, rows.max() + 1)
    np.testing.assert_allclose((box.left, box.top, box.right, box.bottom), found, atol=1.5)


def test_capitals_are_centred_on_their_line() -> None:
    rows, _ = np.nonzero(ink(lambda p: p.text("H", 20.0, 100.0, 80.0, WHITE)) > 0.5)
    assert (rows.min() + rows.max() + 1) / 2 == pytest.approx(100.0, abs=0.6)


@pytest.mark.parametrize("size", [20.0, 80.0, 150.0])
def test_strokes_are_as_heavy_as_the_font_draws_them(size: float) -> None:
    # Area of the outline of H, a polygon, by the shoelace formula.
    font = face()
    font.load_char("H", freetype.FT_LOAD_NO_SCALE)
    x, y = np.array(font.glyph.outline.points).T
    area = abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) / 2 / font.units_per_EM**2
    drawn = ink(lambda p: p.text("H", 20.0, 100.0, size, WHITE)).sum()
    # Where vispy's field puts an edge, in pixels of 64 to the em: it takes the middle of a grey
    # pixel of 256 to the em (off by 1/8), and keeps (d + 1/8)^(3/4), between two of which a line
    # crosses zero beside the edge; one of its 256 levels is 3 % of the way from pixel to pixel.
    here = np.linspace(0.0, 1.0, 101)
    one, other = ((part + 0.125) ** 0.75 for part in (here, 1 - here))
    shift = 0.125 + np.abs(one / (one + other) - here).max() + 0.03
    perimeter = np.hypot(x - np.roll(x, -1), y - np.roll(y, -1)).sum() / font.units_per_EM
    assert drawn == pytest.approx(area * size**2, abs=perimeter * shift / 64 * size**2)


def test_alignment() -> None:
    _, right = np.nonzero(ink(lambda p: p.text("H", 160.0, 90.0, 60.0, WHITE, align="right")) > 0.5)
    _, middle = np.nonzero(
        ink(lambda p: p.text("H", 160.0, 90.0, 60.0, WHITE, align="center")) > 0.5
    )
    assert right.max() < 160
    assert (middle.min() + middle.max() + 1) / 2 == pytest.approx(160.0, abs=1.0)


def test_elided_and_wrapped_texts_fit() -> None:
    fonts = Fonts()
    text = "The right heel marker has been out of sight for four seconds"
    for room in (40.0, 150.0, 300.0):
        short = fonts.elide(text, 26.0, room)
        assert fonts.width(short, 26.0) <= room
        assert short.endswith("…")
        lines = fonts.wrap(text, 26.0, room, 3)
        assert len(lines) <= 3
        assert all(fonts.width(line, 26.0) <= room for line in lines)
    assert fonts.elide(text, 26.0, 2000.0) == text
    assert fonts.elide(text, 26.0, 1.0) == ""
    assert " ".join(fonts.wrap(text, 26.0, 300.0, 9)) == text
    assert fonts.wrap("", 26.0, 300.0, 3) == []


def test_the_cache_of_layouts_is_bounded() -> None:
    fonts = Fonts()
    for i in range(CACHED_LAYOUTS + 50):
        fonts.width(str(i), 20.0)
    assert fonts.layout.cache_info().currsize == CACHED_LAYOUTS
