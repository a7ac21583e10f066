"""Which samples a stroke makes, without a stream."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from livefit.outlets.lsl import StrokeOutlet
from tests.outlets.test_strokes_to_lsl import results, stroke

NAN = float("nan")


class Pushed:
    def __init__(self, channels: Sequence[tuple[str, str]]) -> None:
        self.labels = [label for label, _ in channels]
        self.samples: list[list[float]] = []

    def push_sample(self, sample: list[float]) -> None:
        self.samples.append(sample)


def test_strokes_wait_for_the_rows_and_rows_may_change() -> None:
    made: list[Pushed] = []

    def make(channels: Sequence[tuple[str, str]]) -> Pushed:
        made.append(Pushed(channels))
        return made[-1]

    outlet = StrokeOutlet(make)
    outlet.take(stroke(3, "R", ["knee"], [30.0]))
    outlet.take(results())
    assert made == []
    outlet.take(results(("knee", "bdc", "R")))
    outlet.take(results(("knee", "bdc", "R")))
    outlet.take(stroke(4, "R", ["knee"], [None]))
    outlet.take(stroke(4, "R", ["hip", "knee"], [40.0, 31.0]))
    [first] = made
    assert first.labels == ["t", "stroke", "marks", "knee:bdc:R"]
    assert first.samples[0] == [1.5, 3.0, 2.0, 30.0]
    assert first.samples[1] == pytest.approx([2.0, 4.0, 2.0, NAN], nan_ok=True)
    outlet.take(results(("hip", "bdc", "R"), ("knee", "bdc", "R")))
    assert len(first.samples) == 2
    assert made[1].samples == [[2.0, 4.0, 2.0, 40.0, 31.0]]
