"""Recorded markers whose angles others have computed, through the kernel's table of measures.

The data and where they come from are described in tests/data/walking/README.md. What is compared
are formulas on the same points, not where a marker ought to be or how a crank is found.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from livefit.definitions import Measure
from livefit.frames import FloatArray
from livefit.kernel.measuring import VIRTUAL_POINTS, MeasureTable
from tests.kernel.riding import shipped

DATA = Path(__file__).parents[1] / "data" / "walking"


@cache
def columns(file: str) -> dict[str, FloatArray]:
    table = np.genfromtxt(DATA / file, delimiter=",", names=True)
    assert table.dtype.names is not None
    return {name: table[name] for name in table.dtype.names}


def evaluated(
    names: list[str], points: dict[str, FloatArray], side: str = "R"
) -> dict[str, FloatArray]:
    """Measures of one side, from points (n, 3) mm: forward, up, the rider's right."""
    labels = list(points)
    measures = [shipped().measure(name) for name in names]
    table = MeasureTable(measures, side, labels)
    frames = np.stack(list(points.values()), axis=1)
    nowhere = np.full((len(frames), len(VIRTUAL_POINTS), 3), np.nan)
    values = table.evaluate(np.concatenate([frames, nowhere], axis=1))
    return dict(zip(names, values.T, strict=True))


# --- the whole leg seen from the side ------------------------------------------------------------

CUTOFF_HZ = 4.0
"""Of the low-pass filter that the stored angles went through. The program beside them says 6 Hz,
which misses them by up to 0.02 rad; 4 Hz, found by trying, reproduces all 903 to 1e-6 rad."""
BOTH_WAYS = 0.802
"""A filter run both ways needs a cut-off so much higher: Winter DA (2009) Biomechanics and Motor
Control of Human Movement, 4th ed., Wiley, chapter 3."""
STORED_RAD = 1e-6
"""The agreement that the stored angles' own test asks for."""


def smoothed(t: FloatArray, x: FloatArray) -> FloatArray:
    """Second-order Butterworth backward in time and then forward, by the trapezoidal rule.

    The state (value and slope) goes on from the backward to the forward run.
    """
    w = 2 * np.pi * CUTOFF_HZ / BOTH_WAYS
    system = np.array([[0.0, 1.0], [-w * w, -np.sqrt(2) * w]])
    driven = np.array([0.0, w * w])
    state, backward, forward = np.array([x[-1], 0.0]), [float(x[-1])], []

    def step(state: FloatArray, h: float, given: float) -> FloatArray:
        right = (np.eye(2) + h / 2 * system) @ state + h * driven * given
        return np.asarray(np.linalg.solve(np.eye(2) - h / 2 * system, right))

    for k in range(len(t) - 2, -1, -1):
        state = step(state, t[k + 1] - t[k], (x[k + 1] + x[k]) / 2)
        backward.append(float(state[0]))
    back = np.array(backward[::-1])
    state = step(state, 2 * t[0], (x[0] + back[0]) / 2)
    forward.append(float(state[0]))
    for k in range(1, len(t)):
        state = step(state, t[k] - t[k - 1], (back[k - 1] + back[k]) / 2)
        forward.append(float(state[0]))
    return np.array(forward)


@cache
def leg() -> dict[str, FloatArray]:
    """The six markers in mm, filtered as theirs were; gaps filled on a line after filtering."""
    data = columns("sagittal.csv")
    names = {
        "R_AC": "shoulder", "R_GT": "trochanter", "R_LE": "knee", "R_LM": "ankle",
        "R_CA": "heel", "R_VM": "mt5",
    }  # fmt: skip
    points = {}
    for label, name in names.items():
        point = np.zeros((len(data["t_s"]), 3))
        for axis, letter in enumerate("xy"):
            x = data[f"{name}_{letter}_m"]
            seen = np.isfinite(x)
            smooth = smoothed(data["t_s"][seen], x[seen])
            point[:, axis] = 1000 * np.interp(data["t_s"], data["t_s"][seen], smooth)
        points[label] = point
    return points


def test_hip_knee_and_ankle_of_a_whole_trial() -> None:
    """Their angles are differences of segment directions: trunk, thigh, shank, heel to toe.

    Hip: thigh less trunk, flexion positive. Knee: thigh less shank, flexion positive. Ankle:
    shank (knee to ankle) less foot, plantarflexion positive, -90 deg for a foot at a right angle.
    """
    data = columns("sagittal.csv")
    found = evaluated(["knee_flexion", "hip_angle", "ankle_dorsiflexion"], leg())
    limit = np.degrees(STORED_RAD)
    # The three-point angles know no direction: this trial's knee is never overstretched, and its
    # hip angle is 180 deg less the flexion either way.
    knee, hip, ankle = (np.degrees(data[f"{name}_rad"]) for name in ("knee", "hip", "ankle"))
    assert knee.min() > 0
    assert found["knee_flexion"] == pytest.approx(knee, abs=limit)
    assert found["hip_angle"] == pytest.approx(180.0 - np.abs(hip), abs=limit)
    assert found["ankle_dorsiflexion"] == pytest.approx(-ankle - 90.0, abs=limit)
    assert np.ptp(ankle) > 30
    assert np.ptp(knee) > 50


