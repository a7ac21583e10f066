"""The strokes kept for the charts, and the cycles."""

from __future__ import annotations

import math
import struct
import tracemalloc
from typing import Any

import numpy as np
import pytest

from livefit.view.axis import INTERVALS, LEAST, axis_for
from livefit.view.cycles import CRANK_DEG, CycleKeeper
from livefit.view.history import History, Pair
from livefit.wire.messages import Cycles, SideCycles
from tests.dashboard.chart_examples import KNEE_BDC, cycle, make_cycles, make_stroke

KNEE_TDC = ("knee_flexion", "tdc")


def watching(*pairs: Pair, kept: int = 2000) -> History:
    history = History(kept)
    history.watch(pairs or [KNEE_BDC])
    return history


def kept_strokes(history: History, side: Any = "L", pair: Pair = KNEE_BDC) -> list[int]:
    found: list[int] = history.track(*pair, side)["stroke"].tolist()
    return found


def reply(strokes: list[int], side: str = "L", **changes: Any) -> dict[str, Any]:
    row = {
        "measure": "knee_flexion", "event": "bdc", "side": side, "strokes": strokes,
        "t": [n * 0.66 for n in strokes], "values": [30.0 + n for n in strokes],
        "marks": [0] * len(strokes),
    }  # fmt: skip
    return {"rows": [row | changes]}


def test_only_watched_pairs_are_kept() -> None:
    history = watching()
    history.take(make_stroke(5, event="tdc"))
    history.take(make_stroke(5, measures=["hip_angle", "knee_flexion"], values=[50.0, 36.5]))
    history.fill(reply([4], measure="hip_angle"))
    assert kept_strokes(history, pair=("hip_angle", "bdc")) == []
    assert kept_strokes(history, pair=KNEE_TDC) == []
    track = history.track(*KNEE_BDC, "L")
    assert track.tolist() == [(5, 5 * 0.66, 36.5, 0)]
    history.watch([KNEE_BDC, KNEE_TDC])
    assert kept_strokes(history) == [5]
    history.watch([KNEE_TDC])
    history.watch([KNEE_BDC])
    assert kept_strokes(history) == []


def test_the_past_is_merged_without_doubles_and_in_order() -> None:
    history = watching()
    for number in (10, 11):
        history.take(make_stroke(number, value=1.0))
    history.fill(reply([7, 8, 9, 10]))
    history.fill(reply([8, 9, 12], values=[99.0, 99.0, None]))
    history.take(make_stroke(13, value=2.0))
    history.take(make_stroke(13, value=3.0))
    history.take(make_stroke(6, value=4.0))
    track = history.track(*KNEE_BDC, "L")
    assert track["stroke"].tolist() == [6, 7, 8, 9, 10, 11, 12, 13]
    # What was known first stays; a missing value is NaN.
    np.testing.assert_array_equal(track["value"], [4.0, 37, 38, 39, 1.0, 1.0, math.nan, 2.0])
    assert kept_strokes(history, "R") == []


def test_a_new_node_begins_anew() -> None:
    history = watching()
    assert history.unasked() == (KNEE_BDC,)
    assert history.unasked() == ()
    history.take(make_stroke(500))
    before = history.version(*KNEE_BDC)
    history.take(make_stroke(1, node="n2"))
    assert kept_strokes(history) == [1]
    assert history.unasked() == (KNEE_BDC,)
    assert history.version(*KNEE_BDC) > before


def test_new_pairs_are_asked_for_once() -> None:
    history = watching()
    history.unasked()
    history.watch([KNEE_BDC, KNEE_TDC])
    assert history.unasked() == (KNEE_TDC,)


def test_a_copy_does_not_change_behind_the_back() -> None:
    history = watching(kept=4)
    history.take(make_stroke(1))
    track = history.track(*KNEE_BDC, "L")
    for number in range(2, 30):
        history.take(make_stroke(number))
    assert track["stroke"].tolist() == [1]


def test_the_newest_are_kept_whatever_came_how() -> None:
    # Against a plain dictionary.
    rng = np.random.default_rng(5)
    history, plain = watching(kept=20), dict[int, float]()
    for at in range(0, 400, 4):
        if rng.random() < 0.2:
            numbers = list(range(max(at - 12, 0), at + 2))
            history.fill(reply(numbers))
            plain |= {n: 30.0 + n for n in numbers if n not in plain}
        for number in range(at, at + 4):
            history.take(make_stroke(number, value=1000.0 + number))
            plain.setdefault(number, 1000.0 + number)
        newest = sorted(plain)[-20:]
        plain = {n: plain[n] for n in newest}
        track = history.track(*KNEE_BDC, "L")
        assert dict(zip(track["stroke"].tolist(), track["value"].tolist(), strict=True)) == plain
        assert track["stroke"].tolist() == newest


