"""A bicycle as lines: every dimension's line is as long as the dimension says."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from datetime import UTC, datetime

import pytest

from livefit.bicycle.dimensions import DIMENSIONS
from livefit.session.models import SetUp, Taken
from livefit.view.bicycle_drawing import (
    FRONT_DIMENSIONS,
    TYPICAL,
    dimension_lines,
    front_strokes,
    midpoints,
    strokes,
    typical,
)
from livefit.view.bicycle_sheet import bicycle_sheet
from simulators.standing_bicycle import Design

DESIGN = Design(saddle_tilt_deg=-4.0, drop_mm=64.0)
POINTS = {name: (p[0], p[1], p[2]) for name, p in DESIGN.points().items()}


@pytest.mark.parametrize("dimension", DIMENSIONS, ids=lambda d: d.name)
def test_a_line_is_as_long_as_its_dimension(dimension: object) -> None:
    """The simulator's drawing gives the dimensions by trigonometry of its own."""
    name = dimension.name  # type: ignore[attr-defined]
    lines = dimension_lines(name, POINTS)
    assert lines is not None
    true = DESIGN.dimensions()[name]
    if lines.span:
        assert math.dist(*lines.span) == pytest.approx(abs(true), abs=1e-6)
    else:
        (x0, y0), (x1, y1) = lines.arc[0], lines.arc[-1]
        radius = 150.0
        chord = math.dist((x0, y0), (x1, y1))
        assert math.degrees(2 * math.asin(chord / 2 / radius)) == pytest.approx(abs(true))
    assert lines.plane == ("front" if name in FRONT_DIMENSIONS else "side")


def test_what_was_not_touched_is_not_drawn() -> None:
    some = {name: place for name, place in TYPICAL.items() if not name.startswith("head")}
    assert dimension_lines("stack", some) is None
    assert dimension_lines("saddle_height", some) is not None
    drawn = strokes(some, wheels=False, cranks=False)
    assert 0 < len(drawn) < len(strokes(TYPICAL, wheels=False, cranks=False))
    places = set(midpoints(some).values())
    for stroke in drawn:
        assert stroke.a in places or stroke.b in places
    assert len(strokes(TYPICAL, wheels=True, cranks=True)) > 100
    assert len(front_strokes(TYPICAL)) == len(front_strokes(TYPICAL, cranks=False)) + 3
    assert strokes({}, wheels=True, cranks=True) == ()


def test_the_sheet_says_and_shows_every_dimension() -> None:
    taken = Taken(value=719.62, unit="mm", half_width=0.6, how="touched")
    set_up = SetUp(taken=datetime(2025, 3, 1, tzinfo=UTC), dimensions={"saddle_height": taken})
    for text in (bicycle_sheet(), bicycle_sheet(POINTS, set_up, "Taken out: lean 4.0°.")):
        root = ET.fromstring(text)
        said = " ".join(node.text or "" for node in root.iter() if node.tag.endswith("text"))
        for dimension in DIMENSIONS:
            assert dimension.title in said
            assert dimension.sentence in said
        _, _, width, height = map(float, root.attrib["viewBox"].split())
        for node in root.iter():
            for key, most in (("x1", width), ("x2", width), ("y1", height), ("y2", height)):
                assert 0 <= float(node.attrib.get(key, 0)) <= most
    assert "Saddle height: 719.6 ± 0.6 mm" in said
    assert "lean 4.0°" in said


def test_a_time_trial_bar_is_drawn_where_it_is_asked_for() -> None:
    plain = typical(["saddle_nose", "hood_left"])
    assert set(TYPICAL) - set(plain) == {
        f"{pair}_{side}" for pair in ("pad", "extension") for side in ("left", "right")
    }
    assert set(TYPICAL) - set(typical(["pad_left"])) == {"extension_left", "extension_right"}
    assert typical(["pad", "extension_right"]) == TYPICAL
    assert len(strokes(plain, wheels=False, cranks=False)) == len(
        strokes(TYPICAL, wheels=False, cranks=False)
    ) - 2  # fmt: skip


def test_wheels_are_as_large_as_their_tyres_were_found() -> None:
    """Crank axis to the ground, from the top of a wheel's circle to its bottom."""
    rims = [s for s in strokes(POINTS, wheels=True, cranks=True) if s.role == "wheel"]
    low, high = (pick(end[1] for s in rims for end in (s.a, s.b)) for pick in (min, max))
    assert high - low == pytest.approx(2 * DESIGN.tyre_mm, abs=2.0)
    foot, axis = dimension_lines("bottom_bracket_height", POINTS).span  # type: ignore[union-attr]
    assert foot[1] == pytest.approx(low, abs=1.0)
    assert axis == (0.0, 0.0)
