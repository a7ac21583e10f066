"""The shipped pointers and points, and what is refused in a fitter's own."""

from __future__ import annotations

from pathlib import Path

import pytest

from livefit.bicycle.dimensions import DIMENSIONS
from livefit.definitions import DefinitionError, load_definitions, shipped_dir
from simulators.pointing import LABELS
from simulators.standing_bicycle import Design, Stand
from tests.bicycle.bicycle_examples import EVERY, NAMES, POINTS


def test_the_shipped_points_are_those_of_the_drawing_and_all_dimensions_have_theirs() -> None:
    assert set(EVERY) == set(Stand().place(Design()))
    assert len(NAMES) == 14
    there = set(EVERY) | {point.pair for point in POINTS}
    for dimension in DIMENSIONS:
        assert there.issuperset(dimension.needs), dimension.name
    for point in POINTS:
        assert point.pair is None or {f"{point.pair}_left", f"{point.pair}_right"} <= set(EVERY)
        assert point.say.endswith(".")
        assert point.side is None or point.side in point.say


def test_the_shipped_pointer_is_the_simulated_one() -> None:
    pointer = load_definitions(shipped_dir()).pointer("hand_pointer")
    assert tuple(pointer.markers) == LABELS
    assert pointer.age_limit_days == 30


@pytest.mark.parametrize("name", ["touch_points.toml", "pointers/hand_pointer.toml"])
def test_the_files_say_how_to_override_them(name: str) -> None:
    text = " ".join((shipped_dir() / name).read_text(encoding="utf-8").replace("#", " ").split())
    assert "in your own directory" in text
    assert "~/.config/livefit on Linux" in text


@pytest.mark.parametrize(
    ("file", "text", "wrong"),
    [
        ("pointers/mine.toml", 'title = "x"\nmarkers = ["A", "B"]', "pointers/mine.toml: markers"),
        ("pointers/mine.toml", 'title = "x"\nmarkers = ["A", "B", "B"]', "each marker once"),
        (
            "pointers/mine.toml",
            'title = "x"\nmarkers = ["A", "B", "C"]\npositions_mm.A = [0, 0, 0]',
            "belongs to all the markers",
        ),
        (
            "touch_points.toml",
            '[hub]\ntitle = "x"\nsay = "x"\nplacement_mm = 1\nforward_mm = [5, 1]\n'
            "up_mm = [0, 1]\noutward_mm = [0, 1]",
            "touch_points.toml: hub: a range is low, then high",
        ),
        (
            "touch_points.toml",
            '[hub]\ntitle = "x"\nsay = "x"\nplacement_mm = 1\ntwin = "bar"\nforward_mm = [0, 1]\n'
            "up_mm = [0, 1]\noutward_mm = [0, 1]",
            "end in _left or _right",
        ),
    ],
)
def test_what_makes_no_pointer_or_point_is_refused(
    tmp_path: Path, file: str, text: str, wrong: str
) -> None:
    path = tmp_path / file
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DefinitionError) as refused:
        load_definitions(tmp_path)
    assert wrong in str(refused.value)