def test_memory_does_not_grow_over_hours() -> None:
    history = watching()
    stroke = make_stroke(0)

    def ride(first: int, last: int) -> None:
        for number in range(first, last):
            history.take(stroke.model_copy(update={"stroke": number, "t": 0.66 * number}))

    ride(0, 10_000)
    tracemalloc.start()
    ride(10_000, 15_000)
    before = tracemalloc.get_traced_memory()[0]
    ride(15_000, 100_000)
    after = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert kept_strokes(history) == list(range(98_000, 100_000))
    assert after - before < 5_000


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (reply([1, 2], values=[1.0]), "lists of one length"),
        (reply([1], side="X"), "side L, R or B, found 'X'"),
        ({"rows": [{"measure": "knee_flexion"}]}, "'event'"),
    ],
)
def test_a_mangled_past_is_told(answer: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        watching().fill(answer)


def test_a_mangled_stroke_is_told() -> None:
    with pytest.raises(ValueError, match="expected 2 values for as many measures, found 1"):
        watching().take(make_stroke(1, measures=["knee_flexion", "hip_angle"]))


def test_cycles_are_decoded() -> None:
    keeper = CycleKeeper()
    keeper.take(make_cycles())
    found = keeper.cycle("hip_angle", "R")
    assert found is not None
    assert (found.n, found.stroke) == (15, 300)
    np.testing.assert_allclose(found.mean, cycle("hip_angle", "R", CRANK_DEG), rtol=1e-6)
    assert found.baseline is not None
    np.testing.assert_allclose(found.baseline, 3.5 + 1.02 * found.mean, rtol=1e-5)
    assert keeper.cycle("hip_angle", "B") is None


def test_cycles_byte_by_byte() -> None:
    # By struct: 37 rows of two measures, the second ten times the first.
    numbers = [float(10 * row + 90 * row * k) for row in range(37) for k in (0, 1)]
    buffer = struct.pack("<74f", *numbers)
    side = SideCycles(side="L", measures=["a", "b"], stroke=1, n=1, last=buffer, mean=buffer,
                      sd=struct.pack("<74f", *[math.nan] * 74))  # fmt: skip
    keeper = CycleKeeper()
    keeper.take(Cycles(node="n", sides=[side]))
    second = keeper.cycle("b", "L")
    assert second is not None
    np.testing.assert_array_equal(second.last, 10 * CRANK_DEG)
    assert second.baseline is None
    assert np.isnan(second.sd).all()


@pytest.mark.parametrize("name", ["last", "mean", "sd", "baseline"])
def test_mangled_cycles_are_told_and_change_nothing(name: str) -> None:
    keeper = CycleKeeper()
    keeper.take(make_cycles())
    before = keeper.cycle("knee_flexion", "L")
    with pytest.raises(ValueError, match=f"{4 * 37 * 6} bytes, in '{name}', found 8 bytes"):
        keeper.take(make_cycles(1, **{name: b"12345678"}))
    assert keeper.cycle("knee_flexion", "L") is before


def test_axes_hold_their_data_and_stand_on_round_numbers() -> None:
    rng = np.random.default_rng(3)
    for _ in range(400):
        low = float(rng.uniform(-300, 300))
        high = low + float(10 ** rng.uniform(-2, 2.8))
        axis = axis_for(low, high, "mm")
        length = axis.high - axis.low
        assert axis.holds(low, high)
        assert length >= LEAST["mm"]
        # A whole step at either end at most, beside the room of 4 %.
        assert length <= 1.08 * max(high - low, LEAST["mm"]) + 2 * axis.step
        assert 2 <= len(axis.ticks) <= INTERVALS + 1
        mantissa = axis.step / 10 ** math.floor(math.log10(axis.step) + 1e-9)
        assert min(abs(mantissa - round_one) for round_one in (1, 2, 5)) < 1e-9
        assert abs(axis.low / axis.step - round(axis.low / axis.step)) < 1e-6
        assert axis.ticks[-1] == pytest.approx(axis.high)


def test_an_axis_grows_at_once_and_seldom_shrinks() -> None:
    rng = np.random.default_rng(4)
    axis = axis_for(30.0, 42.0, "deg")
    for _ in range(200):
        low, high = 36 - rng.uniform(5, 8), 36 + rng.uniform(5, 8)
        next_axis = axis_for(low, high, "deg", axis)
        assert next_axis.holds(low, high)
        grown = next_axis.high - next_axis.low > axis.high - axis.low
        assert grown or next_axis is axis
        axis = next_axis
    wide = axis_for(30.0, 90.0, "deg", axis)
    assert wide.holds(30.0, 90.0)
    assert axis_for(30.0, 70.0, "deg", wide) is wide
    assert axis_for(34.0, 38.0, "deg", wide).high < 60