def test_inclinations_add_up_to_their_joint_angles() -> None:
    data = columns("sagittal.csv")
    names = ["trunk_inclination", "thigh_inclination", "shank_inclination", "foot_inclination"]
    trunk, thigh, shank, foot = evaluated(names, leg()).values()
    limit = np.degrees(STORED_RAD)
    # Trunk upward and thigh downward from the hip, both from forward: their difference is open.
    assert 180.0 - (trunk + thigh) == pytest.approx(np.degrees(data["hip_rad"]), abs=limit)
    assert 180.0 - (thigh + shank) == pytest.approx(np.degrees(data["knee_rad"]), abs=limit)
    assert foot + shank - 180.0 == pytest.approx(np.degrees(data["ankle_rad"]), abs=limit)


def test_any_segment_against_any_other() -> None:
    """The kind 'between' on the same data, with its sign: hip flexion as they have it."""
    hip = Measure(
        name="hip_flexion", title="Hip", short="hip", plain="hip", kind="between",
        points=["AC", "GT", "GT", "LE"], plane="sagittal", unit="deg", events=["mean"],
    )  # fmt: skip
    table = MeasureTable([hip], "R", list(leg()))
    frames = np.stack(list(leg().values()), axis=1)
    nowhere = np.full((len(frames), len(VIRTUAL_POINTS), 3), np.nan)
    found = table.evaluate(np.concatenate([frames, nowhere], axis=1))[:, 0]
    expected = np.degrees(columns("sagittal.csv")["hip_rad"])
    assert expected.min() < -3 < 3 < expected.max()
    assert found == pytest.approx(expected, abs=np.degrees(STORED_RAD))


# --- joint centres in space ----------------------------------------------------------------------

SINGLE_PRECISION_DEG = 1e-4
"""Coordinates up to 1000 mm are stored to 3e-5 mm: over a thigh and a shank of 410 mm 2e-5 deg, and
the published angle, computed in single precision, as much again."""


def own_axes(name: str) -> FloatArray:
    """A point (n, 3) of the second trial: forward, up, right (theirs: left, backward, up)."""
    x, y, z = (columns("joint_centres.csv")[f"{name}_{axis}_mm"] for axis in "xyz")
    return np.stack([-y, z, -x], axis=1)


@pytest.mark.parametrize("side", ["L", "R"])
def test_knee_flexion_in_space_is_the_laboratorys(side: str) -> None:
    """Between the long axes of thigh and shank lies arccos(cos flexion * cos varus).

    Exactly, for successive turns about the knee's axes in the order flexion, varus, rotation
    (Grood ES, Suntay WJ 1983, J Biomech Eng 105:136-144), where both long axes run through the
    joint centres.
    """
    data = columns("joint_centres.csv")
    points = {
        f"{side}_{label}": own_axes(f"{side}_{name}")
        for label, name in (("GT", "hip"), ("LE", "knee"), ("LM", "ankle"))
    }
    found = evaluated(["knee_flexion"], points, side)["knee_flexion"]
    flexion, varus = (np.radians(data[f"{side}_knee_{n}_deg"]) for n in ("flexion", "varus"))
    expected = np.degrees(np.arccos(np.cos(flexion) * np.cos(varus)))
    assert found == pytest.approx(expected, abs=SINGLE_PRECISION_DEG)
    assert np.abs(expected - np.degrees(flexion)).max() > 0.2
    assert np.ptp(expected) > 50


def test_pelvic_obliquity_and_rotation_are_the_laboratorys() -> None:
    """Their pelvis turns about left by the tilt, then forward, then up, the two reversed.

    scipy's rotation gives the lateral axis that goes with their three angles; ours read its
    direction in the frontal and in the transverse plane.
    """
    data = columns("joint_centres.csv")
    origin, left = own_axes("pelvis_origin"), own_axes("pelvis_lateral")
    points = {"L_ASIS": left, "R_ASIS": 2 * origin - left}
    found = evaluated(["pelvic_obliquity", "pelvic_rotation"], points, "B")
    tilt, obliquity, rotation = (
        data[f"pelvis_{name}_deg"] for name in ("tilt", "obliquity", "rotation")
    )
    turns = Rotation.from_euler("YXZ", np.stack([tilt, -obliquity, rotation], axis=1), degrees=True)
    ahead, leftward, upward = turns.apply([0.0, 1.0, 0.0]).T
    # The lateral axis is 100 mm and more of a metre's coordinates: 3e-5 mm are 4e-5 deg of it.
    raised = np.degrees(np.arctan2(-upward, leftward))
    turned = np.degrees(np.arctan2(-ahead, leftward))
    assert found["pelvic_obliquity"] == pytest.approx(raised, abs=SINGLE_PRECISION_DEG)
    assert found["pelvic_rotation"] == pytest.approx(turned, abs=SINGLE_PRECISION_DEG)
    assert np.ptp(raised) > 2
    assert np.ptp(turned) > 2
