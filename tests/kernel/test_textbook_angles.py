"""Segment and joint angles of the textbook's walking trial, through the table of measures.

Winter DA (2009) Biomechanics and Motor Control of Human Movement, 4th ed., Wiley, Appendix A:
filtered coordinates (table A.2, m), segment angles (A.3, deg) and joint angles (A.4, deg) of
eight frames. His angles run counter-clockwise from forward, segments from distal to proximal; the
trunk runs to the rib cage and the knee of A.4 is taken from the line ankle to fibula head.
"""

from __future__ import annotations

import numpy as np
import pytest

from livefit.definitions import Measure
from livefit.kernel.measuring import VIRTUAL_POINTS, MeasureTable
from tests.kernel.riding import shipped

# rib cage, hip, knee, fibula head, ankle; A.3 thigh and leg; A.4 knee and hip.
ROWS = {
    10: ((.6349, 1.0739), (.6278, .8185), (.7319, .5200), (.7133, .4391), (.4817, .2106),
         109.2, 51.0, 64.6, 20.8),
    28: ((.9896, 1.0367), (1.0183, .7959), (1.1223, .5042), (1.1384, .4220), (1.2539, .1081),
         109.6, 108.4, -0.6, 12.8),
    38: ((1.2118, 1.0552), (1.2307, .8234), (1.3097, .5183), (1.3119, .4262), (1.3012, .0935),
         104.5, 88.9, 16.3, 9.8),
    60: ((1.6461, 1.0413), (1.5999, .8018), (1.5135, .5037), (1.4635, .4270), (1.3227, .1257),
         73.8, 63.2, 8.9, -5.2),
    70: ((1.8727, 1.0409), (1.8505, .7851), (1.8097, .4730), (1.7572, .4024), (1.4928, .2175),
         82.5, 38.9, 47.6, -2.5),
    77: ((1.9951, 1.0679), (1.9870, .8096), (2.0610, .5032), (2.0329, .4249), (1.7729, .2291),
         103.6, 43.6, 66.6, 15.3),
    85: ((2.1378, 1.0728), (2.1500, .8287), (2.2848, .5452), (2.2805, .4534), (2.1961, .1293),
         115.4, 78.0, 40.0, 22.6),
    97: ((2.3813, 1.0307), (2.4163, .7908), (2.5257, .4999), (2.5429, .4186), (2.6677, .1009),
         110.6, 109.6, -0.8, 12.3),
}  # fmt: skip
LABELS = ["R_AC", "R_GT", "R_LE", "R_HF", "R_LM"]

ONE_DEG = 0.05 + 0.02
"""A printed angle is rounded to 0.1 deg; the coordinates, to 0.1 mm, turn a segment of 0.24 m or
more by at most 0.1 mm * sqrt(2) / 2 / 0.24 m = 0.017 deg."""
FIBULA_DEG = 0.05 + 0.02 + 0.02
"""The same for the difference of two segments, the line ankle to fibula head being 0.33 m long."""


def between(name: str, points: list[str]) -> Measure:
    return Measure(
        name=name, title=name, short=name, plain=name, kind="between", points=points,
        plane="sagittal", unit="deg", events=["mean"],
    )  # fmt: skip


KNEE = between("knee", ["LM", "HF", "LE", "GT"])
HIP = between("hip", ["GT", "AC", "LE", "GT"])


def value(measure: Measure, frame: int) -> float:
    table = MeasureTable([measure], "R", LABELS)
    points = np.full((1, len(LABELS) + len(VIRTUAL_POINTS), 3), np.nan)
    for k in range(len(LABELS)):
        points[0, k] = [*np.multiply(1000.0, ROWS[frame][k]), 80.0]
    return float(table.evaluate(points)[0, 0])


@pytest.mark.parametrize("frame", ROWS)
def test_segments_are_table_a3s(frame: int) -> None:
    thigh, leg = ROWS[frame][5:7]
    assert value(shipped().measure("shank_inclination"), frame) == pytest.approx(leg, abs=ONE_DEG)
    # Ours goes from hip to knee and counts downward.
    downward = value(shipped().measure("thigh_inclination"), frame)
    assert 180.0 - downward == pytest.approx(thigh, abs=ONE_DEG)


@pytest.mark.parametrize("frame", ROWS)
def test_joints_are_table_a4s(frame: int) -> None:
    """The kind 'between': direction of the second arrow less that of the first."""
    knee, hip = ROWS[frame][7:9]
    assert value(KNEE, frame) == pytest.approx(knee, abs=FIBULA_DEG)
    # 'between' takes the thigh less the trunk: his hip angle, flexion positive.
    assert value(HIP, frame) == pytest.approx(hip, abs=FIBULA_DEG)
    # The three-point hip angle knows no direction: 180 deg less the flexion either way.
    three_points = value(shipped().measure("hip_angle"), frame)
    assert three_points == pytest.approx(180.0 - abs(hip), abs=FIBULA_DEG)


@pytest.mark.parametrize("frame", ROWS)
def test_the_trunk_is_the_thigh_less_the_hip(frame: int) -> None:
    thigh, hip = ROWS[frame][5], ROWS[frame][8]
    trunk = value(shipped().measure("trunk_inclination"), frame)
    assert trunk == pytest.approx(thigh - hip, abs=ONE_DEG + 0.05)
