"""The fitter's scene, drawn off screen."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from livefit.dashboard.fitter_view import FitterView
from livefit.dashboard.layer import Rect
from livefit.dashboard.layout import FitterLayout
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.picture import offscreen_canvas, render, save_picture
from livefit.dashboard.visuals import Box
from livefit.definitions.models import Definitions
from livefit.wire.messages import DeviceState
from tests.dashboard.change_examples import make_against, make_change, make_changes, make_offer
from tests.dashboard.dashboard_examples import (
    MEANS,
    make_health,
    make_mark,
    make_mean_pose,
    make_pose,
    make_rows,
    make_snapshot,
)

SIZES = [(1280, 720), (1920, 1080), (3840, 2160), (1280, 1000), (2560, 1080), (960, 540)]
MakeModel = Callable[[], DashboardModel]


def crowded(definitions: Definitions, rows: int | None = None) -> DashboardModel:
    """Everything there is to say, and all of it long."""
    wordy = definitions.model_copy(
        update={
            "measures": [
                m.model_copy(update={"title": f"{m.title} as it is taken in our own studio",
                                     "decimals": 1})
                for m in definitions.measures
            ],
            "disciplines": [
                d.model_copy(update={"title": "Long-distance riding on rough and hilly roads"})
                for d in definitions.disciplines
            ],
        }
    )  # fmt: skip
    events = ("tdc", "forward", "bdc", "rearward", "seat_tube", "maximum", "minimum", "range")
    chosen = None if rows is None else [("knee_flexion", e) for e in (*events, *events)[:rows]]
    model = DashboardModel(wordy, chosen)
    model.apply_pose(make_pose(100.0), 100.0)
    model.apply_pose(make_pose(110.0, missing=("R_LM", "L_VM", "L_ASIS")), 100.0)
    model.apply_baseline(make_mean_pose(-20.0))
    changes = {"baseline": 188.8, "before": 188.8, "needed": 188}
    model.apply_snapshot(
        make_snapshot(
            [r.model_copy(update=changes) for r in make_rows(wordy)],
            marks=[make_mark("own_part_of_the_bicycle", 5.0)],
            recording="a ride with a long name", workload_w=1888.0, edited_bands=3,
            device=DeviceState(stream="s1", battery=0.08), warnings=["the battery dies"],
            cadence_rpm=123.4,
            strokes={"L": 888, "R": 888},
            problem="The crank cannot be found because the left heel has been out of sight for "
            "more than four of the last five seconds; check that the marker is still on the shoe.",
            health=make_health(lost=88888, delay_ms=8888.0, rate_hz=1000.0,
                               missing={f"R_{n}": 0.88 for n in ("ASIS", "PSIS", "VM", "CA")}),
        ),
        100.0,
    )  # fmt: skip
    judged = [
        make_change(measure, event, side, baseline=make_against(-188.8, 88.8, "hidden"),
                    mark=make_against(-188.8, 88.8))
        for measure, event in MEANS
        for side in ("L", "R")
    ]  # fmt: skip
    loads = [
        make_change("cadence", "mean", "R", unit="rpm", baseline=make_against(-18.0, 2.0)),
        make_change("workload", "mean", "B", unit="W", baseline=make_against(188.0, 2.0)),
    ]
    model.apply_changes(make_changes(judged, loads=loads, offers=[make_offer()]))
    model.notify("Set baseline refused: no answer from tcp://192.168.100.200:47802 in 1 s", 100.0)
    model.apply_silence(100.9)
    return model


def overlaps(boxes: list[Box]) -> list[tuple[str, str]]:
    return [
        (a.text, b.text)
        for a, b in itertools.combinations(boxes, 2)
        if min(a.right, b.right) - max(a.left, b.left) > 0.5
        and min(a.bottom, b.bottom) - max(a.top, b.top) > 0.5
    ]


def outside(boxes: list[Box], *areas: Rect) -> list[str]:
    return [
        b.text
        for b in boxes
        if not any(
            a.x <= b.left and b.right <= a.right and a.y <= b.top and b.bottom <= a.bottom
            for a in areas
        )
    ]


@pytest.mark.parametrize("size", SIZES)
def test_nothing_overlaps_or_leaves_its_panel(
    definitions: Definitions, riding: MakeModel, size: tuple[int, int]
) -> None:
    models = [riding(), DashboardModel(definitions, endpoint="tcp://h:1"), crowded(definitions)]
    models += [crowded(definitions, rows) for rows in (1, 3, 12)]
    with offscreen_canvas(size) as canvas:
        view = FitterView(canvas, models[0])
        for model in models:
            view.model = model
            view.refresh()
            boxes, layout = view.boxes(), view.layout
            assert len(boxes) > 15
            assert overlaps(boxes) == []
            assert outside(boxes, *layout.panels) == []
            view.hands.help_shown = True
            view.refresh()
            assert len(view.help_boxes()) > 60
            assert overlaps(view.help_boxes()) == []
            assert outside(view.help_boxes(), Rect(0, 0, *size)) == []
            view.hands.help_shown = False


@pytest.mark.parametrize("size", SIZES)
def test_nothing_overlaps_in_any_question(
    definitions: Definitions, riding: MakeModel, size: tuple[int, int]
) -> None:
    with offscreen_canvas(size) as canvas:
        for model in (riding(), crowded(definitions)):
            view = FitterView(canvas, model)
            model.apply_changes(make_changes([], offers=[make_offer()]))
            for keys in (
                "M",
                "M 1",
                "M 8",
                "M 1 N 1",
                "O",
                "W",
                "P",
                "D",
                "E",
                "A",
                "A 1",
                "A 1 N",
                "A 1 P",
                "N",
                "N 1",
            ):
                for key in keys.split():
                    view.hands.press(key)
                view.refresh()
                assert len(view.ask_boxes()) > 4
                assert overlaps(view.ask_boxes()) == []
                assert outside(view.ask_boxes(), Rect(0, 0, *size)) == []
                view.hands.sheet = None
            view.refresh()
            assert view.ask_boxes() == []


def test_labels_of_a_moving_figure_stand_still(riding: MakeModel) -> None:
    model = riding()
    with offscreen_canvas((1920, 1080)) as canvas:
        view = FitterView(canvas, model)

        def turn() -> set[tuple[str, int, int]]:
            places = set()
            for crank in range(0, 360, 6):
                model.apply_pose(make_pose(float(crank)), 100.05)
                view.refresh()
                names = ("knee", "hip", "ankle", "elbow", "trunk", "knee fwd mm")
                boxes = [b for b in view.boxes() if b.text in names and b.top > 100]
                assert len({b.text for b in boxes}) >= 5
                places |= {(b.text, round(b.left), round(b.top)) for b in boxes}
            return places

        for _ in range(4):
            turn()
        places = turn()
    # One place each over a whole turn.
    assert len(places) == len({name for name, _, _ in places})


@pytest.mark.parametrize("size", SIZES)
def test_panels_share_the_canvas(size: tuple[int, int]) -> None:
    layout = FitterLayout.of(*size)
    panels = layout.panels
    as_boxes = [Box(str(i), p.x, p.y, p.right, p.bottom) for i, p in enumerate(panels)]
    assert overlaps(as_boxes) == []
    assert outside(as_boxes, Rect(0, 0, *size)) == []
    assert min(p.w for p in panels) > 0.25 * size[0]
    # What is neither panel nor gap would keep the panels' colour.
    covered = sum(p.w * p.h for p in panels) + sum(
        np.prod([max(0.0, g.w), max(0.0, g.h)]) for g in layout.gaps(*size)
    )
    sides = 2 * layout.header.x * (size[1] - 2 * layout.header.y)
    assert covered >= size[0] * size[1] - sides


def test_digits_stand_twelve_millimetres_on_a_desk_screen(riding: MakeModel) -> None:
    # 24 inches, 1920 x 1080: 0.2767 mm a pixel, 42 px = 11.6 mm = 20 minutes of arc at 2 m.
    with offscreen_canvas((1920, 1080)) as canvas:
        view = FitterView(canvas, riding())
        view.refresh()
        heights = [b.bottom - b.top for b in view.boxes() if b.text in ("36°", "110°", "−14")]
        capitals = [b.bottom - b.top for b in view.boxes() if b.text in ("within", "below")]
    assert len(heights) == 3
    assert min(heights) >= 42
    # Verdicts as large: 20 minutes of arc for the tall letters.
    assert min(capitals) >= 2000 * np.tan(np.radians(20 / 60)) / 0.2767


def changed(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of all that differs."""
    rows, columns = np.nonzero((before != after).any(axis=2))
    return int(columns.min()), int(rows.min()), int(columns.max()) + 1, int(rows.max()) + 1


