"""The chain against closed forms worked out here, and what no change may break."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livefit.frames import FloatArray
from livefit.predict import PARTS, Response, Rider, RiderError, predict
from livefit.predict.chain import Moved, moved
from livefit.predict.changes import ChangeError, Shift, shift_of
from livefit.predict.numbers import Key
from livefit.predict.response import NAMES, SPREAD
from livefit.predict.rider import OUTWARD
from tests.predict.predict_examples import (
    ANKLE_MM,
    BOTTOM,
    CRANK_MM,
    RIGID,
    SHANK_MM,
    THIGH_MM,
    by_key,
    column,
    planar,
    ridden,
    shipped,
    sure_of,
)

KNEE = Key("knee_flexion", "R", "bdc")


def closed(rider: Rider, shift: Shift, response: Response) -> Moved:
    """The chain closed with one response; its pose (36, m, 3)."""
    found = moved(rider, shift, response.vector()[None])
    return replace(found, pose=found.pose[0])


def knee_of(span: float) -> float:
    """Knee flexion, deg, of a leg that spans so much: law of cosines."""
    cosine = (THIGH_MM**2 + SHANK_MM**2 - span**2) / (2 * THIGH_MM * SHANK_MM)
    return 180.0 - float(np.degrees(np.arccos(cosine)))


def span_of(knee_deg: float) -> float:
    bent = np.radians(180.0 - knee_deg)
    return float(np.sqrt(THIGH_MM**2 + SHANK_MM**2 - 2 * THIGH_MM * SHANK_MM * np.cos(bent)))


# Geometry of a rider of 1.78 m, ankle frozen, between hip and ankle: mm a degree.
@pytest.mark.parametrize(("knee", "mm"), [(25, 1.65), (30, 1.97), (35, 2.29), (40, 2.61)])
def test_millimetres_a_degree_with_a_rigid_ankle(knee: float, mm: float) -> None:
    told = by_key(predict(planar(knee), {"saddle_height": 0.1}, shipped(), belief=sure_of(RIGID)))
    # Published to 0.005; a tenth of a millimetre of saddle curves it by less than that.
    assert -0.1 / told[KNEE][0] == pytest.approx(mm, abs=0.01)


def test_the_top_of_the_stroke_with_a_rigid_ankle() -> None:
    # 6.25 mm a degree at a knee of 110 degrees, along the line of hip and ankle.
    span = span_of(110.0)
    assert 1.0 / (knee_of(span) - knee_of(span + 1.0)) == pytest.approx(6.25, abs=0.02)


@pytest.mark.parametrize("up", [-30.0, -7.0, 3.0, 15.0])
def test_a_rigid_leg_obeys_the_law_of_cosines(up: float) -> None:
    rider = planar(35.0)
    told = by_key(predict(rider, {"saddle_height": up}, shipped(), belief=sure_of(RIGID)))
    assert told[KNEE][0] == pytest.approx(knee_of(span_of(35.0) + up) - 35.0, abs=1e-9)


def test_setback_and_crank_of_a_rigid_leg() -> None:
    rider = planar(35.0)
    for changes, hip, ankle in (
        ({"saddle_setback": 12.0}, (-12.0, 0.0), 0.0),
        ({"crank_length": -5.0}, (0.0, 0.0), 5.0),
    ):
        told = by_key(predict(rider, changes, shipped(), belief=sure_of(RIGID)))
        span = np.hypot(hip[0], span_of(35.0) + hip[1] - ankle)
        assert told[KNEE][0] == pytest.approx(knee_of(float(span)) - 35.0, abs=1e-9)


def test_a_cleat_moved_forward_sets_the_foot_back() -> None:
    rider = planar(35.0)
    after = closed(rider, shift_of({"cleat_fore_aft": 4.0}, 73.0, 72.0), RIGID)
    for name in ("R_LM", "R_CA", "R_VM"):
        step = column(rider, after.pose, name) - column(rider, rider.pose, name)
        np.testing.assert_allclose(step, np.broadcast_to([-4.0, 0.0, 0.0], step.shape), atol=1e-9)


def test_the_foot_takes_what_the_share_says() -> None:
    rider, up = planar(35.0), 2.0
    keep = by_key(predict(rider, {"saddle_height": up}, shipped(), belief=sure_of(RIGID)))
    assert keep[Key("foot_inclination", "R", "bdc")][0] == pytest.approx(0.0, abs=1e-9)
    takes = sure_of(replace(RIGID, ankle=1.0))
    told = by_key(predict(rider, {"saddle_height": up}, shipped(), belief=takes))
    # Hip and spindle are farthest apart at crank 170: there the foot, toes down about the spindle,
    # raises the ankle toward the hip by as much as the saddle takes the hip away.
    crank = np.radians(170.0)
    spindle = CRANK_MM * np.exp(1j * (np.pi / 2 - crank))
    hip = complex(ANKLE_MM[0], -CRANK_MM + ANKLE_MM[1] + span_of(35.0))
    ankle = complex(*ANKLE_MM)
    spans = [abs(hip - spindle - ankle * np.exp(-1j * turn)) for turn in (0.0, 1e-6)]
    lifted = abs(hip + 1j * up - spindle - ankle) - spans[0]
    turn = np.degrees(lifted / (spans[0] - spans[1]) * 1e-6)
    assert told[Key("foot_inclination", "R", "bdc")][0] == pytest.approx(turn, rel=0.005)
    # First order in the turn: what is left is of second order.
    assert abs(told[KNEE][0]) < 0.05 * abs(keep[KNEE][0])


def test_signs_of_the_cleat_and_the_wedge() -> None:
    rider = ridden().rider
    for side in "LR":
        turned = by_key(predict(rider, {"cleat_rotation": 2.0}, shipped()))
        assert turned[Key("toe_out", side, "mean")][0] > 0.5
        across = by_key(predict(rider, {"cleat_lateral": 2.0}, shipped()))
        step = across[Key("knee_lateral", side, "bdc")][0]
        assert -2.0 < step < 0.0
        raised = closed(rider, shift_of({"cleat_wedge": 1.0}, 73.0, 72.0), Response())
        ankle = column(rider, raised.pose - rider.pose, f"{side}_LM")
        assert (ankle[:, 2] * OUTWARD[side] > 0).all()


def test_signs_of_the_bar() -> None:
    rider = ridden().rider
    longer = by_key(predict(rider, {"bar_reach": 10.0}, shipped()))
    higher = by_key(predict(rider, {"bar_height": 10.0}, shipped()))
    for side in "LR":
        assert longer[Key("trunk_inclination", side, "mean")][2] < 0
        assert longer[Key("elbow_flexion", side, "mean")][0] < 0
        assert longer[Key("shoulder_angle", side, "mean")][0] > 0
        assert higher[Key("trunk_inclination", side, "mean")][1] > 0
        assert longer[Key("knee_flexion", side, "bdc")][0] == pytest.approx(0, abs=1e-9)


def test_stem_and_spacers_move_the_bar() -> None:
    rider = ridden().rider
    stem = by_key(predict(rider, {"stem_length": 10.0}, shipped()))
    assert stem == by_key(predict(rider, {"bar_reach": 10.0}, shipped()))
    steerer = np.radians(rider.head_tube_deg)
    spacers = shift_of({"spacers": 10.0}, 73.0, rider.head_tube_deg).bar
    np.testing.assert_allclose(spacers, [-10 * np.cos(steerer), 10 * np.sin(steerer)])


def lengths(rider: Rider, pose: FloatArray) -> dict[str, FloatArray]:
    found = {}
    for side in rider.sides:
        for a, b in (("GT", "LE"), ("LE", "LM"), ("CA", "VM"), ("LM", "VM"), ("AC", "EL"),
                     ("EL", "US")):  # fmt: skip
            step = column(rider, pose, f"{side}_{a}") - column(rider, pose, f"{side}_{b}")
            found[side + a + b] = np.sqrt((step**2).sum(axis=1))
        trunk = column(rider, pose, f"{side}_AC") - column(rider, pose, f"{side}_GT")
        found[side + "trunk"] = np.hypot(trunk[:, 0], trunk[:, 1])
    return found


amounts = st.fixed_dictionaries({part: st.floats(-6.0, 6.0) for part in PARTS})
answers = st.tuples(*(st.floats(-1.5, 1.5) for _ in NAMES))


@settings(max_examples=40, deadline=None, derandomize=True)
@given(amounts, answers)
def test_segments_keep_their_lengths_and_feet_their_pedals(
    changes: dict[str, float], far: tuple[float, ...]
) -> None:
    rider = ridden().rider
    response = Response(*(Response().vector() + np.array(far) * SPREAD.vector()).tolist())
    after = closed(rider, shift_of(changes, 73.0, 72.0), response)
    if after.short:
        return
    before = lengths(rider, rider.pose)
    for name, length in lengths(rider, after.pose).items():
        np.testing.assert_allclose(length, before[name], atol=1e-8, err_msg=name)
    # With the cleat where it was, the spindle keeps its place in the foot and is on its new circle.
    still = {part: by for part, by in changes.items() if not part.startswith("cleat")}
    free = closed(rider, shift_of(still, 73.0, 72.0), response)
    new = Rider(rider.labels, free.pose, free.cranks)
    for side in rider.sides:
        step = new.spindle(side) - rider.spindle(side)
        size = np.sqrt((step**2).sum(axis=1))
        np.testing.assert_allclose(size, abs(changes["crank_length"]), atol=1e-8)
        assert new.cranks[side].length == rider.cranks[side].length + changes["crank_length"]


def test_nothing_changed_changes_nothing() -> None:
    told = by_key(predict(ridden().rider, {"saddle_height": 0.0}, shipped()))
    assert len(told) > 100
    assert max(abs(number) for numbers in told.values() for number in numbers) < 1e-9


def test_left_and_right_are_mirrored() -> None:
    rider = planar(35.0)
    mirrored = np.roll(rider.pose, BOTTOM, axis=0) * [1.0, 1.0, -1.0]
    labels = tuple("L" + label[1:] for label in rider.labels)
    crank = replace(rider.cranks["R"], outward=-170.0)
    left = Rider(labels, mirrored, {"L": crank}, rider.seat_tube_deg)
    changes = {"saddle_height": 6.0, "cleat_rotation": 2.0, "cleat_wedge": 1.0, "cleat_lateral": 1}
    right_told, left_told = (by_key(predict(one, changes, shipped())) for one in (rider, left))
    assert len(right_told) > 50
    for key, numbers in right_told.items():
        assert left_told[replace(key, side="L")] == pytest.approx(numbers, abs=1e-8)


def test_segments_of_the_simulated_rider() -> None:
    found = ridden().rider.lengths("R")
    # 0.245 and 0.246 of 1,800 mm between joint centres; markers sit beside them.
    assert found.thigh == pytest.approx(441.0, abs=3.0)
    assert found.shank == pytest.approx(442.8, abs=3.0)
    assert found.foot == pytest.approx(float(np.hypot(*ANKLE_MM)) * 1800 / 1780, abs=3.0)
    assert found.ankling_deg == pytest.approx(32.0, abs=2.0)
    assert pytest.approx(ridden().rider.cranks["R"].length, abs=0.3) == CRANK_MM


def test_what_cannot_be_meant_is_refused() -> None:
    rider = planar(35.0)
    with pytest.raises(ChangeError, match=r"expected one of saddle_height.*got 'saddle'"):
        predict(rider, {"saddle": 5.0}, shipped())
    with pytest.raises(ChangeError, match="within 150 either way, got 500"):
        predict(rider, {"saddle_height": 500.0}, shipped())
    with pytest.raises(ChangeError, match="got nan"):
        predict(rider, {"saddle_height": float("nan")}, shipped())
    with pytest.raises(RiderError, match="expected hip, knee, ankle and foot markers"):
        Rider(rider.labels[1:], rider.pose[:, 1:], rider.cranks)
    with pytest.raises(RiderError, match="one position a label at 36 crank angles"):
        Rider(rider.labels, rider.pose[:35], rider.cranks)
    with pytest.raises(RiderError, match="seat tube stands at 45 to 90 degrees, got 20"):
        Rider(rider.labels, rider.pose, rider.cranks, 20.0)


def test_tilt_is_not_predicted_and_says_so() -> None:
    told = predict(planar(35.0), {"saddle_tilt": 1.0, "saddle_height": 2.0}, shipped())
    assert told.changes == {"saddle_height": 2.0}
    assert "saddle tilt" in told.not_predicted[0]


def test_without_elbow_and_wrist_the_trunk_is_not_predicted() -> None:
    whole = ridden().rider
    kept = [k for k, label in enumerate(whole.labels) if label[2:] not in ("EL", "US")]
    rider = Rider(tuple(whole.labels[k] for k in kept), whole.pose[:, kept], whole.cranks)
    told = predict(rider, {"saddle_height": 5.0}, shipped())
    trunk = [row for row in told.rows if row.measure == "trunk_inclination"]
    assert trunk
    assert all(row.by is None and row.now is not None for row in trunk)
    assert Key("knee_flexion", "L", "bdc") in by_key(told)


def test_a_marker_hidden_somewhere_takes_only_what_needs_it() -> None:
    whole = ridden().rider
    pose = whole.pose.copy()
    pose[5, whole.labels.index("R_LE")] = np.nan
    told = by_key(predict(Rider(whole.labels, pose, whole.cranks), {"saddle_height": 5}, shipped()))
    assert Key("knee_flexion", "L", "bdc") in told
    assert Key("foot_inclination", "R", "bdc") in told
    assert Key("knee_flexion", "R", "maximum") not in told


def test_an_ankle_hidden_at_the_bottom_leaves_the_other_leg_as_it_is() -> None:
    whole = ridden().rider
    pose = whole.pose.copy()
    pose[13:22, whole.labels.index("R_LM")] = np.nan
    seen, hidden = (
        by_key(predict(rider, {"saddle_height": 5.0}, shipped()))
        for rider in (whole, Rider(whole.labels, pose, whole.cranks))
    )
    left = Key("knee_flexion", "L", "bdc")
    # The pelvis goes with both legs, and the right one is now judged where it is seen.
    assert hidden[left] == pytest.approx(seen[left], abs=0.1)
    assert Key("knee_flexion", "R", "bdc") not in hidden
