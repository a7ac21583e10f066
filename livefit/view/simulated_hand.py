"""Lets the simulated pointer touch what is asked for, so that touching can be tried without one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from livefit.view.touching import TouchModel
from livefit.view.turning import Turning

_LONGER_S = 30.0
"""More than is needed: the hand does not know when the tip was found."""


class SimulatedHand:
    """Sends the simulated pointer where the list stands.

    Parameters
    ----------
    ask
        Passes an operation and its arguments to the source at an address.
    """

    def __init__(self, ask: Callable[[str, str, dict[str, Any]], object]) -> None:
        self._ask = ask
        self._turning: Turning | None = None
        self._told = 0
        self._at: int | None = None

    def follow(self, model: TouchModel) -> None:
        """Ask for the next touches if the hand is not about to do them anyway."""
        control = model.stream.control
        if control is None:
            return
        if model.turning is not None:
            if model.turning is not self._turning:
                self._turning, self._at, self._told = model.turning, None, model.told
                seconds = model.turning.left_s + _LONGER_S
                self._ask(control, "source.turn", {"seconds": seconds})
            return
        if self._at is not None:
            self._at += model.told - self._told
        self._told = model.told
        if self._at != model.guide.index:
            self._at = model.guide.index
            names = [point.name for point in model.guide.points[self._at :]]
            self._ask(control, "source.touch", {"points": names})