def inside(area: tuple[int, int, int, int], rect: Rect) -> bool:
    return (
        rect.x <= area[0] and rect.y <= area[1] and area[2] <= rect.right and area[3] <= rect.bottom
    )


def test_pixels_change_only_where_they_should(definitions: Definitions, riding: MakeModel) -> None:
    model = riding()
    with offscreen_canvas((1280, 720)) as canvas:
        view = FitterView(canvas, model)

        def look() -> NDArray[np.uint8]:
            view.refresh()
            return np.asarray(canvas.render(alpha=False))

        first = look()
        np.testing.assert_array_equal(look(), first)

        model.apply_pose(make_pose(190.0, sent=100.04), 100.05)
        moved = look()
        assert inside(changed(first, moved), view.layout.figure)

        rows = make_rows(definitions)
        rows[0] = rows[0].model_copy(update={"mean": 31.9, "ci95": [31.5, 32.3]})
        model.apply_snapshot(make_snapshot(rows, sent=100.0), 100.05)
        fresh = look()
        table = view.layout.table
        first_row = Rect(table.x, table.y, table.w, (table.h + 32) / 7)
        assert inside(changed(moved, fresh), first_row)

        model.apply_silence(100.35)
        assert inside(changed(fresh, look()), view.layout.header)

        view.hands.press("H")
        with_help = look()
        assert (with_help != fresh).any()
        view.hands.press("H")
        model.apply_silence(100.05)
        np.testing.assert_array_equal(look(), fresh)


