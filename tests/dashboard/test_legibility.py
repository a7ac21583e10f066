"""How large what matters stands before the fitter: minutes of arc at the configured distance."""

from __future__ import annotations

import math
from typing import Any

import pytest

from livefit.dashboard.fitter_view import FitterView
from livefit.dashboard.layer import Rect
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.picture import offscreen_canvas
from livefit.dashboard.visuals import Box
from livefit.definitions.models import Definitions
from livefit.view.asking import Ask
from livefit.view.charts import KINDS
from livefit.view.hands import Hands
from livefit.wire.messages import DeviceState
from tests.dashboard.change_examples import make_against, make_change, make_changes, make_offer
from tests.dashboard.chart_examples import make_cycles
from tests.dashboard.dashboard_examples import (
    make_health,
    make_mark,
    make_pose,
    make_rows,
    make_snapshot,
    make_strokes,
)
from tests.dashboard.estimate_examples import make_estimate, make_way
from tests.dashboard.test_picture import crowded, outside, overlaps

SIZES = [(1280, 720), (1920, 1080), (3840, 2160)]
DIAGONAL_MM, DISTANCE_MM = 686.0, 2000.0
"""27 inches at two metres, as configs/screens.toml has it for the fitter."""
AT_HAND_MM = 750.0
"""From the eye to a screen whose keys are in reach: common practice, no source."""
CAPITALS = 1462 / 2048
"""Of OpenSans: height of capitals and digits over the size of the type, from its OS/2 table."""
RECOMMENDED = 20.0
"""Minutes of arc: ISO 9241-303, from memory."""
NAMES = (
    "Knee flexion", "Hip", "Ankle", "Trunk", "Knee fwd", "Elbow", "bottom", "largest", "top",
    "mean", "forward", "L", "R",
)  # fmt: skip
VALUES = (
    "36°", "42°", "110°", "111°", "48°", "128°", "\N{MINUS SIGN}14", "22°", "8°", "±0.4", "±1.6",
    "\N{MINUS SIGN}3.1°", "30°", "40°", "+3 strokes", "mark +1.0°  +1.0°",
)  # fmt: skip
VERDICTS = ("within", "above", "below", "unsure", "no band")
HEADER = ("91", "rpm", "212", "W", "L 15  R 15", "+3 to hold", "200", "Hz", "rec", "off", "0.0 s")
WRONG = ("! 300", "2.4 %", "! 300", "ms", "! 8", "%")
MESSAGE = (
    "From the baseline",
    "L \N{MINUS SIGN}3.1° ±0.8°",
    "cadence +4 rpm",
    "missing R ankle +1",
)
CHART = ("Knee, bottom", "45°", "25°", "latest", "saddle up 5 mm", "57°", "crank 100°")
"""What a fitter goes by: from where they are, not from the keyboard."""


def minutes(box: Box, size: tuple[int, int], distance_mm: float = DISTANCE_MM) -> float:
    """Height of a text's capitals, seen from the eye."""
    cap_mm = box.size * CAPITALS * DIAGONAL_MM / math.hypot(*size)
    return math.degrees(2 * math.atan(cap_mm / 2 / distance_mm)) * 60


def too_small(boxes: list[Box], size: tuple[int, int]) -> list[tuple[str, float]]:
    """Texts that cannot be read from where they are to be read, and their minutes."""
    seen = [(box.text, minutes(box, size, AT_HAND_MM if box.close else DISTANCE_MM))
            for box in boxes]  # fmt: skip
    return [(text, arc) for text, arc in seen if arc < RECOMMENDED]


def smallest(boxes: list[Box], size: tuple[int, int], texts: tuple[str, ...]) -> float:
    """Minutes of the smallest of these texts, all of which are there."""
    there = {box.text for box in boxes}
    assert set(texts) - there == set()
    return min(minutes(box, size) for box in boxes if box.text in texts)


