"""The simulated pointer as a source: on time, as asked, and as faulty as asked."""

from __future__ import annotations

import numpy as np
import pytest

from livefit.sources.base import open_source
from simulators.pointing import LABELS, SHAPE, TIP
from simulators.pointing_source import MARKERS, PointerSource, open_pointer
from simulators.standing_bicycle import Design


def played(seconds: float, **options: str) -> tuple[PointerSource, np.ndarray, np.ndarray]:
    """What a source gives in so long: itself, times and markers."""
    now = [0.0]
    source = PointerSource(open_pointer(options).task, clock=lambda: now[0], sleep=lambda _: None)
    t, seen = [], []
    while now[0] < seconds:
        block = source.read(0.0)
        if block is not None:
            t.append(block.t)
            seen.append(block.positions)
        now[0] += 0.033
    return source, np.concatenate(t), np.concatenate(seen)


def tips(seen: np.ndarray) -> np.ndarray:
    """The tip from the first three markers, by solving for the affine map they span."""
    base = SHAPE[1:3] - SHAPE[0]
    frame = np.column_stack([*base, np.cross(*base)])
    inside = np.linalg.solve(frame, TIP - SHAPE[0])
    one, two = (seen[:, k] - seen[:, 0] for k in (1, 2))
    return np.asarray(seen[:, 0] + np.tensordot(inside, [one, two, np.cross(one, two)], 1))


def test_frames_come_when_they_are_due() -> None:
    source, t, seen = played(3.0, rate="60", noise="0", lost="0", order="none")
    np.testing.assert_allclose(t, np.arange(len(t)) / 60)
    assert 175 <= len(t) <= 182
    info = source.describe()
    assert info.labels == (*LABELS, *MARKERS)
    assert (info.rate_hz, info.up) == (60.0, "+z")
    apart = np.linalg.norm(seen[:, 4] - seen[:, 5], axis=1)
    np.testing.assert_allclose(
        apart, np.linalg.norm(MARKERS["BIKE_HEAD"] - MARKERS["BIKE_FRONT"]), atol=1e-9
    )


def test_the_tip_rests_on_the_points_in_turn() -> None:
    source, _, seen = played(6.0, noise="0", lost="0", tremor="0", travel="0.5", hold="1.5")
    at = tips(seen)
    for k, name in enumerate(("crank_axis_left", "pedal_left", "seat_tube_left")):
        still = at[round(100 * (2.0 * k + 0.6)) : round(100 * (2.0 * k + 1.9))]
        assert np.linalg.norm(still - source.places[name], axis=1).max() < 2.0, name
    asked = played(0.1, noise="0", lost="0", order="none")[0]
    asked.control("source.touch", {"points": ["saddle_nose"]})
    assert asked.control("source.truth", {}) == Design().dimensions()


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"weight": "3"}, "unknown option weight of the simulated pointer; known"),
        ({"noise": "much"}, "option noise .* expected a number, got 'much'"),
        ({"rate": "0"}, "option rate"),
        ({"order": "random"}, "expected asked, wrong or none"),
        ({"slip": "saddle"}, "expected points of saddle_nose"),
    ],
)
def test_options_that_are_none(options: dict[str, str], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        open_pointer(options)


def test_requests_that_are_none() -> None:
    source = open_pointer({"order": "none"})
    for op, args, told in (
        ("source.touch", {"points": ["bell"]}, "points must be among"),
        ("source.turn", {"seconds": -1}, "seconds must be a number"),
        ("source.dance", {}, "known are source.touch, source.turn, source.truth"),
    ):
        with pytest.raises(ValueError, match=told):
            source.control(op, args)  # type: ignore[arg-type]


def test_it_is_found_by_its_name() -> None:
    assert isinstance(open_source("simulated-pointer", {"order": "none"}), PointerSource)
