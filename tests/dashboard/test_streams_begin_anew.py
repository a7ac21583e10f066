"""Charts and figure when the device, or the node, begins anew: the node's own messages."""

from __future__ import annotations

from livefit.dashboard.model import DashboardModel
from livefit.node.requests import answer
from tests.node.streams import block, description, messages, play, processing, shipped

PAIR = ("knee_flexion", "bdc")


def test_a_device_that_counts_anew_begins_the_chart_anew() -> None:
    node, model = processing(), DashboardModel(shipped(), [PAIR])
    node.describe(description())
    for later, seed in ((0.0, 1), (13.0, 3)):
        for message in messages(block(seed))[:100]:
            now = (message.sent or 0.0) + later
            node.take(message, now)
            model.apply(node.snapshot(now), now)
            for stroke in node.trials.strokes():
                model.apply(stroke, now)
    [kept] = [r for r in node.trials.history.rows([PAIR], 100) if r["side"] == "R"]
    track = model.charts.history.track(*PAIR, "R")
    assert track["t"].tolist() == kept["t"]
    assert track["value"].tolist() == kept["values"]


def test_a_node_that_starts_again_has_no_baseline_in_the_figure() -> None:
    model = DashboardModel(shipped(), [PAIR])
    for kept in (True, False):
        node = processing()
        node.describe(description())
        now = play(node, messages(block()))
        if kept:
            answer(node, "set_baseline", {}, now)
        baseline, pose = node.trials.baseline_pose(), node.pose(now)
        assert pose is not None
        for message in (node.snapshot(now), baseline, pose):
            if message is not None:
                model.apply(message, now)
        assert model.figure is not None
        assert bool(model.figure.ghost) == kept
