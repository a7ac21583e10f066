"""The signs that the words promise, by a second computation of each kind from its description.

The first witness is the textbook's walking trial: a few rows of Winter DA (2009) Biomechanics and
Motor Control of Human Movement, 4th ed., Appendix A, tables A.2 (coordinates) and A.3, A.4
(angles). The others are closed forms: points placed at known angles and distances by hand.
"""

from __future__ import annotations

import math

import pytest

from livefit.definitions import Definitions, Measure

Point = tuple[float, float, float]
Points = dict[str, Point]

# Winter A.2, m: rib cage, hip, knee, fibula head, ankle; A.3, deg: thigh and leg; A.4, deg: hip
# and ankle.
WINTER = {
    10: ((0.6349, 1.0739), (0.6278, 0.8185), (0.7319, 0.5200), (0.7133, 0.4391), (0.4817, 0.2106),
         109.2, 51.0, 20.8, -3.0),
    28: ((0.9896, 1.0367), (1.0183, 0.7959), (1.1223, 0.5042), (1.1384, 0.4220), (1.2539, 0.1081),
         109.6, 108.4, 12.8, -0.4),
    38: ((1.2118, 1.0552), (1.2307, 0.8234), (1.3097, 0.5183), (1.3119, 0.4262), (1.3012, 0.0935),
         104.5, 88.9, 9.8, -1.8),
    70: ((1.8727, 1.0409), (1.8505, 0.7851), (1.8097, 0.4730), (1.7572, 0.4024), (1.4928, 0.2175),
         82.5, 38.9, -2.5, -20.1),
}  # fmt: skip

# Two published angles rounded to 0.1 deg (0.05 each) and coordinates rounded to 0.1 mm: 0.05 mm
# across at both ends of two segments of 0.25 m or more (0.023 deg each).
ROUNDING_DEG = 2 * 0.05 + 2 * 0.023


def value(measure: Measure, points: Points, side: str = "R") -> float:
    """Compute one measure from its description, one point at a time.

    Points are in the bike's axes: forward, up, the rider's right.
    """
    out = -1.0 if side == "L" and measure.sides == "each" else 1.0

    def place(name: str) -> Point:
        x, y, z = points[name]
        return x, y, out * z

    at = [place(name) for name in measure.points]
    if measure.kind in ("flexion", "included"):
        # Law of cosines.
        a, b, c = math.dist(at[1], at[2]), math.dist(at[0], at[2]), math.dist(at[0], at[1])
        angle = math.degrees(math.acos((a * a + c * c - b * b) / (2 * a * c)))
        raw = 180 - angle if measure.kind == "flexion" else angle
    elif measure.kind == "offset":
        axis = ("forward", "up", "outward").index(str(measure.axis))
        raw = at[1][axis] - at[0][axis]
    else:
        u, v = {"sagittal": (0, 1), "frontal": (2, 1), "transverse": (0, 2)}[str(measure.plane)]
        turns = [
            math.degrees(math.atan2(end[v] - start[v], end[u] - start[u]))
            for start, end in zip(at[::2], at[1::2], strict=True)
        ]
        raw = turns[0] if measure.kind == "inclination" else turns[1] - turns[0]
    shown = measure.sign * raw + measure.plus
    return shown if measure.kind == "offset" else 180 - (180 - shown) % 360


def polar(start: Point, length: float, angle_deg: float) -> Point:
    """Return the point at a length and an angle from forward towards up."""
    angle = math.radians(angle_deg)
    return start[0] + length * math.cos(angle), start[1] + length * math.sin(angle), start[2]


def winter_points(frame: int) -> Points:
    rib, hip, knee, fibula, ankle = ((1000 * x, 1000 * y, 0.0) for x, y in WINTER[frame][:5])
    return {"AC": rib, "GT": hip, "LE": knee, "HF": fibula, "LM": ankle}


@pytest.mark.parametrize("frame", WINTER)
def test_leg_and_trunk_read_as_in_winters_tables(shipped: Definitions, frame: int) -> None:
    thigh, leg, hip = WINTER[frame][5:8]
    points = winter_points(frame)
    expected = {
        "knee_flexion": thigh - leg,
        "shank_inclination": leg,
        "thigh_inclination": 180 - thigh,
        "trunk_inclination": thigh - hip,
        "hip_angle": 180 - hip if hip > 0 else 180 + hip,
    }
    for name, angle in expected.items():
        assert value(shipped.measure(name), points) == pytest.approx(angle, abs=ROUNDING_DEG), name


@pytest.mark.parametrize(("frame", "least", "most"), [(28, 10, 30), (38, -8, 8), (70, -90, -45)])
def test_dorsiflexion_has_winters_zero_and_sign(
    shipped: Definitions, frame: int, least: float, most: float
) -> None:
    """His ankle angle less ours for a level foot is how far his toes were up.

    At heel contact (28) the toes are up, in mid-stance (38) the foot is flat on the floor, at
    toe-off (70) it stands on its toes: common knowledge of walking. The fibula head is his LE.
    """
    points = winter_points(frame)
    points |= {"LE": points["HF"], "CA": (0.0, 0.0, 0.0), "VM": (100.0, 0.0, 0.0)}
    level = value(shipped.measure("ankle_dorsiflexion"), points)
    toes_up = WINTER[frame][8] - level
    assert least < toes_up < most
    points["VM"] = polar(points["CA"], 100, toes_up)
    shown = value(shipped.measure("ankle_dorsiflexion"), points)
    assert shown == pytest.approx(WINTER[frame][8], abs=1e-9)


