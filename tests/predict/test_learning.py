"""What a rider's own adjustments teach, beside updates written out here and simulated riders."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livefit.frames import FloatArray
from livefit.predict import PUBLISHED, Belief, Observed, Response, Rider, Seen, learned, predict
from livefit.predict.learning import observed
from livefit.predict.numbers import Key
from livefit.predict.response import NAMES
from tests.predict.predict_examples import by_key, ridden, shipped, sure_of

MINE = Response(hip=0.65, ankle=0.6, ankle_top=1.1, arm=0.05, slide=0.8)
KNEE = Key("knee_flexion", "R", "bdc")


def seen_by(rider: Rider, changes: dict[str, float], truth: Response, se: float) -> Observed:
    """An adjustment as a rider of this response would answer it."""
    told = by_key(predict(rider, changes, shipped(), belief=sure_of(truth)))
    return Observed(rider, changes, tuple(Seen(key, by, se) for key, (by, *_) in told.items()))


def test_a_rider_is_learned() -> None:
    rider = ridden().rider
    truth = by_key(predict(rider, {"saddle_height": -10.0}, shipped(), belief=sure_of(MINE)))
    errors, widths = [], []
    for adjustments in ([], [seen_by(rider, {"saddle_height": 5.0}, MINE, 0.05)]):
        belief = learned(adjustments, shipped())
        told = by_key(predict(rider, {"saddle_height": -10.0}, shipped(), belief=belief))
        errors.append(abs(told[KNEE][0] - truth[KNEE][0]))
        widths.append(told[KNEE][2] - told[KNEE][1])
        assert told[KNEE][1] < truth[KNEE][0] < told[KNEE][2]
    assert errors[1] < errors[0] / 4
    assert widths[1] < widths[0] / 2


def test_an_angle_that_only_its_name_spells_out() -> None:
    """The knee taken at 180 degrees by a name of that angle is the knee at the bottom."""
    at = {"knee_flexion": ["bdc", "crank_180", "crank_112_5"]}
    own = shipped().model_copy(
        update={
            "measures": [
                m.model_copy(update={"events": at.get(m.name, m.events)})
                for m in shipped().measures
            ]
        }
    )
    rider = ridden().rider
    belief = learned([seen_by(rider, {"saddle_height": 5.0}, MINE, 0.05)], own)
    told = by_key(predict(rider, {"saddle_height": -10.0}, own, belief=belief))
    assert told[Key("knee_flexion", "R", "crank_180")] == pytest.approx(told[KNEE])
    assert Key("knee_flexion", "R", "crank_112_5") in told


def test_who_speaks() -> None:
    rider = ridden().rider
    up = [seen_by(rider, {"saddle_height": by}, MINE, 0.05) for by in (5.0, -5.0)]
    for count, said in ((0, "published"), (1, "this rider, from 1 adjustment"),
                        (2, "this rider, from 2 adjustments")):  # fmt: skip
        belief = learned(up[:count], shipped())
        assert predict(rider, {"saddle_height": 3}, shipped(), belief=belief).said_by == said
    # What saddles teach says nothing of the cleat's float.
    belief = learned(up, shipped())
    turned = predict(rider, {"cleat_rotation": 2.0}, shipped(), belief=belief)
    toe = next(row for row in turned.rows if row.measure == "toe_out")
    assert toe.source == "published"
    assert turned.said_by == "published"


def test_order_and_nothing_do_not_matter() -> None:
    rider = ridden().rider
    up = seen_by(rider, {"saddle_height": 5.0}, MINE, 0.2)
    back = seen_by(rider, {"saddle_setback": -5.0}, MINE, 0.2)
    idle = Observed(rider, {"saddle_height": 0.0}, up.seen)
    unseen = Observed(rider, {"saddle_height": 5.0}, ())
    untold = Observed(rider, {"saddle_tilt": 1.0}, up.seen)
    one = learned([up, back, idle, unseen, untold], shipped())
    other = learned([back, up], shipped())
    assert one.adjustments == other.adjustments == 2
    np.testing.assert_allclose(one.mean, other.mean, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(one.covariance, other.covariance, rtol=1e-7, atol=1e-12)
    nothing = learned([idle, unseen], shipped())
    np.testing.assert_allclose(nothing.mean, PUBLISHED.mean)
    np.testing.assert_allclose(nothing.covariance, PUBLISHED.covariance)


def test_one_number_updates_as_the_textbook_says() -> None:
    # Kalman's update (Kalman RE (1960) J Basic Eng 82:35-45), iterated, in its own form: with gain
    # and innovation instead of precisions; slopes by differences of whole predictions.
    rider, se, changes, by = ridden().rider, 0.015, {"saddle_height": 0.05}, -0.03
    key = Key("hip_height", "R", "mean")

    def hip(vector: FloatArray) -> float:
        belief = Belief(vector, 1e-12 * PUBLISHED.covariance)
        return by_key(predict(rider, changes, shipped(), belief=belief))[key][0]

    prior = PUBLISHED
    found = learned([Observed(rider, changes, (Seen(key, by, se),))], shipped())
    slopes = np.array(
        [(hip(found.mean + 1e-3 * e) - hip(found.mean - 1e-3 * e)) / 2e-3
         for e in np.eye(len(NAMES))]
    )  # fmt: skip
    # What the chain leaves out: a tenth of the change as it is believed now, 0.05 mm for each mm.
    noise = se**2 + (0.1 * hip(found.mean)) ** 2 + (0.05 * 0.05) ** 2
    gain = prior.covariance @ slopes / (slopes @ prior.covariance @ slopes + noise)
    innovation = by - hip(found.mean) + slopes @ (found.mean - prior.mean)
    assert abs(found.mean[0] - prior.mean[0]) > 0.2
    np.testing.assert_allclose(found.mean, prior.mean + gain * innovation, atol=2e-4)
    np.testing.assert_allclose(
        found.covariance, prior.covariance - np.outer(gain, slopes @ prior.covariance), atol=2e-5
    )


def test_two_trials_make_an_observation() -> None:
    before, after = ridden(seconds=30.0), ridden(saddle_mm=5.0, seed=4, seconds=30.0)
    told = observed(before.rider, {"saddle_height": 5.0}, before.means, after.means)
    by = {seen.key: seen for seen in told.seen}
    assert by[KNEE].by == pytest.approx(after.means[KNEE].mean - before.means[KNEE].mean)
    assert by[KNEE].se == pytest.approx(np.hypot(before.means[KNEE].se, after.means[KNEE].se))
    belief = learned([told], shipped())
    assert belief.adjustments == 1
    # The simulated pelvis sinks by 0.3 of a change.
    assert belief.response.hip == pytest.approx(0.7, abs=0.2)
    narrower = np.diag(belief.covariance) <= np.diag(PUBLISHED.covariance) * (1 + 1e-9)
    assert narrower.all()


def test_learning_goes_on_from_a_belief() -> None:
    rider = ridden().rider
    up = seen_by(rider, {"saddle_height": 4.0}, MINE, 0.3)
    down = seen_by(rider, {"saddle_height": -4.0}, MINE, 0.3)
    at_once = learned([up, down], shipped())
    one_by_one = learned([down], shipped(), belief=learned([up], shipped()))
    assert one_by_one.adjustments == at_once.adjustments == 2
    # Linearised at other points, hence not to the last digit.
    np.testing.assert_allclose(one_by_one.mean, at_once.mean, atol=0.02)


def test_an_earlier_rider_and_another_marker_set() -> None:
    whole = ridden().rider
    kept = [k for k, label in enumerate(whole.labels) if label.startswith("R_")]
    right = Rider(tuple(whole.labels[k] for k in kept), whole.pose[:, kept],
                  {"R": whole.cranks["R"]})  # fmt: skip
    belief = learned([seen_by(right, {"saddle_height": 5.0}, replace(MINE, uneven=0.0), 0.05)],
                     shipped())  # fmt: skip
    truth = by_key(predict(whole, {"saddle_height": 10.0}, shipped(), belief=sure_of(MINE)))
    told = by_key(predict(whole, {"saddle_height": 10.0}, shipped(), belief=belief))
    left = Key("knee_flexion", "L", "bdc")
    assert told[left][1] < truth[left][0] < told[left][2]
