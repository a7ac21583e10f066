"""The rider's scene, drawn off screen."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from livefit.dashboard import theme
from livefit.dashboard.layer import Rect
from livefit.dashboard.picture import offscreen_canvas
from livefit.dashboard.rider_layout import RiderLayout
from livefit.dashboard.rider_view import RiderView
from livefit.dashboard.visuals import Box
from livefit.definitions.models import Definitions, Screen
from livefit.view.rider import RiderModel
from tests.dashboard.dashboard_examples import make_row, make_snapshot
from tests.dashboard.rider_examples import knee, ride, seen

SIZES = [(1280, 720), (1920, 1080), (3840, 2160), (1280, 1000), (2560, 1080), (640, 360)]


@pytest.fixture(autouse=True)
def _dark_again() -> Iterator[None]:
    yield
    theme.use("dark")


def models(definitions: Definitions) -> list[RiderModel]:
    """Everything that there may be to see, some of it long."""
    wordy = definitions.model_copy(
        update={
            "measures": [m.model_copy(update={"plain": f"{m.plain.partition(';')[0]}, as we in our "
                                              "own studio have always liked to put it to riders"})
                         for m in definitions.measures],
            "adjustments": [a.model_copy(update={"title": f"{a.title} over the floor of the studio",
                                                 "more": "in the direction of the ceiling above"})
                            for a in definitions.adjustments],
        }
    )  # fmt: skip
    wide = [
        make_row("knee_lateral", "rearward", side, mean, unit="mm", band=(-100.0, -90.0),
                 needed=30, before=-155.0)
        for side, mean in (("L", -188.0), ("R", 1888.0))
    ]  # fmt: skip
    once = make_row("pelvic_obliquity", "mean", "B", -1.2, needed=12)
    mixed = {"rider": [["knee_lateral", "rearward"], ["pelvic_obliquity", "mean"],
                       ["hip_angle", "seat_tube"]]}  # fmt: skip
    return [
        RiderModel(definitions),
        RiderModel(definitions, []),
        seen(definitions, knee(None, state="searching", cadence_rpm=None)),
        *(seen(definitions, ride(definitions, n)) for n in (1, 2, 3)),
        *(seen(definitions, ride(definitions, n, marked=True, state="still")) for n in (1, 2, 3)),
        seen(definitions, ride(definitions, 3, cadence_rpm=188.0), age_s=9.0),
        *(seen(wordy, ride(wordy, n, marked=True)) for n in (1, 2, 3)),
        seen(definitions, make_snapshot([*wide, once], chosen=mixed)),
    ]


def overlaps(boxes: list[Box]) -> list[tuple[str, str]]:
    return [
        (a.text, b.text)
        for a, b in itertools.combinations(boxes, 2)
        if min(a.right, b.right) - max(a.left, b.left) > 0.5
        and min(a.bottom, b.bottom) - max(a.top, b.top) > 0.5
    ]


@pytest.mark.parametrize("palette", ["dark", "light"])
@pytest.mark.parametrize("size", SIZES)
def test_nothing_overlaps_or_leaves_the_canvas(
    definitions: Definitions, size: tuple[int, int], palette: str
) -> None:
    theme.use(palette)
    with offscreen_canvas(size) as canvas:
        view = RiderView(canvas, RiderModel(definitions), definitions.screen("rider"))
        for view.model in models(definitions):
            view.refresh()
            boxes = view.boxes()
            assert len(boxes) >= 3
            lanes = [Box(f"lane {i}", r.x, r.y, r.right, r.bottom)
                     for i, r in enumerate(view.lanes())]  # fmt: skip
            assert overlaps(boxes + lanes) == []
            for box in boxes + lanes:
                assert 0 <= box.left <= box.right <= size[0], box.text
                assert 0 <= box.top <= box.bottom <= size[1], box.text
        shown = canvas.render(alpha=False)
    corner = np.round(255 * np.array(theme.GROUND[:3])).astype(int)
    np.testing.assert_allclose(shown[0, 0].astype(int), corner, atol=1)


@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080), (3840, 2160)])
@pytest.mark.parametrize("count", [1, 2, 3])
def test_words_stand_twenty_minutes_of_arc_before_the_rider(
    definitions: Definitions, size: tuple[int, int], count: int
) -> None:
    # 813 mm corner to corner: 813 / hypot(16, 9) * 9 = 398.58 mm high. 20 minutes of arc at
    # 2500 mm are 14.544 mm. A "1" has no overshoot: its ink is as high as the capitals.
    pixel_mm = 398.58 / size[1]
    snapshot = ride(definitions, count)
    rows = [row.model_copy(update={"needed": 1}) for row in snapshot.rows]
    model = seen(definitions, snapshot.model_copy(update={"rows": rows, "cadence_rpm": 111.0}))
    with offscreen_canvas(size) as canvas:
        view = RiderView(canvas, model, definitions.screen("rider"))
        view.refresh()
        # "1 more stroke" has the letter k, 1556 of 2048 units high, over the capitals' 1462.
        strokes = [b.bottom - b.top for b in view.boxes() if b.text == "1 more stroke"]
        figures = [b.bottom - b.top for b in view.boxes() if b.text in ("36°", "42°", "110°")]
    assert len(strokes) == 2 * count
    assert min(strokes) * 1462 / 1556 * pixel_mm >= 14.544 * 0.97
    assert min(view.layout.body, view.layout.edge) * theme.CAP_HEIGHT * pixel_mm >= 14.54
    assert min(figures) * pixel_mm >= 2 * 14.5


def test_too_small_a_screen_shows_all_smaller_and_fewer_measures_larger() -> None:
    far = Screen(name="far", diagonal_mm=300, distance_mm=4000)
    sizes = [RiderLayout.of((1920, 1080), n, far, (1920, 1080)).body for n in (3, 1)]
    assert sizes == [58, 84]
    # In a window on a larger screen the type stops at what the window can hold.
    near = Screen(name="near", diagonal_mm=813, distance_mm=2500)
    assert RiderLayout.of((640, 360), 3, near, (1920, 1080)).body == pytest.approx(58 / 3)


def test_every_shipped_measure_has_room_for_its_words(definitions: Definitions) -> None:
    pairs = [[m.name, event] for m in definitions.measures for event in m.events]
    with offscreen_canvas((1920, 1080)) as canvas:
        view = RiderView(canvas, RiderModel(definitions), definitions.screen("rider"))
        for i in range(0, len(pairs), 3):
            chosen = {"rider": pairs[i : i + 3]}
            view.model = seen(definitions, make_snapshot([], chosen=chosen))
            view.refresh()
            texts = [box.text for box in view.boxes()]
            assert [text for text in texts if "…" in text] == []
            for measure in view.model.measures:
                assert {measure.title, measure.when} <= set(texts)


def look(view: RiderView, canvas: object) -> NDArray[np.uint8]:
    view.refresh()
    return np.asarray(canvas.render(alpha=False))  # type: ignore[attr-defined]


def test_pixels_change_only_where_they_should(definitions: Definitions) -> None:
    model = seen(definitions, knee(32.0), 0.6)
    with offscreen_canvas((1280, 720)) as canvas:
        view = RiderView(canvas, model, definitions.screen("rider"))
        first = look(view, canvas)
        np.testing.assert_array_equal(look(view, canvas), first)

        model.apply_snapshot(knee(32.4, sent=100.6), 100.6)
        model.apply_silence(100.7)
        rows, columns = np.nonzero((look(view, canvas) != first).any(axis=2))
        lane: Rect = view.lanes()[0]
        assert lane.x <= columns.min() and columns.max() <= lane.right  # noqa: PT018
        assert lane.y <= rows.min() and rows.max() <= lane.bottom  # noqa: PT018


def test_the_theme_changes_while_it_runs_and_back(definitions: Definitions) -> None:
    model = seen(definitions, ride(definitions, 2))
    with offscreen_canvas((1280, 720)) as canvas:
        view = RiderView(canvas, model, definitions.screen("rider"))
        dark = look(view, canvas)
        theme.toggle()
        light = look(view, canvas)
        assert dark[0, 0].mean() < 60 < 200 < light[0, 0].mean()
        theme.toggle()
        np.testing.assert_array_equal(look(view, canvas), dark)


def test_a_resized_canvas_looks_as_one_of_that_size(definitions: Definitions) -> None:
    model = seen(definitions, ride(definitions, 3))
    screen = definitions.screen("rider")
    with offscreen_canvas((1280, 720)) as canvas:
        view = RiderView(canvas, model, screen)
        view.refresh()
        canvas.size = (1000, 640)
        # The EGL backend tells nobody of a new size; a window does.
        canvas.events.resize(size=(1000, 640), physical_size=(1000, 640))
        resized = look(view, canvas)
    with offscreen_canvas((1000, 640)) as canvas:
        np.testing.assert_array_equal(resized, look(RiderView(canvas, model, screen), canvas))
