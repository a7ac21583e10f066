"""What the device says of itself, and how long its battery lasts."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from livefit.wire.messages import DeviceState

KEEP_EVERY_S = 5.0
KEPT = 360
"""Half an hour."""
LEAST_SPAN_S = 60.0
LEAST_FALL = 0.02
LEAST_STEPS = 2.0
"""A battery known in coarse steps must have fallen so many of them."""
CHARGED = 0.03
"""A rise by more is another battery, or the charger."""
NEWEST = 5
"""What was kept last: its median is the present share."""
WARN_S = 15 * 60.0
LOW = 0.1
"""A share so low is worth a warning even if the rate is not known."""


class BatteryLife:
    """How long a battery lasts, from the share left that is reported now and then.

    The rate is the median of the slopes over half of what is kept, the level the median about
    it: single wrong reports, and reports in steps, move neither (Theil H (1950) Indag Math
    12:85-91, with the pairs of Cox DR, Stuart A (1955) Biometrika 42:80-95).
    """

    def __init__(self) -> None:
        self._kept: deque[tuple[float, float]] = deque(maxlen=KEPT)

    def take(self, share: float, now: float) -> None:
        """Take a report: share left (0 to 1) at a time (s)."""
        if self._kept and now - self._kept[-1][0] < KEEP_EVERY_S:
            return
        self._kept.append((now, share))
        shares = [kept for _, kept in self._kept]
        if np.median(shares[-NEWEST:]) > np.percentile(shares, 10) + CHARGED:
            self._kept = deque(list(self._kept)[-NEWEST:], maxlen=KEPT)

    def share(self) -> float | None:
        """Share left; None before the first report."""
        shares = [kept for _, kept in self._kept]
        return float(np.median(shares[-NEWEST:])) if shares else None

    def left_s(self, now: float) -> float | None:
        """How much longer (s) it lasts at the present rate; None: cannot be said."""
        if len(self._kept) < 4:
            return None
        t, share = np.array(self._kept).T
        half = len(t) // 2
        steps = np.abs(np.diff(share))
        step = float(np.median(steps[steps > 0])) if steps.any() else 0.0
        rate = -float(np.median((share[half:] - share[:-half]) / (t[half:] - t[:-half])))
        span = float(t[-1] - t[0])
        if span < LEAST_SPAN_S or rate * span < max(LEAST_FALL, LEAST_STEPS * step):
            return None
        return max(float(np.median(share + rate * t)) / rate - now, 0.0)

    def warning(self, now: float) -> str | None:
        """In words, if it will not last much longer."""
        left, share = self.left_s(now), self.share()
        if left is not None and left <= WARN_S:
            minutes = math.floor(left / 60.0 + 0.5)
            if minutes < 1:
                return "the sensor's battery lasts less than a minute"
            more = "1 more minute" if minutes == 1 else f"{minutes} more minutes"
            return f"the sensor's battery lasts about {more}"
        if share is not None and share <= LOW:
            return f"the sensor's battery is down to {100 * share:.0f} %"
        return None


class DeviceWatch:
    """Keeps the newest that a device said of itself.

    Attributes
    ----------
    newest
        None before the first.
    """

    def __init__(self) -> None:
        self.newest: DeviceState | None = None
        self._battery = BatteryLife()

    def take(self, state: DeviceState, now: float) -> None:
        """Take a message; now: CLOCK_MONOTONIC, s."""
        self.newest = state
        if state.battery is not None:
            self._battery.take(state.battery, now)

    def warnings(self, now: float) -> list[str]:
        """What the fitter should know now (s), in words."""
        warning = self._battery.warning(now)
        return [] if warning is None else [warning]
