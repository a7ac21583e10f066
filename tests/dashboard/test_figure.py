"""The figure, without a screen."""

from __future__ import annotations

import math

import pytest

from livefit.dashboard.figure import LIMBS, ROOM, FigureView, build_figure
from livefit.dashboard.model import DashboardModel
from livefit.definitions.models import Definitions
from livefit.wire.messages import Pose
from tests.dashboard.dashboard_examples import (
    CRANK_MM,
    angle_at,
    landmarks,
    make_pose,
    make_snapshot,
)


def figure(definitions: Definitions, pose: Pose) -> FigureView:
    return build_figure(pose, {m.name: m for m in definitions.measures})


@pytest.mark.parametrize(
    ("crank_deg", "tip"),
    # The project's convention: 0 top dead centre, 90 forward (X), 180 bottom.
    [(0.0, (0.0, 1.0)), (90.0, (1.0, 0.0)), (180.0, (0.0, -1.0)), (270.0, (-1.0, 0.0))],
)
def test_the_crank_turns_forward(
    definitions: Definitions, crank_deg: float, tip: tuple[float, float]
) -> None:
    crank = figure(definitions, make_pose(crank_deg)).crank
    assert crank is not None
    assert crank.near == pytest.approx((CRANK_MM * tip[0], CRANK_MM * tip[1]), abs=1e-9)
    assert crank.far == pytest.approx((-CRANK_MM * tip[0], -CRANK_MM * tip[1]), abs=1e-9)


def test_live_angles_stand_at_their_joints(definitions: Definitions) -> None:
    points = landmarks(100.0)
    angles = {a.at: a.text for a in figure(definitions, make_pose(100.0)).angles}
    knee = 180 - angle_at(points["GT"], points["LE"], points["LM"])
    at = {name: tuple(round(c, 2) for c in points[name]) for name in ("GT", "LE", "LM", "EL")}
    found = {tuple(round(c, 2) for c in p): text for p, text in angles.items()}
    assert set(found) == set(at.values())
    assert found[at["LE"]] == f"{knee:.0f}°"


def test_the_near_side_lies_above_the_far_side(definitions: Definitions) -> None:
    roles = [line.role for line in figure(definitions, make_pose()).lines]
    assert roles == ["far"] * len(LIMBS) + ["near"] * len(LIMBS)


def test_the_left_side_alone_turns_by_its_own_crank(definitions: Definitions) -> None:
    view = figure(definitions, make_pose(100.0, sides="L"))
    assert (view.near_side, view.crank_deg) == ("L", 280.0)
    assert {line.role for line in view.lines} == {"near"}
    turn = math.radians(280.0)
    assert view.crank is not None
    assert view.crank.near == pytest.approx((CRANK_MM * math.sin(turn), CRANK_MM * math.cos(turn)))


def test_a_lost_marker_takes_only_its_own_lines(definitions: Definitions) -> None:
    whole = figure(definitions, make_pose())
    less = figure(definitions, make_pose(missing=("R_LM",)))
    lost = sum("LM" in limb for limb in LIMBS)
    assert len(less.lines) == len(whole.lines) - lost
    assert less.missing == ("R_LM",)
    assert len(less.angles) == len(whole.angles) - 1
    assert all(math.isfinite(c) for line in less.lines for c in (*line.a, *line.b))


def test_extent_grows_but_a_ghost_marker_cannot_shrink_the_rider(definitions: Definitions) -> None:
    measures = {m.name: m for m in definitions.measures}
    first = build_figure(make_pose(0.0, sides="R"), measures)
    second = build_figure(make_pose(270.0, sides="R"), measures, first)
    assert second.extent[0] < first.extent[0]
    assert build_figure(make_pose(0.0, sides="R"), measures, second).extent == second.extent
    ghost = make_pose(xyz=b"\0\0\x80\x47" * 60)  # 65536 mm
    left, right, bottom, top = build_figure(ghost, measures, second).extent
    assert (left, bottom) == (second.extent[0], second.extent[2])
    assert (right, top) == (ROOM[1], ROOM[3])


def test_no_crank_no_circle(definitions: Definitions) -> None:
    assert figure(definitions, make_pose(crank_deg=100.0, crank_mm={})).crank is None


def test_positions_must_match_the_labels(definitions: Definitions) -> None:
    with pytest.raises(ValueError, match=r"expected 60 numbers for 20 labels, got 59"):
        figure(definitions, make_pose(xyz=b"\0" * 4 * 59))


def test_figure_words(definitions: Definitions) -> None:
    model = DashboardModel(definitions)
    assert (model.figure_text, model.crank_text, model.figure_stale) == ("", "–", True)
    model.apply_pose(make_pose(359.7, sent=100.0), 100.01)
    assert (model.figure_text, model.crank_text) == ("right side in front", "0°")
    assert not model.figure_stale
    model.apply_silence(102.5)
    assert (model.figure_text, model.figure_stale) == ("Figure 2.5 s old", True)


def test_a_held_figure_stays_and_another_node_brings_a_new_one(definitions: Definitions) -> None:
    model = DashboardModel(definitions)
    model.apply_pose(make_pose(10.0), 100.0)
    model.apply_snapshot(make_snapshot([]), 100.0)
    held = model.figure
    assert held is not None
    model.toggle_hold()
    model.apply_pose(make_pose(20.0), 100.1)
    assert model.figure is held
    model.toggle_hold()
    model.apply_pose(make_pose(20.0, node="n2", sides="L"), 100.2)
    assert model.figure is not None
    assert model.figure.near_side == "L"
    model.apply_snapshot(make_snapshot([], stream="s2"), 100.3)
    assert model.figure is None
