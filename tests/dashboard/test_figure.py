"""The figure, without a screen."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from livefit.dashboard.figure import LIMBS, ROOM, FigureView, Sides, build_figure
from livefit.dashboard.figure_angles import Plane
from livefit.dashboard.mean_pose import BaselinePose
from livefit.dashboard.model import DashboardModel
from livefit.definitions.models import Definitions
from livefit.wire.messages import MeanPose, Pose
from tests.dashboard.dashboard_examples import (
    CRANK_MM,
    angle_at,
    landmarks,
    make_mean_pose,
    make_pose,
    make_snapshot,
)

MEASURED = ("knee_flexion", "hip_angle", "ankle_angle", "elbow_flexion")


def figure(
    definitions: Definitions, pose: Pose, names: tuple[str, ...] = MEASURED, **options: Any
) -> FigureView:
    return build_figure(pose, {name: definitions.measure(name) for name in names}, **options)


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
    names = [a.name for a in figure(definitions, make_pose(100.0)).angles]
    assert names == ["knee", "hip", "ankle", "elbow"]


def test_only_what_is_judged_is_written(definitions: Definitions) -> None:
    assert figure(definitions, make_pose(), ()).angles == ()
    (angle,) = figure(definitions, make_pose(), ("trunk_inclination",)).angles
    # Hip to shoulder of the invented rider: 395 up and 402 forward.
    assert (angle.name, angle.text) == ("trunk", "44°")
    assert figure(definitions, make_pose(), ("trunk_inclination",), plane="front").angles == ()


def test_arcs_turn_by_the_angle_that_they_stand_for(definitions: Definitions) -> None:
    points = landmarks(100.0)
    for angle in figure(definitions, make_pose(100.0)).angles:
        joint = min(points.values(), key=lambda p: math.dist(p, angle.at))
        assert angle_at(angle.arc[0], joint, angle.arc[-1]) == pytest.approx(
            float(angle.text[:-1]), abs=0.6
        )
        assert len({round(math.dist(p, joint), 3) for p in angle.arc}) == 1


def test_a_distance_is_shown_by_guides_along_the_axes(definitions: Definitions) -> None:
    view = figure(definitions, make_pose(90.0), ("knee_over_spindle",))
    (angle,) = view.angles
    knee = landmarks(90.0)["LE"]
    behind = CRANK_MM - knee[0]
    assert (angle.name, angle.text) == ("knee fwd mm", f"−{behind:.0f}")
    plumb, level = view.guides
    # From the spindle, forward by a crank's length, straight up and then level to the knee.
    assert plumb[0] == pytest.approx((CRANK_MM, 0.0), abs=1e-9)
    assert plumb[1] == pytest.approx((CRANK_MM, knee[1]))
    assert level[0] == plumb[1]
    assert level[1] == pytest.approx(knee)


def test_from_the_front_the_riders_right_is_on_the_left(definitions: Definitions) -> None:
    view = figure(definitions, make_pose(90.0), plane="front")
    knee = landmarks(90.0)["LE"]
    lines = {line.a for line in view.lines} | {line.b for line in view.lines}
    # Knees 110 mm from the mid-plane, the right one ahead and so higher.
    assert any(p == pytest.approx((-110.0, knee[1])) for p in lines)
    assert any(p == pytest.approx((110.0, landmarks(270.0)["LE"][1])) for p in lines)
    assert view.crank is not None
    # Arms upright where the feet are; the pedals at the height of the hub.
    assert view.crank.near == pytest.approx((-145.0, 0.0), abs=1e-9)
    assert view.crank.far == pytest.approx((145.0, 0.0), abs=1e-9)
    top = figure(definitions, make_pose(0.0), plane="front").crank
    assert top is not None
    assert top.near_hub == (-145.0, 0.0)
    assert top.near == pytest.approx((-145.0, CRANK_MM))


@pytest.mark.parametrize("plane", ["side", "front"])
@pytest.mark.parametrize(("sides", "near"), [("left", "L"), ("right", "R")])
def test_one_side_alone(definitions: Definitions, plane: Plane, sides: Sides, near: str) -> None:
    view = figure(definitions, make_pose(30.0), plane=plane, sides=sides)
    assert view.near_side == near
    assert view.crank_deg == (30.0 if near == "R" else 210.0)
    assert {line.role for line in view.lines} == {"near"}
    assert len(view.lines) == len(LIMBS)
    # A side that carries no markers cannot be asked for.
    other = figure(definitions, make_pose(sides="R"), plane=plane, sides="left")
    assert other.near_side == "R"


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


def test_a_marker_never_seen_takes_only_its_own_lines(definitions: Definitions) -> None:
    whole = figure(definitions, make_pose())
    less = figure(definitions, make_pose(missing=("R_LM",)))
    lost = sum("LM" in limb for limb in LIMBS)
    assert len(less.lines) == len(whole.lines) - lost
    assert less.missing == ("R_LM",)
    # Knee and ankle angle are drawn with the ankle.
    assert [a.name for a in less.angles] == ["hip", "elbow"]
    assert all(math.isfinite(c) for line in less.lines for c in (*line.a, *line.b))


def test_a_lost_marker_stays_where_it_was_seen_last(definitions: Definitions) -> None:
    model = DashboardModel(definitions)
    model.apply_pose(make_pose(100.0), 100.0)
    seen = landmarks(100.0)["LM"]
    model.apply_pose(make_pose(140.0, missing=("R_LM",)), 100.1)
    side, front = model.figures
    assert [name for name, _ in side.lost] == ["R_LM"]
    assert side.lost[0][1] == pytest.approx(seen)
    assert front.lost[0][1] == pytest.approx((-120.0, seen[1]))
    assert sum(line.lost for line in side.lines) == sum("LM" in limb for limb in LIMBS)
    assert all(seen == pytest.approx(line.a) or seen == pytest.approx(line.b)
               for line in side.lines if line.lost)  # fmt: skip
    model.apply_pose(make_pose(150.0), 100.2)
    assert model.figures[0].lost == ()
    # What was never seen has no place.
    fresh = DashboardModel(definitions)
    fresh.apply_pose(make_pose(missing=("R_LM",)), 100.0)
    assert fresh.figures[0].lost == ()
    assert fresh.figures[0].missing == ("R_LM",)


@pytest.mark.parametrize("crank_deg", [0.0, 90.0, 94.0, 355.0])
def test_the_baseline_stands_at_the_same_crank(definitions: Definitions, crank_deg: float) -> None:
    model = DashboardModel(definitions)
    model.apply_pose(make_pose(crank_deg), 100.0)
    assert model.figures[0].ghost == ()
    model.apply_baseline(make_mean_pose(raised_mm=-25.0))
    model.apply_pose(make_pose(crank_deg), 100.0)
    side, front = model.figures
    near = [line for line in side.lines if line.role == "near"]
    assert len(side.ghost) == len(near)
    for old, new in zip(side.ghost, near, strict=True):
        # The sagitta of 10 deg of the largest circle here, the heel's: under 1 mm.
        assert (old.a[0], old.a[1] + 25.0) == pytest.approx(new.a, abs=1.0)
        assert (old.b[0], old.b[1] + 25.0) == pytest.approx(new.b, abs=1.0)
    assert len(front.ghost) == len(front.lines)
    model.apply_baseline(MeanPose(node="n1", labels=[], xyz=b""))
    model.apply_pose(make_pose(crank_deg), 100.1)
    assert model.figures[0].ghost == ()


def test_between_two_poses_of_the_baseline_lies_their_mean() -> None:
    poses = [(10.0 * i, -20.0 * i, 3.0) for i in range(36)]
    poses[9] = (math.nan,) * 3
    message = MeanPose(node="n1", labels=["R_LE"], xyz=np.array(poses, "<f4").tobytes())
    baseline = BaselinePose(message)
    # At 355 half-way from 350 to 360, which is 0.
    for crank_deg, x in ((40.0, 40.0), (42.5, 42.5), (355.0, 175.0), (80.0, 80.0)):
        place = baseline.at(crank_deg)
        assert place is not None
        assert place["R_LE"] == pytest.approx((x, -2 * x, 3.0))
    assert baseline.at(83.0) == baseline.at(90.0) == {}
    assert baseline.at(None) is None
    with pytest.raises(ValueError, match="expected 864 bytes"):
        BaselinePose(message.model_copy(update={"labels": ["R_LE", "R_GT"]}))


def test_extent_grows_but_a_ghost_marker_cannot_shrink_the_rider(definitions: Definitions) -> None:
    measures = {m.name: m for m in definitions.measures}
    first = build_figure(make_pose(0.0, sides="R"), measures)
    second = build_figure(make_pose(270.0, sides="R"), measures, first)
    assert second.extent[0] < first.extent[0]
    assert build_figure(make_pose(0.0, sides="R"), measures, second).extent == second.extent
    ghost = make_pose(xyz=b"\0\0\x80\x47" * 60)  # 65536 mm
    left, right, bottom, top = build_figure(ghost, measures, second).extent
    assert (left, bottom) == (second.extent[0], second.extent[2])
    assert (right, top) == (ROOM["side"][1], ROOM["side"][3])


def test_no_crank_no_circle(definitions: Definitions) -> None:
    unknown = make_pose().model_copy(update={"crank_deg": None})
    assert figure(definitions, unknown).crank_text == "–"
    assert figure(definitions, make_pose(crank_deg=100.0, crank_mm={})).crank is None


def test_positions_must_match_the_labels(definitions: Definitions) -> None:
    with pytest.raises(ValueError, match=r"expected 60 numbers for 20 labels, got 59"):
        figure(definitions, make_pose(xyz=b"\0" * 4 * 59))


def test_figure_words(definitions: Definitions) -> None:
    model = DashboardModel(definitions)
    assert (model.figure_text, model.figure_stale) == ("", True)
    model.apply_pose(make_pose(359.7, sent=100.0), 100.01)
    assert model.figure_text == "right side in front"
    assert model.figures[0].crank_text == "0°"
    assert (model.figure_age, model.figure_stale) == ("", False)
    model.apply_silence(102.5)
    assert (model.figure_age, model.figure_stale) == ("Figure 2.5 s old", True)


def test_views_and_sides_go_round(definitions: Definitions) -> None:
    model = DashboardModel(definitions)
    model.apply_pose(make_pose(10.0), 100.0)
    seen = []
    for _ in range(4):
        seen.append([figure.plane for figure in model.figures])
        model.next_views()
    assert seen == [["side", "front"], ["side"], ["front"], ["side", "front"]]
    near = []
    for _ in range(4):
        near.append((model.sides, model.figure_text))
        model.next_sides()
    assert near == [
        ("both", "right side in front"), ("left", "left side alone"),
        ("right", "right side alone"), ("both", "right side in front"),
    ]  # fmt: skip


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
