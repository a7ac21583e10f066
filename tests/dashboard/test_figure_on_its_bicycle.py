"""The measured bicycle under the moving rider."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from livefit.dashboard.figure import build_figure
from livefit.dashboard.figure_angles import Plane
from livefit.dashboard.model import DashboardModel
from livefit.view.bicycle_drawing import TYPICAL
from livefit.wire.messages import StandingBicycle
from tests.dashboard.dashboard_examples import make_pose

MakeModel = Callable[[], DashboardModel]


def standing(node: str = "n1", **changes: list[float]) -> StandingBicycle:
    points = {name: [float(x) for x in place] for name, place in TYPICAL.items()}
    return StandingBicycle(node=node, points=points | changes)


@pytest.mark.parametrize("plane", ["side", "front"])
def test_it_lies_within_the_picture(plane: Plane) -> None:
    figure = build_figure(make_pose(), {}, plane=plane, bicycle=TYPICAL)
    assert len(figure.bicycle) >= 8
    left, right, bottom, top = figure.extent
    for stroke in figure.bicycle:
        for x, y in (stroke.a, stroke.b):
            assert left <= x <= right
            assert bottom <= y <= top
    # The moving cranks and a trainer's wheels are no part of it.
    assert not {"far", "wheel"} & {stroke.role for stroke in figure.bicycle}
    assert build_figure(make_pose(), {}, plane=plane).bicycle == ()


def test_it_comes_once_stays_and_goes(riding: MakeModel) -> None:
    model = riding()
    node = make_pose().node
    model.apply(standing(node), 100.1)
    first = model.figures[0].bicycle
    assert first
    model.apply(make_pose(40.0, sent=100.1), 100.12)
    assert model.figures[0].bicycle == first
    model.apply(standing("another node"), 100.2)
    assert not model.figures[0].bicycle
    model.apply(standing(node), 100.3)
    assert model.figures[0].bicycle == first
    model.apply(StandingBicycle(node=node, points={}), 100.4)
    assert not model.figures[0].bicycle
    # A place that is none costs what needs it and no more.
    model.apply(standing(node, head_top_left=[1.0]), 100.5)
    assert 0 < len(model.figures[0].bicycle) < len(first)
