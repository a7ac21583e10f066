"""How long a battery lasts, against batteries whose end is known."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from livefit.node.device import WARN_S, BatteryLife


def reported(
    life: BatteryLife, share: Callable[[float], float], until: float, *, begin: float = 0.0
) -> None:
    """A report each second from `begin` up to `until`, s."""
    for now in np.arange(begin, until, 1.0):
        life.take(share(float(now)), float(now))


@pytest.mark.parametrize("minutes", [12.0, 8.0, 3.0])
@pytest.mark.parametrize("step", [1e-6, 0.01])
def test_the_time_left_of_a_battery_that_falls_evenly(minutes: float, step: float) -> None:
    """Empty after 40 minutes, reported in steps; now and then a report is wrong."""
    rng = np.random.default_rng(1)
    end = 2400.0

    def share(t: float) -> float:
        if rng.random() < 0.02:
            return float(rng.random())
        return float(np.floor((1 - t / end) / step) * step)

    life = BatteryLife()
    now = end - 60 * minutes
    reported(life, share, now)
    # A step of 1 % is 24 s of this battery.
    assert life.left_s(now) == pytest.approx(60 * minutes, abs=0.05 * 60 * minutes + 2400 * step)


def test_the_warning_says_the_minutes() -> None:
    life = BatteryLife()
    reported(life, lambda t: 0.5 - t / 2400, 1200.0 - 720.0)
    assert life.warning(480.0) == "the sensor's battery lasts about 12 more minutes"
    assert life.warning(1200.0 - 65.0) == "the sensor's battery lasts about 1 more minute"
    assert life.warning(1190.0) == "the sensor's battery lasts less than a minute"


def test_no_warning_long_before_or_without_a_fall() -> None:
    slow = BatteryLife()
    reported(slow, lambda t: 0.9 - t / 36_000, 1200.0)
    left = slow.left_s(1200.0)
    assert left == pytest.approx(0.9 * 36_000 - 1200.0, rel=0.02)
    assert left is not None
    assert left > WARN_S
    assert slow.warning(1200.0) is None
    full = BatteryLife()
    reported(full, lambda _: 0.62, 600.0)
    assert (full.left_s(600.0), full.warning(600.0)) == (None, None)


def test_one_step_down_says_nothing_of_the_rate() -> None:
    life = BatteryLife()
    reported(life, lambda t: 0.4 if t < 70 else 0.3, 140.0)
    assert life.left_s(140.0) is None


def test_a_low_battery_is_told_even_without_a_rate() -> None:
    life = BatteryLife()
    life.take(0.07, 0.0)
    assert life.warning(0.0) == "the sensor's battery is down to 7 %"
    assert BatteryLife().warning(0.0) is None


def test_another_battery_starts_anew_and_a_wrong_report_does_not() -> None:
    life = BatteryLife()
    reported(life, lambda t: 0.5 - t / 2400, 480.0)
    life.take(1.0, 480.0)
    assert life.left_s(481.0) == pytest.approx(719.0, rel=0.05)
    reported(life, lambda _: 0.95, 540.0, begin=481.0)
    assert (life.left_s(540.0), life.warning(540.0)) == (None, None)
