"""Only what differs between two drawings is drawn anew, and all of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livefit.dashboard.damage import APART, bands, differing
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.picture import offscreen_canvas
from livefit.dashboard.theme import rgb
from livefit.dashboard.visuals import Fonts

SIZE = (400, 600)
WHITE, RED = rgb("#FFFFFF"), rgb("#FF0000")
DRAWINGS = st.lists(st.integers(0, 6), max_size=8)


@given(DRAWINGS, DRAWINGS)
def test_what_is_left_is_the_same_and_in_the_same_order(before: list[int], now: list[int]) -> None:
    gone, come = differing(before, now)
    left = [ink for i, ink in enumerate(before) if i not in gone]
    assert left == [ink for i, ink in enumerate(now) if i not in come]


def test_an_added_piece_is_the_only_difference() -> None:
    assert differing([1, 2, 3], [1, 9, 2, 3]) == ([], [1])
    assert differing([1, 2, 3], [1, 3]) == ([1], [])


@given(
    st.lists(st.tuples(*[st.floats(0, 900)] * 2, *[st.floats(0, 90)] * 2), min_size=1, max_size=9)
)
def test_bands_hold_every_box_and_lie_apart(boxes: list[tuple[float, ...]]) -> None:
    edges = np.array([(x, y, x + w, y + h) for x, y, w, h in boxes])
    found = bands(edges)
    for left, top, right, bottom in edges:
        assert any(b[0] <= left and b[1] <= top and right <= b[2] and bottom <= b[3] for b in found)
    assert (found[1:, 1] > found[:-1, 3] + APART).all()


@pytest.mark.parametrize("row", [0, 1, 2])
def test_pixels_change_within_the_damage_alone(row: int) -> None:
    """Against pictures of the whole: outside the damaged rectangles both are the same."""

    def draw(layer: Layer, changed: int | None) -> None:
        layer.clear()
        for i in range(3):
            y, moved = 80.0 + 220 * i, 13.0 if i == changed else 0.0
            layer.line((30.0 + moved, y), (150.0, y + 31), 9.0, WHITE, round_ends=True)
            layer.shape("diamond", (200.0, y + moved), 30.0, RED)
            layer.text("47°" if i == changed else "46°", 250.0, y, 40.0, WHITE)
            layer.text("still", 330.0, y, 20.0, WHITE)
        layer.show()

    with offscreen_canvas(SIZE) as canvas:
        layer = Layer(canvas.scene, Fonts(), order=0)
        draw(layer, None)
        layer.take_damage()
        before = canvas.render(alpha=False)
        draw(layer, None)
        assert layer.take_damage() == []
        draw(layer, row)
        damage = layer.take_damage()
        differs = (canvas.render(alpha=False) != before).any(axis=-1)
    [rect] = damage
    assert 220 * row < rect.y
    assert rect.h < 100, "one row of three"
    inside = np.zeros_like(differs)
    inside[int(rect.y) - 2 : int(rect.bottom) + 2, int(rect.x) - 2 : int(rect.right) + 2] = True
    assert differs.any()
    assert not (differs & ~inside).any()


def test_a_bar_damages_its_own_rectangle_alone() -> None:
    bars = [Rect(100, 20, 50, 60), Rect(60, 300, 200, 10)]
    with offscreen_canvas(SIZE) as canvas:
        layer = Layer(canvas.scene, Fonts(), order=0)
        for bar in bars:
            layer.rect(bar, WHITE)
        layer.show()
        assert layer.take_damage() == bars
