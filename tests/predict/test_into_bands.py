"""The way back: into the bands, beside a slow search through every setting."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livefit.predict import PUBLISHED, Limit, Plan, Prediction, Target, into_bands, words
from livefit.predict.changes import ChangeError
from livefit.predict.numbers import Key, Reading
from livefit.predict.prediction import Forecast
from tests.predict.predict_examples import ridden, shipped

SADDLE = {"saddle_height": Limit(-12, 12), "saddle_setback": Limit(-10, 10)}
LARGEST = {part.name: part.largest_advised for part in shipped().adjustments}


def then(prediction: Prediction) -> dict[Key, float]:
    """Numbers after the changes."""
    return {
        Key(row.measure, row.side, row.event): row.now + row.by
        for row in prediction.rows
        if row.now is not None and row.by is not None
    }


@cache
def forecast() -> Forecast:
    """The forward chain, and only the measures that these tests ask for."""
    names = ("knee_flexion", "knee_over_spindle", "trunk_inclination", "foot_inclination",
             "toe_out")  # fmt: skip
    measures = [shipped().measure(name) for name in names]
    return Forecast(ridden().rider, Reading(ridden().rider, measures, shipped().events))


def after(changes: Mapping[str, float]) -> dict[Key, float]:
    numbers = forecast().now + forecast().change(changes, PUBLISHED.mean)[0]
    return dict(zip(forecast().reading.keys, numbers.tolist(), strict=True))


def inside(numbers: Mapping[Key, float], targets: list[Target]) -> bool:
    return all(
        target.low <= numbers[Key(target.measure, side, target.event)] <= target.high
        for target in targets
        for side in "LR"
    )


def size(changes: Mapping[str, float]) -> tuple[int, float]:
    far = sum(abs(by) / LARGEST[part] for part, by in changes.items())
    return sum(by != 0 for by in changes.values()), round(far, 9)


def now(measure: str, event: str) -> float:
    numbers = after({"saddle_height": 0.0})
    return float(np.mean([numbers[Key(measure, side, event)] for side in "LR"]))


def test_one_part_as_found_by_trying_every_setting() -> None:
    knee = now("knee_flexion", "bdc")
    for low, high in ((knee - 2.5, knee - 1.5), (knee + 0.7, knee + 5.0)):
        targets = [Target("knee_flexion", "bdc", low, high)]
        plan = into_bands(ridden().rider, targets, shipped(),
                          permitted={"saddle_height": Limit(-15, 15)})  # fmt: skip
        tried = [up for up in range(-15, 16) if inside(after({"saddle_height": up}), targets)]
        assert plan.changes == {"saddle_height": float(min(tried, key=abs))}
        assert plan.conflict == ()


def test_two_parts_as_found_by_trying_every_setting() -> None:
    knee, ahead = now("knee_flexion", "bdc"), now("knee_over_spindle", "forward")
    targets = [
        Target("knee_flexion", "bdc", knee - 2.2, knee - 1.0),
        Target("knee_over_spindle", "forward", ahead - 1.0, ahead + 3.0),
    ]
    plan = into_bands(ridden().rider, targets, shipped(), permitted=SADDLE)
    tried = [
        {"saddle_height": float(up), "saddle_setback": float(back)}
        for up, back in product(range(0, 13), range(-10, 5))
        if inside(after({"saddle_height": up, "saddle_setback": back}), targets)
    ]
    assert size(plan.changes) == min(size(changes) for changes in tried)
    assert inside(after(plan.changes), targets)
    assert plan.more
    assert plan.first is not None
    assert plan.first.part == "saddle_height"


def test_one_part_is_moved_where_one_is_enough() -> None:
    knee = now("knee_flexion", "bdc")
    plan = into_bands(ridden().rider, [Target("knee_flexion", "bdc", knee - 3, knee - 0.7)],
                      shipped())  # fmt: skip
    assert list(plan.changes) == ["saddle_height"]
    assert plan.limits_assumed == ("saddle_height", "saddle_setback", "bar_reach", "bar_height")


def test_nothing_is_moved_where_all_is_well() -> None:
    knee = now("knee_flexion", "bdc")
    plan = into_bands(ridden().rider, [Target("knee_flexion", "bdc", knee - 3, knee + 3)],
                      shipped())  # fmt: skip
    assert (plan.changes, plan.first, plan.more, plan.conflict) == ({}, None, False, ())
    assert plan.prediction is None
    assert words.plan_words(plan, shipped()) == [words.INSIDE]


def test_bands_in_each_others_way_are_named_and_no_others() -> None:
    # The knee more bent at the bottom asks for a lower saddle, less bent at the top for a higher.
    bottom, top, trunk = (
        now("knee_flexion", "bdc"), now("knee_flexion", "tdc"), now("trunk_inclination", "mean")
    )  # fmt: skip
    hopeless = [
        Target("knee_flexion", "bdc", bottom + 1.5, bottom + 4),
        Target("knee_flexion", "tdc", top - 3, top - 0.6),
    ]
    harmless = Target("trunk_inclination", "mean", trunk - 5, trunk + 5)
    plan = into_bands(ridden().rider, [hopeless[0], harmless, hopeless[1]], shipped(),
                      permitted=SADDLE)  # fmt: skip
    assert plan.changes == {}
    assert plan.prediction is None
    assert set(plan.conflict) == set(hopeless)
    for alone in hopeless:
        assert into_bands(ridden().rider, [alone, harmless], shipped(), permitted=SADDLE).changes
    said = words.plan_words(plan, shipped())
    assert "knee flexion at bottom dead centre within" in said[0]
    assert "trunk" not in said[0]
    assert said[1].startswith("Permitted: saddle height 12 mm down to 12 mm up, saddle setback")


def test_a_band_out_of_reach_of_the_leg_is_in_conflict_alone() -> None:
    target = Target("knee_flexion", "bdc", 1.0, 3.0)
    plan = into_bands(ridden().rider, [target], shipped(),
                      permitted={"saddle_height": Limit(0, 149)})  # fmt: skip
    assert plan.conflict == (target,) or inside(after(plan.changes), [target])


numbers = st.sampled_from(
    [("knee_flexion", "bdc"), ("knee_over_spindle", "forward"), ("trunk_inclination", "mean"),
     ("foot_inclination", "bdc"), ("knee_flexion", "maximum")]
)  # fmt: skip
limits = st.dictionaries(
    st.sampled_from(["saddle_height", "saddle_setback", "bar_reach", "cleat_fore_aft",
                     "crank_length", "cleat_rotation"]),
    st.builds(Limit, st.floats(-20, 0), st.floats(0, 20)),
    min_size=1, max_size=3,
)  # fmt: skip


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(numbers, st.floats(-4, 4), st.floats(0.5, 3)), min_size=1, max_size=2,
             unique_by=lambda each: each[0]),
    limits,
)  # fmt: skip
def test_no_limit_and_no_step_is_ever_passed(
    wanted: list[tuple[tuple[str, str], float, float]], limits: dict[str, Limit]
) -> None:
    targets = [
        Target(*pair, now(*pair) + by - half, now(*pair) + by + half) for pair, by, half in wanted
    ]
    plan = into_bands(ridden().rider, targets, shipped(), permitted=limits)
    for part, amount in plan.changes.items():
        assert limits[part].least <= amount <= limits[part].most
        finest = 2.5 if part == "crank_length" else 1.0
        assert amount / finest == round(amount / finest)
    if plan.changes:
        assert plan.conflict == ()
        assert plan.first is not None
        assert 0 < abs(plan.first.amount) <= LARGEST[plan.first.part]
        assert abs(plan.first.amount) <= abs(plan.changes[plan.first.part])
        assert inside(after(plan.changes), targets)
        assert plan.prediction is not None
        assert plan.prediction.reaches
    elif not plan.conflict:
        assert inside(after({"saddle_height": 0.0}), targets)


def test_no_step_of_more_than_five_millimetres_is_advised() -> None:
    """Common practice, no source."""
    lengths = [part for part in shipped().adjustments if part.unit == "mm"]
    assert {part.name for part in lengths} >= {"saddle_height", "bar_reach", "stem_length"}
    assert max(part.largest_advised for part in lengths) <= 5.0


def test_more_than_a_step_is_made_in_steps() -> None:
    knee = now("knee_flexion", "bdc")
    plan = into_bands(ridden().rider, [Target("knee_flexion", "bdc", knee - 4, knee - 2.5)],
                      shipped(), permitted={"saddle_height": Limit(-20, 20)})  # fmt: skip
    assert plan.changes["saddle_height"] > 10
    assert plan.first is not None
    assert (plan.first.amount, plan.more) == (5.0, True)
    assert plan.after_first is not None
    assert plan.after_first.changes == {"saddle_height": 5.0}
    first, together, more = words.plan_words(plan, shipped())
    assert first == "First step: saddle height 5 mm up."
    assert together.startswith("Together: saddle height 1")
    assert more == words.MORE


def test_feet_come_before_the_saddle() -> None:
    foot = now("toe_out", "mean")
    knee = now("knee_flexion", "bdc")
    plan = into_bands(
        ridden().rider,
        [Target("knee_flexion", "bdc", knee - 2, knee - 1),
         Target("toe_out", "mean", foot + 0.5, foot + 1.5)],
        shipped(),
        permitted={"saddle_height": Limit(-10, 10), "cleat_rotation": Limit(-5, 5)},
    )  # fmt: skip
    assert set(plan.changes) == {"saddle_height", "cleat_rotation"}
    assert plan.first is not None
    assert plan.first.part == "cleat_rotation"


def test_one_side_can_be_meant() -> None:
    numbers = after({"saddle_height": 0.0})
    left = numbers[Key("knee_flexion", "L", "bdc")]
    target = Target("knee_flexion", "bdc", left - 2, left - 1, side="L")
    plan: Plan = into_bands(ridden().rider, [target], shipped())
    assert plan.prediction is not None
    found = then(plan.prediction)[Key("knee_flexion", "L", "bdc")]
    assert left - 2 <= found <= left - 1


def test_what_cannot_be_used_is_refused() -> None:
    rider, target = ridden().rider, Target("knee_flexion", "bdc", 30, 40)
    with pytest.raises(ChangeError, match="at least one band"):
        into_bands(rider, [], shipped())
    with pytest.raises(ChangeError, match="at least one part"):
        into_bands(rider, [target], shipped(), permitted={})
    with pytest.raises(ChangeError, match=r"expected parts among .* got 'saddle_tilt'"):
        into_bands(rider, [target], shipped(), permitted={"saddle_tilt": None})
    with pytest.raises(ChangeError, match="cadence at mean: the pose holds no such number"):
        into_bands(rider, [Target("cadence", "mean", 80, 90)], shipped())
    with pytest.raises(ChangeError, match="low must be below high"):
        Target("knee_flexion", "bdc", 40, 30)
    with pytest.raises(ChangeError, match="from 0 or below to 0 or above, got 2 to 5"):
        Limit(2, 5)
