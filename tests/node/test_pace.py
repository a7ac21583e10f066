"""When the next frame that matters is due."""

from __future__ import annotations

import math

import numpy as np

from livefit.node.pace import FORGET_S, STALLED_S, Pace

RATE_HZ = 250.0


def test_nothing_is_due_before_the_first_frame() -> None:
    assert Pace(RATE_HZ).due(5) == -math.inf


def test_late_looks_do_not_put_off_what_is_due() -> None:
    rng = np.random.default_rng(5)
    pace = Pace(RATE_HZ)
    number, off = 2**53, []
    for look in range(2000):
        number += int(rng.integers(1, 6))
        sent = 7.0 + (number - 2**53) / RATE_HZ
        # Every third look comes with its frame, the others up to 4 ms after it.
        pace.take(number, sent + (0.0 if look % 3 == 0 else float(rng.uniform(0.0, 0.004))))
        off.append(pace.due(number + 10) - (sent + 10 / RATE_HZ))
    assert max(off) <= 3 * FORGET_S
    assert min(off) >= -1e-6


def test_a_clock_that_drifts_is_followed() -> None:
    true_hz = RATE_HZ * (1 - 5e-4)
    pace = Pace(RATE_HZ)
    for number in range(0, 100_000, 4):
        pace.take(number, number / true_hz)
    assert abs(pace.due(number) - number / true_hz) < 1e-6


def test_frames_that_come_later_for_good_are_due_later() -> None:
    pace = Pace(RATE_HZ)
    pace.take(0, 1.0)
    pace.take(1, 1.0 + 1 / RATE_HZ + 2 * STALLED_S)
    assert math.isclose(pace.due(2), 1.0 + 2 / RATE_HZ + 2 * STALLED_S, abs_tol=1e-9)