def at_work(definitions: Definitions, **changes: Any) -> DashboardModel:
    """A ride with a baseline, a mark, other loads and markers out of sight."""
    model = DashboardModel(definitions)
    model.apply_pose(make_pose(sent=100.0), 100.01)
    for stroke in make_strokes(count=90):
        model.apply_stroke(stroke)
    model.apply_cycles(make_cycles())
    rows = [
        row.model_copy(update={"baseline": row.mean + 3.1, "before": row.mean - 1.0, "needed": 3})
        for row in make_rows(definitions)
        if row.mean is not None
    ]
    health = make_health(lost=300, delay_ms=300.0, missing={"R_LM": 0.35, "L_LE": 0.2})
    fields = {"workload_w": 212.0, "marks": [make_mark()], "health": health} | changes
    model.apply_snapshot(make_snapshot(rows, sent=100.0, **fields), 100.01)
    told = [make_change("knee_flexion", "bdc", "L", baseline=make_against(-3.1, 0.8))]
    loads = [make_change("cadence", "mean", "R", unit="rpm", baseline=make_against(4.0, 0.5))]
    model.apply_changes(make_changes(told, loads=loads, offers=changes.get("offers", [])))
    model.apply_silence(100.05)
    return model


@pytest.mark.parametrize("size", SIZES)
def test_every_text_can_be_read_from_where_it_is_to_be_read(
    definitions: Definitions, size: tuple[int, int]
) -> None:
    nothing = DashboardModel(definitions, endpoint="tcp://127.0.0.1:5555")
    with offscreen_canvas(size) as canvas:
        view = FitterView(canvas, nothing)
        for model in (
            nothing,
            at_work(definitions),
            crowded(definitions),
            crowded(definitions, 12),
        ):
            view.model = model
            view.hands = Hands(model)
            for kind in KINDS:
                model.charts.kind = kind
                view.refresh()
                assert len(view.boxes()) > 40
                assert too_small(view.boxes(), size) == []
            model.apply_changes(make_changes([], offers=[make_offer()]))
            for keys in ("M", "M 8", "M 1 N 1", "O", "W", "P", "D", "E", "A", "A 1", "N", "N 1 1"):
                for key in keys.split():
                    view.hands.press(key)
                view.refresh()
                assert len(view.ask_boxes()) > 4
                assert too_small(view.ask_boxes(), size) == []
                view.hands.sheet = None
            view.hands.press("H")
            view.refresh()
            assert len(view.help_boxes()) > 60
            assert too_small(view.help_boxes(), size) == []


@pytest.mark.parametrize("size", SIZES)
def test_what_the_fitter_goes_by_can_be_read_from_where_they_kneel(
    definitions: Definitions, size: tuple[int, int]
) -> None:
    model = at_work(definitions, health=make_health(missing={"R_LM": 0.35, "L_LE": 0.2}))
    with offscreen_canvas(size) as canvas:
        view = FitterView(canvas, model)
        view.refresh()
        boxes = view.boxes()
        table = [box for box in boxes if view.layout.table.holds(box.left, box.top)]
        header = [box for box in boxes if view.layout.header.holds(box.left, box.top)]
        assert smallest(table, size, NAMES) >= RECOMMENDED
        assert smallest(table, size, VALUES) >= RECOMMENDED
        assert smallest(table, size, VERDICTS) >= RECOMMENDED
        assert smallest(header, size, HEADER) >= RECOMMENDED
        assert smallest(boxes, size, MESSAGE) >= RECOMMENDED
        assert smallest(boxes, size, CHART) >= RECOMMENDED
        # What is wrong takes the place of what is well.
        view.model = at_work(
            definitions,
            health=make_health(lost=300, delay_ms=300.0),
            device=DeviceState(stream="s1", battery=0.08),
        )
        view.refresh()
        header = [box for box in view.boxes() if view.layout.header.holds(box.left, box.top)]
        assert smallest(header, size, WRONG) >= RECOMMENDED
        assert "Hz" not in {box.text for box in header}


def test_what_has_no_room_is_said_in_full_in_the_help(definitions: Definitions) -> None:
    model = crowded(definitions)
    # A notice that is over makes room for the problem.
    model.notify("", 0.0)
    message = model.message
    assert message is not None
    with offscreen_canvas(SIZES[0]) as canvas:
        view = FitterView(canvas, model)
        view.refresh()
        texts = [box.text for box in view.boxes()]
        assert "H: all" in texts
        assert any(text.endswith("…") and message.detail.startswith(text[:-1]) for text in texts)
        view.hands.press("H")
        view.refresh()
        said = " ".join(box.text for box in view.help_boxes())
        for text in (message.title, message.detail, model.loads, ", ".join(model.missing)):
            assert text in said


