"""Screens as definitions: what ships, what is refused, and how large type must be on them."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from livefit.definitions import (
    DefinitionError,
    Definitions,
    Screen,
    find_faults,
    load_definitions,
    shipped_dir,
)
from livefit.view.screens import cap_height_mm, cap_height_px, type_size_px

DESK = Screen(name="desk", diagonal_mm=686, distance_mm=2000)


def test_the_shipped_screens(shipped: Definitions) -> None:
    # 27 inches are 685.8 mm, 32 inches 812.8 mm.
    fitter, rider = shipped.screen("fitter"), shipped.screen("rider")
    assert (fitter.diagonal_mm, fitter.distance_mm) == (686, 2000)
    assert (rider.diagonal_mm, rider.distance_mm) == (813, 2500)
    with pytest.raises(DefinitionError, match=r"no screen is named 'wall'.*fitter, rider"):
        shipped.screen("wall")
    path = shipped_dir() / "screens.toml"
    head = " ".join(re.sub("#", " ", path.read_text(encoding="utf-8")).split())
    assert "in your own directory" in head
    assert "~/.config/livefit on Linux" in head
    assert tomllib.loads(path.read_text(encoding="utf-8")).keys() == {"fitter", "rider"}


def test_a_screen_of_ones_own_replaces_the_shipped_one(tmp_path: Path) -> None:
    (tmp_path / "screens.toml").write_text("[rider]\ndiagonal_mm = 1397.5\ndistance_mm = 3000\n")
    own = load_definitions(tmp_path)
    assert [s.name for s in own.screens] == ["fitter", "rider"]
    assert own.screen("rider") == Screen(name="rider", diagonal_mm=1397.5, distance_mm=3000)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("[rider]\ndiagonal_mm = 813\n", r"rider\.distance_mm: expected this key, found none"),
        (
            "[rider]\ndiagonal_mm = 32\ndistance_mm = 2500\n",
            r"rider\.diagonal_mm: expected greater than or equal to 100, found 32",
        ),
        (
            "[rider]\ndiagonal_mm = 813\ndistance_mm = 2.5\n",
            r"rider\.distance_mm: expected greater than or equal to 200, found 2\.5",
        ),
        (
            "[rider]\ndiagonal_mm = 813\ndistance_mm = 2500\nwidth = 1\n",
            r"rider\.width: expected one of the keys diagonal_mm, distance_mm, found this one",
        ),
    ],
)
def test_inches_metres_and_strange_keys_are_refused(tmp_path: Path, text: str, fault: str) -> None:
    (tmp_path / "screens.toml").write_text(text)
    with pytest.raises(DefinitionError, match=fault):
        load_definitions(tmp_path)


def test_one_screen_of_each_name(shipped: Definitions) -> None:
    twice = shipped.model_copy(update={"screens": [*shipped.screens, *shipped.screens]})
    assert {(fault.section, fault.name) for fault in find_faults(twice)} == {
        ("screens", "fitter"),
        ("screens", "rider"),
    }


def test_twenty_minutes_of_arc_by_hand() -> None:
    # A minute of arc is 2.908882e-4 rad; 20 of them at 2000 mm are 11.6355 mm, at 2500 mm 14.544.
    assert cap_height_mm(2000) == pytest.approx(11.6355, abs=1e-3)
    assert cap_height_mm(2500) == pytest.approx(14.5444, abs=1e-3)


@pytest.mark.parametrize(
    ("screen_px", "pixels"),
    [
        # 686 mm over hypot(1920, 1080) = 2202.907 px: 0.311407 mm a pixel, 11.6355 / 0.311407.
        ((1920, 1080), 37.364),
        ((3840, 2160), 74.729),
        ((1280, 720), 24.910),
        # hypot(3440, 1440) = 3729.236 px: 0.183952 mm a pixel.
        ((3440, 1440), 63.253),
    ],
)
def test_height_in_pixels_by_hand(screen_px: tuple[float, float], pixels: float) -> None:
    assert cap_height_px(DESK, screen_px) == pytest.approx(pixels, abs=0.002)


def test_type_is_as_large_as_it_must_be_and_as_can_be() -> None:
    def size(least: float, most: float) -> float:
        return type_size_px(DESK, (1920, 1080), cap_share=0.5, least=least, most=most)

    assert size(10, 1000) == pytest.approx(2 * 37.364, abs=0.004)
    assert size(80, 1000) == 80
    assert size(10, 60) == 60


@pytest.mark.parametrize("size", [(0, 1080), (1920, -1), (5, 0)])
def test_a_screen_has_a_size(size: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="expected a screen's width and height in pixels"):
        cap_height_px(DESK, size)
