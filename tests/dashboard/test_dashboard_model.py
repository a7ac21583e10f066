"""Strokes, past and charts behind the fitter's window, without a screen."""

from __future__ import annotations

from typing import Any

import pytest

from livefit.dashboard.model import ASK_AGAIN_S, RECENT, DashboardModel
from livefit.definitions.models import Definitions
from tests.dashboard.dashboard_examples import (
    make_mark,
    make_row,
    make_snapshot,
    make_strokes,
)

KNEE = ("knee_flexion", "bdc")
HIP = ("hip_angle", "tdc")
MEANS = {KNEE: (36.0, 41.0)}
# The scatter of the invented strokes, by number modulo 7 (dashboard_examples).
SCATTER = (0.4, -0.7, 0.1, 1.0, -0.3, -1.1, 0.6)


def model_of(definitions: Definitions, *pairs: tuple[str, str], **changes: Any) -> DashboardModel:
    model = DashboardModel(definitions, pairs or (KNEE,))
    show(model, **changes)
    return model


def show(model: DashboardModel, **changes: Any) -> None:
    rows = [make_row(*KNEE, side, 36.0) for side in "LR"]
    model.apply_snapshot(make_snapshot(rows, **changes), 100.0)


def recent(model: DashboardModel) -> tuple[tuple[float, ...], ...]:
    return tuple(cell.recent for cell in model.rows[0].cells)


def test_the_last_strokes_stand_on_the_scale(definitions: Definitions) -> None:
    model = model_of(definitions)
    assert recent(model) == ((), ())
    for stroke in make_strokes(MEANS, count=20):
        model.apply_stroke(stroke)
    show(model)
    want = [36.0 + SCATTER[n % 7] for n in range(21 - RECENT, 21)]
    assert recent(model)[0] == pytest.approx(want)
    assert recent(model)[1] == pytest.approx([v + 5.0 for v in want])


def test_a_mark_begins_the_strokes_anew(definitions: Definitions) -> None:
    model = model_of(definitions)
    for stroke in make_strokes(MEANS, count=9):
        model.apply_stroke(stroke)
    for stroke in make_strokes(MEANS, first=10, count=2, marks=3):
        model.apply_stroke(stroke)
    show(model, marks=[make_mark(number=3)])
    assert recent(model)[0] == pytest.approx([36.0 + SCATTER[3], 36.0 + SCATTER[4]])
    # Taken back, they are strokes like all others.
    show(model)
    assert len(recent(model)[0]) == 11


def test_missing_values_have_no_tick(definitions: Definitions) -> None:
    model = model_of(definitions)
    for stroke in make_strokes(MEANS, count=3):
        values: list[float | None] = [None] if stroke.stroke == 2 else stroke.values
        model.apply_stroke(stroke.model_copy(update={"values": values}))
    show(model)
    assert len(recent(model)[0]) == 2


def test_another_node_begins_anew(definitions: Definitions) -> None:
    model = model_of(definitions)
    for stroke in make_strokes(MEANS, count=3):
        model.apply_stroke(stroke)
    show(model, node="n2", stream="s2")
    assert recent(model) == ((), ())


def test_the_past_is_asked_for_once(definitions: Definitions) -> None:
    model = DashboardModel(definitions, (KNEE, HIP))
    assert model.past_wanted(99.0) == []
    show(model)
    assert model.past_wanted(100.0) == [list(KNEE), list(HIP)]
    assert model.past_wanted(200.0) == []
    # Rows new in the table, another node, and what was refused are asked for again.
    show(model, chosen={"fitter": [list(KNEE), ["ankle_angle", "bdc"]]})
    assert model.past_wanted(200.0) == [["ankle_angle", "bdc"]]
    show(model, node="n2", chosen={"fitter": [list(KNEE)]})
    assert model.past_wanted(300.0) == [list(KNEE)]
    model.past_refused([list(KNEE)])
    assert model.past_wanted(300.0 + ASK_AGAIN_S / 2) == []
    assert model.past_wanted(300.0 + ASK_AGAIN_S) == [list(KNEE)]


def test_a_gap_makes_the_past_be_asked_for(definitions: Definitions) -> None:
    model = model_of(definitions, KNEE, HIP)
    model.past_wanted(100.0)
    for stroke in make_strokes(MEANS, first=4, count=3):
        model.apply_stroke(stroke)
    assert model.past_wanted(200.0) == []
    for stroke in make_strokes(MEANS, first=9, count=1):
        model.apply_stroke(stroke)
    assert model.past_wanted(300.0) == [list(KNEE)]
    rows = [
        {"measure": "knee_flexion", "event": "bdc", "side": "L", "strokes": [6, 7, 8],
         "t": [1.0, 2.0, 3.0], "values": [50.0, 51.0, None], "marks": [0, 0, 0]},
    ]  # fmt: skip
    model.apply_history({"rows": rows})
    show(model)
    # Stroke 6 was there already: what is known stays.
    want = [36.0 + SCATTER[n % 7] for n in (4, 5, 6)] + [51.0, 36.0 + SCATTER[9 % 7]]
    assert recent(model)[0] == pytest.approx(want)


def test_the_chart_follows_the_selected_row(definitions: Definitions) -> None:
    model = model_of(definitions, KNEE, HIP)
    assert model.charts.selected == KNEE
    model.select(1)
    assert model.charts.selected == HIP
    show(model, chosen={"fitter": [["ankle_angle", "bdc"], list(KNEE)]})
    assert model.charts.selected == ("ankle_angle", "bdc")


def test_held_charts_stay_and_lose_nothing(definitions: Definitions) -> None:
    model = model_of(definitions)
    held = model.charts.chart
    model.toggle_hold()
    for stroke in make_strokes(MEANS, count=3):
        model.apply_stroke(stroke)
    assert model.charts.chart is held
    model.toggle_hold()
    show(model)
    assert model.charts.chart is not held
    assert len(recent(model)[0]) == 3