def test_the_selected_row_alone_says_the_rest(definitions: Definitions) -> None:
    model = at_work(definitions)
    with offscreen_canvas(SIZES[1]) as canvas:
        view = FitterView(canvas, model)
        for number, edges in ((0, ("30°", "40°")), (5, ("\N{MINUS SIGN}10", "10"))):
            model.select(number)
            view.refresh()
            table = [b for b in view.boxes() if view.layout.table.holds(b.left, b.top)]
            low, high = ([b for b in table if b.text == edge] for edge in edges)
            assert (len(low), len(high)) == (1, 1)
            assert low[0].right < high[0].left
            assert [b.text for b in table].count("+3 strokes") == 1
            assert view.click(low[0].left, low[0].top) == number


@pytest.mark.parametrize("size", SIZES)
def test_of_more_rows_than_can_be_read_some_are_shown(
    definitions: Definitions, size: tuple[int, int]
) -> None:
    events = ("tdc", "forward", "bdc", "rearward", "maximum", "minimum")
    pairs = [(name, e) for name in ("ankle_dorsiflexion", "foot_inclination") for e in events]
    model = DashboardModel(definitions, pairs)
    model.apply_snapshot(make_snapshot(make_rows(definitions)), 100.0)
    shorts = {event.short for event in definitions.events}
    with offscreen_canvas(size) as canvas:
        view = FitterView(canvas, model)
        seen = []
        for number in range(len(pairs)):
            model.select(number)
            view.refresh()
            boxes = [box for box in view.boxes() if view.layout.table.holds(box.left, box.top)]
            assert overlaps(boxes) == []
            assert outside(boxes, view.layout.table) == []
            names = [b for b in boxes if b.text in ("Dorsiflexion", "Foot", *shorts)]
            assert min(minutes(box, size) for box in names) >= RECOMMENDED
            rows = [view.click(view.layout.table.x + 30, box.top) for box in names]
            assert number in rows
            seen.append((min(r for r in rows if isinstance(r, int)), len(names) // 2))
    # The rows stand still until the selected one would leave them.
    count = seen[0][1]
    assert 6 <= count < len(pairs)
    assert seen == [(max(0, number - count + 1), count) for number in range(len(pairs))]


@pytest.mark.parametrize("size", SIZES)
def test_an_estimate_can_be_read_and_nothing_overlaps_on_it(
    definitions: Definitions, size: tuple[int, int]
) -> None:
    events = ("tdc", "forward", "bdc", "rearward", "seat_tube", "maximum", "minimum", "range")
    twelve = [("knee_flexion", e) for e in events] + [("hip_angle", e) for e in events[:4]]
    changes = {"saddle_height": 5.0}
    for chosen in (None, twelve):
        model = DashboardModel(definitions, chosen)
        model.apply_pose(make_pose(), 100.0)
        model.apply_snapshot(make_snapshot(make_rows(definitions)), 100.0)
        with offscreen_canvas(size) as canvas:
            view = FitterView(canvas, model)
            for keys, answer, then in (
                ("N 1 3", make_estimate(definitions, changes), "34.7°"),
                ("N 1 3", make_estimate(definitions, changes, -188.8), ""),
                ("I", make_way(definitions), "34.7°"),
            ):
                made = [view.hands.press(key) for key in keys.split()][-1]
                assert isinstance(made, Ask)
                view.hands.hear(made, answer, None)
                view.refresh()
                boxes = view.ask_boxes()
                assert overlaps(boxes) == []
                assert outside(boxes, Rect(0, 0, *size)) == []
                assert too_small(boxes, size) == []
                if chosen is None:
                    assert smallest(boxes, size, ("knee", "trunk", "bottom", "mean")) >= RECOMMENDED
                if chosen is None and then:
                    texts = (then, "36°", "±0.8", "within", "no band")
                    assert smallest(boxes, size, texts) >= RECOMMENDED
                    continue
                # Of twelve rows the last ones come with a key.
                first = {box.text for box in boxes}
                view.hands.press("Down")
                view.refresh()
                last = {box.text for box in view.ask_boxes()}
                assert (first == last) == (chosen is None)