def test_a_resized_canvas_looks_as_one_of_that_size(riding: MakeModel) -> None:
    model = riding()
    with offscreen_canvas((1280, 720)) as canvas:
        view = FitterView(canvas, model)
        view.refresh()
        canvas.size = (1000, 640)
        # The EGL backend tells nobody of a new size; a window does.
        canvas.events.resize(size=(1000, 640), physical_size=(1000, 640))
        view.refresh()
        resized = np.asarray(canvas.render(alpha=False))
    np.testing.assert_array_equal(resized, render(model, (1000, 640)))


def test_a_saved_picture_is_what_was_drawn(riding: MakeModel, tmp_path: Path) -> None:
    model = riding()
    path = save_picture(model, tmp_path / "new" / "picture.png", (640, 360))
    with Image.open(path) as image:
        assert image.format == "PNG"
        np.testing.assert_array_equal(np.asarray(image), render(model, (640, 360)))


def test_without_opengl_the_error_says_what_to_do() -> None:
    if not sys.platform.startswith("linux"):
        pytest.skip("EGL is how Linux draws without a screen")
    program = (
        "from livefit.dashboard.picture import NoGraphicsError, offscreen_canvas\n"
        "try:\n"
        "    with offscreen_canvas((64, 36)): pass\n"
        "except NoGraphicsError as error:\n"
        "    raise SystemExit(f'told: {error}')\n"
    )
    # An X11 display that does not exist: EGL is there but cannot start.
    environment = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
    done = subprocess.run(
        [sys.executable, "-c", program], env=environment | {"EGL_PLATFORM": "x11"},
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "told: no picture: OpenGL could not be started" in done.stderr
    assert "apt-get install libegl1 libgl1" in done.stderr
