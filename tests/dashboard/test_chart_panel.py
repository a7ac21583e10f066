"""The panel of the charts, drawn off screen."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from livefit.dashboard import theme
from livefit.dashboard.charts.chart_panel import ChartPanel
from livefit.dashboard.charts.ink import along
from livefit.dashboard.charts.sheet import free_place, spaced, thinned
from livefit.dashboard.charts.time_chart import mark_places
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.picture import offscreen_canvas
from livefit.dashboard.theme import Color
from livefit.dashboard.visuals import Box, Fonts
from livefit.definitions.models import Definitions
from livefit.view.charts import KINDS, ChartsModel
from livefit.wire.messages import Cycles
from tests.dashboard.chart_examples import (
    KNEE_BDC,
    PERIOD_S,
    bdc_snapshot,
    make_cycles,
    make_mark,
    make_stroke,
    riding_charts,
)
from tests.dashboard.dashboard_examples import make_row, make_snapshot

Pixels = NDArray[np.uint8]
PLACES = [
    (Rect(30, 20, 405, 235), 2 / 3),
    (Rect(10, 10, 690, 620), 1.0),
    (Rect(0, 40, 1400, 1200), 2.0),
]
AT = [f"{place.w:.0f}x{place.h:.0f}" for place, _ in PLACES]


@contextmanager
def panel_at(rect: Rect, unit: float) -> Iterator[tuple[ChartPanel, object]]:
    with offscreen_canvas((round(rect.right) + 20, round(rect.bottom) + 20)) as canvas:
        canvas.bgcolor = theme.PANEL
        panel = ChartPanel(canvas.scene, Fonts())
        panel.place(rect, unit, 1.0)
        yield panel, canvas


def picture(charts: ChartsModel, rect: Rect, unit: float) -> tuple[Pixels, dict[str, Box]]:
    """Pixels (height, width, 3) and where the texts are."""
    with panel_at(rect, unit) as (panel, canvas):
        panel.refresh(charts)
        pixels = np.asarray(canvas.render(alpha=False))  # type: ignore[attr-defined]
        return pixels, {box.text: box for box in panel.boxes()}


def near(pixels: Pixels, color: Color, within: int = 12) -> NDArray[np.bool_]:
    """Where the colour is."""
    wanted = np.round(np.array(color[:3]) * 255).astype(int)
    found: NDArray[np.bool_] = (np.abs(pixels.astype(int) - wanted) <= within).all(axis=2)
    return found


def middle(box: Box) -> tuple[float, float]:
    return ((box.left + box.right) / 2, (box.top + box.bottom) / 2)


def crowded(definitions: Definitions) -> ChartsModel:
    """Long names, many marks close to each other, and both sides alike."""
    wordy = definitions.model_copy(
        update={"measures": [m.model_copy(update={"title": f"{m.title} as it is taken in our own "
                                                           "studio"})
                             for m in definitions.measures]}
    )  # fmt: skip
    marks = [make_mark(i + 1, at, part=part, amount=-12.5) for i, (at, part) in enumerate(
        zip((40, 60, 64, 150, 200, 240, 290, 299),
            itertools.cycle(["saddle_tilt", "cleat_rotation", "a_part_of_our_own_making"]),
            strict=False))]  # fmt: skip
    charts = riding_charts(wordy, marks=marks, window={"seconds": 120.0})
    for number in range(300, 330):
        for side in "LR":
            charts.apply_stroke(make_stroke(number, side, -136.4, marks=8))
    return charts


def negative(definitions: Definitions) -> ChartsModel:
    charts = riding_charts(definitions)
    rows = [make_row("knee_over_spindle", "forward", side, -13.0, unit="mm", band=(-10.0, 10.0))
            for side in "LR"]  # fmt: skip
    charts.apply_snapshot(make_snapshot(rows))
    charts.watch([("knee_over_spindle", "forward")])
    for number in range(40):
        charts.apply_stroke(make_stroke(number, "R", -13.0 - number, event="forward",
                                        measures=["knee_over_spindle"]))  # fmt: skip
    return charts


@pytest.mark.parametrize(("rect", "unit"), PLACES, ids=AT)
def test_nothing_overlaps_or_leaves_the_panel(
    definitions: Definitions, rect: Rect, unit: float
) -> None:
    models = [ChartsModel(definitions, [KNEE_BDC]), riding_charts(definitions)]
    models += [crowded(definitions), negative(definitions)]
    with panel_at(Rect(0, 0, 64, 64), 1.0) as (panel, _):
        panel.place(rect, unit, 1.0)
        for model, kind in itertools.product(models, KINDS):
            model.kind = kind
            panel.refresh(model)
            boxes = panel.boxes()
            assert len(boxes) >= (2 if model.chart.empty else 10)
            for a, b in itertools.combinations(boxes, 2):
                across = min(a.right, b.right) - max(a.left, b.left)
                down = min(a.bottom, b.bottom) - max(a.top, b.top)
                assert across <= 0.5 or down <= 0.5, (kind, a, b)
            for box in boxes:
                assert rect.x <= box.left, (kind, box)
                assert box.right <= rect.right, (kind, box)
                assert rect.y <= box.top, (kind, box)
                assert box.bottom <= rect.bottom, (kind, box)


@pytest.mark.parametrize(("rect", "unit"), PLACES, ids=AT)
def test_no_ink_leaves_the_panel(definitions: Definitions, rect: Rect, unit: float) -> None:
    with panel_at(rect, unit) as (panel, canvas):
        for make, kind in itertools.product((riding_charts, crowded, negative), KINDS):
            charts = make(definitions)
            charts.kind = kind
            panel.refresh(charts)
            pixels = np.asarray(canvas.render(alpha=False))  # type: ignore[attr-defined]
            inked = (pixels != pixels[0, -1]).any(axis=2)
            (rows,), (columns,) = np.nonzero(inked.any(axis=1)), np.nonzero(inked.any(axis=0))
            assert rect.x <= columns[0]
            assert columns[-1] < rect.right
            assert rect.y <= rows[0]
            assert rows[-1] < rect.bottom


def test_numbers_are_as_large_as_the_tables_small_print(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    with panel_at(*PLACES[0]) as (panel, _):
        for (rect, unit), kind in itertools.product(PLACES, KINDS):
            charts.kind = kind
            panel.place(rect, unit, 1.0)
            panel.refresh(charts)
            digits = [box for box in panel.boxes() if box.text[-1] in "0123456789°"]
            assert len(digits) >= 5
            height = theme.SMALL * theme.CAP_HEIGHT * unit
            assert min(box.bottom - box.top for box in digits) >= height - 0.5


def test_the_band_lies_at_its_numbers(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    chart = charts.chart
    low, high = getattr(chart, "band", None) or (0.0, 0.0)
    pixels, boxes = picture(charts, *PLACES[1])
    (_, at_30), (_, at_50) = middle(boxes["30°"]), middle(boxes["50°"])
    top, bottom = (at_30 + (edge - 30) / 20 * (at_50 - at_30) for edge in (high, low))
    found = near(pixels, theme.BAND).sum(axis=1)
    filled = np.flatnonzero(found > 0.25 * PLACES[1][0].w)
    # The edges are lines of 3 px.
    assert filled.min() == pytest.approx(top, abs=3)
    assert filled.max() == pytest.approx(bottom, abs=3)


def test_marks_stand_at_their_time(definitions: Definitions) -> None:
    pixels, boxes = picture(riding_charts(definitions), *PLACES[1])
    (two, level), (one, _) = middle(boxes["−2 min"]), middle(boxes["−1 min"])
    before_s = (299.5 - 169.6) * PERIOD_S
    x = one + (before_s - 60) / 60 * (two - one)
    top = boxes["saddle up 5 mm"].top
    lines = near(pixels[round(top) : round(level) - 20], theme.TEXT).mean(axis=0)
    (columns,) = np.nonzero(lines > 0.7)
    assert columns.mean() == pytest.approx(x, abs=1.5)
    assert 0 < boxes["saddle up 5 mm"].left - columns.max() < 12


def test_the_event_and_its_band_stand_at_their_crank_angle(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    charts.kind = "over_stroke"
    pixels, boxes = picture(charts, *PLACES[1])
    bottom = boxes["bottom"]
    upright = near(pixels[:, :], theme.LINE, 4)[90:].mean(axis=0)
    assert abs(int(upright.argmax()) - middle(bottom)[0]) <= 2
    rows, columns = np.nonzero(near(pixels[90:], theme.BAND, 4))
    assert (columns.min() + columns.max()) / 2 == pytest.approx(middle(bottom)[0], abs=2)
    (_, at_40), (_, at_20) = middle(boxes["40°"]), middle(boxes["20°"])
    low = getattr(charts.chart, "band", (0.0, 0.0))[0]
    assert rows.max() + 90 == pytest.approx(at_20 + (low - 20) / 20 * (at_40 - at_20), abs=4)


def test_sides_differ_without_colour(definitions: Definitions) -> None:
    """The left side's line is one piece, the right side's many."""
    pieces = {}
    for side, color in (("L", theme.NEAR), ("R", theme.CRANK)):
        charts = ChartsModel(definitions, [KNEE_BDC])
        found = next(s for s in make_cycles().sides if s.side == side)
        alone = found.model_copy(update={"last": found.mean, "baseline": b""})
        charts.apply_cycles(Cycles(node="n1", sides=[alone]))
        charts.kind = "over_stroke"
        pixels, boxes = picture(charts, *PLACES[1])
        assert side in boxes
        pieces[side] = ndimage.label(near(pixels[100:-60], color, 60))[1]
    # The line on either side of the event, the dot there and the letter.
    assert pieces["L"] == 4
    assert pieces["R"] >= 15


def test_the_front_view_faces_the_rider(definitions: Definitions) -> None:
    charts = riding_charts(definitions)
    charts.kind = "from_front"
    with panel_at(*PLACES[1]) as (panel, _):
        panel.refresh(charts)
        at = sorted((middle(box)[0], box.text) for box in panel.boxes())
    order = [text for _, text in at if text in ("out", "in", "0", "−40")]
    assert order == ["out", "0", "−40", "in", "in", "−40", "0", "out"] or order == [
        "out", "0", "in", "−40", "−40", "in", "0", "out",
    ]  # fmt: skip
    headings = [text for _, text in at if text.endswith("leg")]
    assert headings == ["R leg", "L leg"]


def test_it_draws_only_what_has_changed(
    definitions: Definitions, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[Layer] = []
    show = Layer.show

    def counted(layer: Layer, pixel_scale: float = 1.0) -> None:
        drawn.append(layer)
        show(layer, pixel_scale)

    monkeypatch.setattr(Layer, "show", counted)
    charts = riding_charts(definitions)

    def redrawn(panel: ChartPanel) -> bool:
        drawn.clear()
        panel.refresh(charts)
        return bool(drawn)

    with panel_at(*PLACES[0]) as (panel, _):
        assert redrawn(panel)
        assert not redrawn(panel)
        charts.apply_snapshot(bdc_snapshot(definitions, number=9))
        assert not redrawn(panel)
        charts.apply_stroke(make_stroke(300, marks=1))
        assert redrawn(panel)
        monkeypatch.setattr(theme, "PANEL", theme.rgb("#FFFFFF"))
        assert redrawn(panel)
        panel.visible = False
        charts.apply_stroke(make_stroke(301, marks=1))
        assert not redrawn(panel)


def test_hidden_is_not_seen(definitions: Definitions) -> None:
    with panel_at(*PLACES[0]) as (panel, canvas):
        panel.refresh(riding_charts(definitions))
        panel.visible = False
        pixels = np.asarray(canvas.render(alpha=False))  # type: ignore[attr-defined]
    assert (pixels == pixels[0, 0]).all()


def test_dashes_cover_their_share_of_a_line_and_leave_gaps_alone() -> None:
    # A half circle of 100 px and a straight line of 100 px, apart.
    turn = np.linspace(0, np.pi, 400)
    arc = 100 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    line = np.array([[300.0, 0.0], [400.0, 0.0]])
    begins, ends = along(np.concatenate([arc, [[np.nan, 0.0]], line]), 6.0, 4.0)
    lengths = np.hypot(*(ends - begins).T)
    on_arc = begins[:, 0] < 200
    assert lengths[on_arc].sum() == pytest.approx(0.6 * np.pi * 100, abs=4)
    np.testing.assert_allclose(np.hypot(*begins[on_arc].T), 100, atol=0.01)
    np.testing.assert_allclose(begins[~on_arc][:, 0], np.arange(300, 401, 10))


def test_spaced_letters_move_as_little_as_needed() -> None:
    assert spaced([50.0, 10.0], 20.0, 0.0, 100.0) == [50.0, 10.0]
    assert spaced([40.0, 44.0], 20.0, 0.0, 100.0) == [32.0, 52.0]
    assert spaced([44.0, 40.0], 20.0, 0.0, 100.0) == [52.0, 32.0]
    assert spaced([40.0, 40.0, 40.0], 10.0, 0.0, 100.0) == [30.0, 40.0, 50.0]
    assert spaced([99.0, 98.0], 20.0, 0.0, 100.0) == [100.0, 80.0]
    assert spaced([], 20.0, 0.0, 100.0) == []


def test_a_label_keeps_clear_of_curves_and_other_labels() -> None:
    # A wall of points right of the anchor, and a label left of it.
    wall = np.stack([np.full(200, 110.0), np.linspace(0, 200, 200)], axis=1)
    bounds = Rect(0, 0, 200, 200)
    box = free_place((100.0, 100.0), (30.0, 20.0), wall, bounds, [], 10.0)
    assert box.right <= 110.0 - 9.9 or box.x >= 110.0 + 9.9
    taken = [Rect(40, 0, 60, 200)]
    other = free_place((100.0, 100.0), (30.0, 20.0), wall, bounds, taken, 10.0)
    assert other.x >= 100.0
    corner = free_place((0.0, 0.0), (30.0, 20.0), wall, bounds, [], 10.0)
    assert corner.x >= 0
    assert corner.y >= 0


def test_words_of_marks_stand_clear_of_each_other_and_of_all_lines() -> None:
    rng = np.random.default_rng(6)
    for _ in range(300):
        lines, widths = np.sort(rng.uniform(0, 400, 6)), rng.uniform(30, 160, 6)
        marks = list(zip(lines.tolist(), widths.tolist(), strict=True))
        places = mark_places(marks, 0.0, 440.0, 6.0)
        assert places[-1] is not None
        # Drawn in tenths of a pixel: how many words and lines each place of a row holds.
        rows = np.zeros((2, 4500), int)
        for (x, width), place in zip(marks, places, strict=True):
            if place is None:
                continue
            assert place.left >= 0.0
            assert place.left + width <= 440.0
            assert min(abs(place.left - x), abs(place.left + width - x)) < 1e-9
            rows[place.row, int(10 * place.left) : int(10 * (place.left + width))] += 1
            rows[: place.row, int(10 * x)] += 1
        assert rows.max() == 1
    assert None not in mark_places([(10.0, 90.0), (200.0, 90.0)], 0.0, 440.0, 6.0)
    assert mark_places([(10.0, 500.0)], 0.0, 440.0, 6.0) == [None]
    # Too long for either side, not for both.
    (over,) = mark_places([(250.0, 300.0)], 0.0, 440.0, 6.0)
    assert over is not None
    assert over.over
    assert (over.left, over.row) == (0.0, 0)


def test_ticks_thin_out() -> None:
    assert thinned(6, 500.0, 90.0) == 1
    assert thinned(6, 500.0, 101.0) == 2
    assert thinned(6, 500.0, 9000.0) == 6
    assert thinned(1, 500.0, 10.0) == 1