@pytest.mark.parametrize("shank", [60, 90, 110])
@pytest.mark.parametrize("toes_up", [-40, 0, 15])
def test_the_foot_against_the_shank(shipped: Definitions, shank: float, toes_up: float) -> None:
    ankle = (0.0, 100.0, 0.0)
    points = {
        "LM": ankle,
        "LE": polar(ankle, 400, shank),
        "CA": (-60.0, 40.0, 0.0),
        "VM": polar((-60.0, 40.0, 0.0), 180, toes_up),
    }
    # Dorsiflexion brings the toes towards the shin, by turning the foot or the shank.
    assert value(shipped.measure("ankle_dorsiflexion"), points) == pytest.approx(
        toes_up + (90 - shank)
    )
    assert value(shipped.measure("foot_inclination"), points) == pytest.approx(-toes_up)
    assert value(shipped.measure("shank_inclination"), points) == pytest.approx(shank)


def test_pointing_the_toes_opens_the_ankle_angle(shipped: Definitions) -> None:
    ankle = (0.0, 0.0, 0.0)
    for toes, expected in ((-10, 100), (-30, 120)):
        points = {"LM": ankle, "LE": polar(ankle, 400, 90), "VM": polar(ankle, 120, toes)}
        assert value(shipped.measure("ankle_angle"), points) == pytest.approx(expected)


def test_trunk_and_thigh(shipped: Definitions) -> None:
    hip = (-150.0, 700.0, 0.0)
    for trunk, thigh in ((45.0, 10.0), (20.0, -5.0), (90.0, 65.0)):
        points = {"GT": hip, "AC": polar(hip, 500, trunk), "LE": polar(hip, 430, -thigh)}
        assert value(shipped.measure("trunk_inclination"), points) == pytest.approx(trunk)
        assert value(shipped.measure("thigh_inclination"), points) == pytest.approx(thigh)
        # The upright is 90, and 180 would be trunk and thigh in one line.
        assert value(shipped.measure("hip_angle"), points) == pytest.approx(trunk + thigh)


def test_arms(shipped: Definitions) -> None:
    shoulder = (200.0, 1100.0, 0.0)
    elbow = polar(shoulder, 300, -60)
    points = {"GT": polar(shoulder, 500, -140), "AC": shoulder, "EL": elbow}
    assert value(shipped.measure("shoulder_angle"), points) == pytest.approx(80)
    for bent in (0.5, 20, 90):
        points["US"] = polar(elbow, 250, -60 + bent)
        assert value(shipped.measure("elbow_flexion"), points) == pytest.approx(bent)


@pytest.mark.parametrize(("side", "out"), [("L", -1.0), ("R", 1.0)])
def test_distances_have_the_promised_sign_on_both_sides(
    shipped: Definitions, side: str, out: float
) -> None:
    points = {
        "AXLE": (0.0, 0.0, 0.0),
        "SPINDLE": (170.0, 0.0, out * 110),
        "LE": (182.0, 420.0, out * 95),
        "VM": (190.0, 40.0, out * 130),
        "GT": (-150.0, 780.0, out * 160),
    }
    expected = {
        "knee_over_spindle": 12,
        "knee_lateral": 95,
        "knee_to_foot_lateral": -35,
        "knee_height": 420,
        "hip_height": 780,
    }
    for name, distance in expected.items():
        assert value(shipped.measure(name), points, side) == pytest.approx(distance), name


@pytest.mark.parametrize(("side", "out"), [("L", -1.0), ("R", 1.0)])
@pytest.mark.parametrize("toes_out", [-6, 0, 25])
def test_toes_outward_are_positive_on_both_sides(
    shipped: Definitions, side: str, out: float, toes_out: float
) -> None:
    angle = math.radians(toes_out)
    heel = (10.0, 60.0, out * 115)
    toe = (heel[0] + 180 * math.cos(angle), 30.0, heel[2] + out * 180 * math.sin(angle))
    shown = value(shipped.measure("toe_out"), {"CA": heel, "VM": toe}, side)
    assert shown == pytest.approx(toes_out)


@pytest.mark.parametrize("turned", [-8.0, 0.0, 3.0])
def test_the_pelvis_is_positive_with_the_right_side_up_or_ahead(
    shipped: Definitions, turned: float
) -> None:
    half, angle = 120.0, math.radians(turned)
    across, along = half * math.cos(angle), half * math.sin(angle)
    up = {"L_ASIS": (0.0, 900 - along, -across), "R_ASIS": (0.0, 900 + along, across)}
    assert value(shipped.measure("pelvic_obliquity"), up) == pytest.approx(turned)
    ahead = {"L_ASIS": (-along, 900.0, -across), "R_ASIS": (along, 900.0, across)}
    assert value(shipped.measure("pelvic_rotation"), ahead) == pytest.approx(turned)
