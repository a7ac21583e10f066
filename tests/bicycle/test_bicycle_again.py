"""The bicycle found again after it was moved, and what an adjustment did."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from livefit.bicycle.change import ONLY, differences
from livefit.bicycle.geometry import measure_bicycle
from livefit.bicycle.kept import CalibrationMissingError, CalibrationShelf
from livefit.bicycle.registration import RegistrationError, find_placement
from livefit.bicycle.touching import Touch
from livefit.cli.touch_again import AGAIN
from livefit.definitions import load_definitions, shipped_dir
from livefit.session.models import Adjustment
from livefit.session.touched import (
    SetUpError,
    found_by_touches,
    moved_bicycle,
    read_set_up,
    read_touched,
    touched_bicycle,
    with_measured,
    write_touched,
)
from simulators.pointing import touch_points
from simulators.standing_bicycle import Design, Stand
from tests.bicycle.bicycle_examples import (
    EXACT,
    NAMES,
    PLACEMENT,
    POINTS,
    calibrated,
    detect,
    exact_touches,
)

FIXED = sorted(point.name for point in POINTS if point.twin == "mid_plane")


def test_placement_beside_scipy() -> None:
    random = np.random.default_rng(5)
    before = Stand().place(Design())
    turn = Rotation.from_rotvec([0.1, -0.2, 2.0])
    now = {n: turn.apply(p) + [300, -40, 12] + 0.3 * random.standard_normal(3)
           for n, p in before.items()}  # fmt: skip
    for names in (FIXED[:3] + FIXED[-1:], NAMES):
        found = find_placement({n: before[n] for n in names}, now)
        old, new = (np.stack([where[n] for n in names]) for where in (before, now))
        expected, _ = Rotation.align_vectors(new - new.mean(0), old - old.mean(0))
        np.testing.assert_allclose(found.rotation, expected.as_matrix(), atol=1e-9)
        np.testing.assert_allclose(found.place(old.mean(0)), new.mean(0), atol=1e-9)
        assert found.residual < 0.6
        assert set(found.off) == set(names)


def test_placement_is_as_sure_as_it_says() -> None:
    """Mahalanobis distances over 600 placements: mean of chi squared with 6 degrees is 6."""
    random = np.random.default_rng(6)
    before = {n: p for n, p in Stand().place(Design()).items() if n in FIXED[:6]}
    covariance = {n: 0.09 * np.eye(3) for n in before}
    sizes = []
    for _ in range(600):
        now = {n: p + 0.3 * random.standard_normal(3) for n, p in before.items()}
        found = find_placement(before, now, covariance)
        turn = Rotation.from_matrix(found.rotation).as_rotvec()
        off = np.concatenate([turn, found.place(found.centre) - found.centre])
        sizes.append(off @ np.linalg.solve(found.covariance, off))
    assert np.mean(sizes) == pytest.approx(6.0, abs=4 * np.sqrt(12 / 600))


def test_a_bicycle_that_cannot_be_brought_back() -> None:
    before = Stand().place(Design())
    with pytest.raises(RegistrationError, match="found rear_axle_left"):
        find_placement(before, {"rear_axle_left": before["rear_axle_left"]})
    line = ["saddle_nose", "saddle_rear"]
    near = {n: before[n] for n in line} | {"x": before["saddle_nose"] + [0, 0, 9.0]}
    with pytest.raises(RegistrationError, match="near one line"):
        find_placement(near, near)
    bent = {n: before[n] for n in FIXED[:5]}
    bent[FIXED[2]] = bent[FIXED[2]] + [0, 0, 12.0]
    with pytest.raises(RegistrationError, match=rf"the most at {FIXED[2]}"):
        find_placement(before, bent)


def test_a_moved_bicycle_measures_the_same() -> None:
    design = Design()
    first, then = Stand(), Stand(3.0, 1.0, 70.0, (200.0, 500.0, 290.0))
    before = exact_touches(first.place(design))
    again = {n: p for n, p in then.place(design).items() if n in FIXED[:3] + FIXED[-2:]}
    placement = find_placement({n: t.point for n, t in before.items()}, again)
    axes = placement.move_axes(measure_bicycle(before, POINTS, EXACT).axes)
    for name, point in then.place(design).items():
        np.testing.assert_allclose(axes.to_bike(point), design.points()[name], atol=1e-6)
    raised = replace(design, saddle_height_mm=design.saddle_height_mm + 5)
    after = {n: t for n, t in exact_touches(then.place(raised)).items() if n in ONLY["saddle"]}
    found = differences(before, after, POINTS, (EXACT, EXACT), placement=placement)
    assert found["saddle_height"].value == pytest.approx(5.0, abs=1e-6)
    assert found["wheelbase"].value == pytest.approx(0.0, abs=1e-6)


def test_differences_hold_the_truth_as_often_as_they_say() -> None:
    """300 saddles raised and touched again; 95 % +- 4 standard errors of a share of 300."""
    random = np.random.default_rng(8)
    design = Design()
    raised = replace(design, saddle_height_mm=design.saddle_height_mm + 4, saddle_tilt_deg=-2.0)
    true = {n: raised.dimensions()[n] - v for n, v in design.dimensions().items()}
    names = ("saddle_height", "saddle_setback", "saddle_tilt", "saddle_to_bar_drop")
    held = dict.fromkeys(names, 0)
    widths = dict.fromkeys(names, 0.0)
    for _ in range(300):
        before, after = (
            exact_touches({n: p + (PLACEMENT[n] ** 2 + 0.01) ** 0.5 * random.standard_normal(3)
                           for n, p in Stand().place(bicycle).items()})
            for bicycle in (design, raised)
        )  # fmt: skip
        again = {n: after[n] for n in ONLY["saddle"]}
        found = differences(before, again, POINTS, (EXACT, EXACT))
        whole = differences(before, after, POINTS, (EXACT, EXACT))
        for name in names:
            held[name] += abs(found[name].value - true[name]) <= found[name].half_width
            widths[name] += found[name].half_width / whole[name].half_width / 300
        assert found["stack"].se < 1e-9
    for name in names:
        assert held[name] / 300 == pytest.approx(0.95, abs=4 * (0.95 * 0.05 / 300) ** 0.5), name
        # What was not touched again does not count twice.
        assert widths[name] < 1.0


def test_differences_of_a_bicycle_found_again_count_how_surely_it_was_found() -> None:
    """150 bicycles touched, moved, found again by four touches, saddle and bar touched anew.

    Errors over what is claimed have a variance of 1, within 4 standard errors of one of 150;
    without the move's share the largest has 1.4.
    """
    random = np.random.default_rng(8)
    design, again = Design(), AGAIN
    raised = replace(design, saddle_height_mm=design.saddle_height_mm + 4, bar_up_mm=40.0)
    true = {n: raised.dimensions()[n] - v for n, v in design.dimensions().items()}
    parts = [n for n in (*ONLY["saddle"], *ONLY["bar"]) if n in NAMES]

    def touched(stand: Stand, bicycle: Design, names: Sequence[str]) -> dict[str, Touch]:
        places = stand.place(bicycle)
        return exact_touches({n: places[n] + (PLACEMENT[n] ** 2 + 0.01) ** 0.5
                              * random.standard_normal(3) for n in names})  # fmt: skip

    there = Stand(3.0, 1.0, 70.0, (200.0, 500.0, 290.0))
    ratios: dict[str, list[float]] = {name: [] for name in true}
    for _ in range(150):
        before = touched(Stand(), design, NAMES)
        document = touched_bicycle(
            None, before, EXACT, taken=datetime(2025, 3, 1, tzinfo=UTC), pointer="x", up="+z"
        )
        placement = found_by_touches(document, touched(there, raised, again), POINTS)
        moved = moved_bicycle(document, placement)
        found = differences(
            moved.all_touches(), touched(there, raised, parts), POINTS, (EXACT, EXACT),
            placement=moved.placement,
        )  # fmt: skip
        for name, difference in found.items():
            if difference.se < 1e-6:
                # Nothing of it was touched again, and a move changes no distance.
                assert abs(difference.value) < 1e-6, name
            else:
                ratios[name].append((difference.value - true[name]) / difference.se)
    ratios = {name: own for name, own in ratios.items() if own}
    assert {"saddle_height", "saddle_setback", "bar_forward", "hood_up"} <= set(ratios)
    for name, found_ratios in ratios.items():
        assert np.mean(np.square(found_ratios)) == pytest.approx(1, abs=4 * (2 / 150) ** 0.5), name
    held = np.mean(
        [abs(ratio) < 1.96 for found_ratios in ratios.values() for ratio in found_ratios]
    )
    assert 0.93 <= held <= 0.97


def test_two_moves_are_as_unsure_as_both() -> None:
    """Monte Carlo: a point carried by two placements in turn, beside the one they make."""
    random = np.random.default_rng(9)
    corners = {n: p for n, p in Stand().place(Design()).items() if n in FIXED[:6]}
    covariance = {n: 0.09 * np.eye(3) for n in corners}
    places = [Stand(2.0, 1.0, 70.0, (200.0, 500.0, 290.0)), Stand(-1.0, 0.0, 160.0, (0, 900, 300))]
    exact = [corners, *({n: s.place(Design())[n] for n in corners} for s in places)]
    far = Stand().place(Design())["bar_end_left"]
    ends = []
    for _ in range(400):
        one, two = (
            find_placement(a, {n: p + 0.3 * random.standard_normal(3) for n, p in b.items()},
                           covariance)
            for a, b in pairwise(exact)
        )  # fmt: skip
        ends.append(two.place(one.place(far)))
    whole = two.after(one)
    np.testing.assert_allclose(whole.place(far), two.place(one.place(far)), atol=1e-9)
    slope = whole.slopes(whole.place(far)[None])[0]
    claimed = np.sqrt(np.diag(slope @ whole.covariance @ slope.T))
    assert claimed == pytest.approx(np.std(ends, axis=0), rel=0.15)


def test_a_simulated_hand_finds_five_millimetres() -> None:
    pointer = calibrated(3)
    design, stand = Design(), Stand(4.0, -1.0, 20.0)
    raised = replace(design, saddle_height_mm=design.saddle_height_mm + 5)
    one = touch_points(11, stand.place(design), NAMES, placement_mm=PLACEMENT)
    two = touch_points(12, stand.place(raised), ONLY["saddle"], placement_mm=PLACEMENT)
    before = dict(zip(NAMES, detect(one, pointer), strict=True))
    after = dict(zip(ONLY["saddle"], detect(two, pointer), strict=True))
    found = differences(before, after, POINTS, (pointer, pointer))
    height = found["saddle_height"]
    assert abs(height.value - 5) < 1.5
    assert 0.2 < height.half_width < 1.5
    assert height.sure
    assert height.agrees(5.0)
    assert not height.agrees(10.0)
    noted = [Adjustment(part="saddle_height", amount=5, unit="mm", mark=1)]
    adjusted = with_measured(found, noted)
    assert adjusted[0].amount == 5
    assert adjusted[0].measured is not None
    assert adjusted[0].measured.value == pytest.approx(height.value, abs=1e-3)
    assert "saddle_height" not in {a.part for a in adjusted[1:]}
    assert with_measured(found)[0].part == "saddle_height"
    assert {a.part for a in with_measured(found)} <= {"saddle_height", "saddle_setback"}


def test_document_there_and_back(tmp_path: Path) -> None:
    pointer = calibrated(3)
    seen = touch_points(11, Stand(4.0).place(Design()), NAMES, placement_mm=PLACEMENT)
    touches = dict(zip(NAMES, detect(seen, pointer), strict=True))
    geometry = measure_bicycle(touches, POINTS, pointer)
    document = touched_bicycle(
        geometry, touches, pointer, taken=datetime(2025, 3, 1, tzinfo=UTC), pointer="hand_pointer",
        up="+z",
    )  # fmt: skip
    file = tmp_path / "made" / "bicycle.json"
    write_touched(file, document)
    assert file.stat().st_mode & 0o777 == 0o600
    assert file.parent.stat().st_mode & 0o777 == 0o700
    back = read_touched(file)
    assert back == document
    again = back.geometry(POINTS)
    for name, measured in geometry.measured.items():
        assert again.measured[name].value == measured.value
        assert again.measured[name].se == pytest.approx(measured.se)
        taken = back.set_up.dimensions[name]
        assert taken.how == "touched"
        assert taken.half_width == pytest.approx(1.959964 * measured.se, abs=6e-4)
    assert read_set_up(file) == document.set_up
    file.write_text(document.set_up.model_dump_json())
    assert read_set_up(file) == document.set_up
    file.write_text('{"taken": "once"}')
    with pytest.raises(SetUpError, match="expected a set-up"):
        read_set_up(file)
    with pytest.raises(SetUpError, match="no such file"):
        read_set_up(tmp_path / "none.json")


def test_calibration_there_and_back(tmp_path: Path) -> None:
    pointer = load_definitions(shipped_dir()).pointers[0]
    shelf = CalibrationShelf(tmp_path / "data" / "pointers")
    with pytest.raises(CalibrationMissingError, match="livefit pointer calibrate"):
        shelf.read(pointer)
    found = calibrated(3)
    path = shelf.keep(pointer.name, found)
    assert path.stat().st_mode & 0o777 == 0o600
    assert shelf.directory.stat().st_mode & 0o777 == 0o700
    back = shelf.read(pointer)
    np.testing.assert_array_equal(back.shape, found.shape)
    np.testing.assert_array_equal(back.covariance, found.covariance)
    assert (back.day, back.residual, back.markers) == (found.day, found.residual, found.markers)
    other = pointer.model_copy(update={"markers": ["A", "B", "C", "D"]})
    with pytest.raises(CalibrationMissingError, match="expected the markers A, B"):
        shelf.read(other)
    path.write_text("{}")
    with pytest.raises(CalibrationMissingError, match="expected a calibration, found"):
        shelf.read(pointer)
