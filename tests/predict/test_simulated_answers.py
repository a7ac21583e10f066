"""Simulated riders who share no model of the ankle with the prediction, each answering otherwise.

The whole population is the benchmark's: ``python -m tests.benchmarks predict``.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from tests.benchmarks.predict import Rows, session
from tests.predict.predict_examples import shipped

RIDERS = 4
NAMES = ("saddle +10", "saddle -10")


def test_intervals_hold_and_learning_helps() -> None:
    found: dict[tuple[str, str], Rows] = defaultdict(list)
    for k in range(RIDERS):
        session(np.random.default_rng([7, k]), shipped(), 90.0, found, NAMES)
    for name in NAMES:
        rows = found[name, "published"]
        # 95 % of the numbers; those of one rider go together, hence the room.
        held = np.mean([low <= truth <= high for _, truth, _, low, high, _ in rows])
        assert held > 0.85, (name, held)
    errors = {who: _size_of_errors(found, who) for who in ("published", "learned")}
    assert errors["learned"] < 0.75 * errors["published"]


def _size_of_errors(found: dict[tuple[str, str], Rows], who: str) -> float:
    """RMS of the errors, each over half the interval that published riders give."""
    errors = [
        (by - truth) / (high - low)
        for name in NAMES
        for (_, truth, by, *_), (*_, low, high, _) in zip(
            found[name, who], found[name, "published"], strict=True
        )
    ]
    return 2 * float(np.sqrt(np.mean(np.square(errors))))
