"""The simulated rider as a source of frames, as fast as it pedals, with a hand on the saddle."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from livefit.frames import MarkerBlock, StreamInfo
from simulators.faults import read_fault
from simulators.faulty import FaultySource
from simulators.options import read_options
from simulators.rider import RiderSimulation
from simulators.schedule import Change, Quantity
from simulators.sensor import observe, stream_info
from simulators.settings import Sensor
from simulators.truth import MEASURES, instants, spindle_in_foot, values_at

_AHEAD_S = 0.25
"""Frames are made this far ahead at once, which costs a tenth of making them one by one."""
_SADDLE_TAKES_S = 1.5
_CADENCE_TAKES_S = 2.0
_QUARTERS_DEG = (0.0, 90.0, 180.0, 270.0)
_LOOK_BACK_S = 10.0


class SimulatedSource:
    """Frames of a simulated ride when they are due.

    Parameters
    ----------
    simulation, sensor
        What rides and what watches.
    seconds
        Length of the ride; None = endless.
    clock, sleep
        Monotonic time, s, and a way to wait for it.
    """

    name = "simulated"
    begins_when_read = True

    def __init__(
        self,
        simulation: RiderSimulation,
        sensor: Sensor,
        *,
        seconds: float | None = None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.simulation = simulation
        self._sensor = sensor
        self._info = stream_info(sensor)
        self._end = None if seconds is None else int(seconds * sensor.rate_hz)
        self._clock, self._sleep = clock, sleep
        self._began: float | None = None
        self._next = 0
        self._ahead = observe(simulation, sensor, first=0, count=0)
        self._ahead_to = 0
        self._rpm = simulation.style.cadence_rpm
        self._riding = "pedal" if self._rpm else "stop"
        self._operations: Mapping[str, Callable[[dict[str, object]], dict[str, object]]] = {
            "source.saddle": self._move_saddle,
            "source.cadence": self._set_cadence,
            "source.ride": self._ride,
            "source.turn": self._turn,
            "source.state": self._state,
            "source.truth": self._truth,
        }

    def describe(self) -> StreamInfo:
        """What holds for every frame."""
        return self._info

    def read(self, timeout_s: float) -> MarkerBlock | None:
        """Frames that have become due, or None if there is none within the timeout.

        The ride begins with the first call. A reader that comes late gets every frame it missed,
        a quarter of a second at a time.

        Raises
        ------
        EOFError
            After the last frame of the ride.
        """
        if self._began is None:
            self._began = self._clock()
        deadline = self._clock() + timeout_s
        while True:
            if self._end is not None and self._next >= self._end:
                raise EOFError(f"the simulated ride ended after {self._end} frames")
            block = self._due()
            if block is not None:
                return block
            now = self._clock()
            if now >= deadline:
                return None
            due = self._began + self._next / self._sensor.rate_hz
            self._sleep(max(min(due, deadline) - now, 0.0))

    def control(self, op: str, args: dict[str, object]) -> dict[str, object]:
        """Change the ride from now on, or ask about it.

        ==================  =====================================================================
        ``source.saddle``   ``height_mm``, ``setback_mm``: by how much to move it;
                            ``to_height_mm``, ``to_setback_mm``: where to
        ``source.cadence``  ``rpm``
        ``source.ride``     ``state``: pedal, stop or back
        ``source.turn``     ``by_deg``, ``over_s`` (3): turn the bicycle on the spot
        ``source.state``    the present settings
        ``source.truth``    true values in the last complete stroke of each side
        ==================  =====================================================================

        Raises
        ------
        ValueError
            For an unknown operation or argument, or a saddle out of the rider's reach.
        """
        if op not in self._operations:
            raise ValueError(f"unknown operation {op!r}; known are {', '.join(self._operations)}")
        return self._operations[op](args)

    def device_state(self) -> dict[str, Any]:
        """How the sensor is: its battery falls evenly and is told in hundredths."""
        life = self._sensor.battery_s
        if life is None:
            return {}
        return {"battery": math.ceil(100 * max(1 - self._now / life, 0.0)) / 100}

    def close(self) -> None:
        """Nothing to give back."""

    def _due(self) -> MarkerBlock | None:
        """Frames due now and not yet given; None also where the only one due was lost."""
        elapsed = self._clock() - (self._began or 0.0)
        due = int(np.floor(elapsed * self._sensor.rate_hz + 1e-6)) + 1
        if self._end is not None:
            due = min(due, self._end)
        if due <= self._next:
            return None
        if self._next >= self._ahead_to:
            count = max(int(_AHEAD_S * self._sensor.rate_hz), 1)
            self._ahead = observe(self.simulation, self._sensor, first=self._next, count=count)
            self._ahead_to = self._next + count
        upto = min(due, self._ahead_to)
        begin, stop = np.searchsorted(self._ahead.numbers, [self._next, upto])
        self._next = upto
        if begin == stop:
            return None
        block = self._ahead
        return MarkerBlock(
            block.numbers[begin:stop],
            block.t[begin:stop],
            block.positions[begin:stop],
            block.channels[begin:stop],
        )

    @property
    def _now(self) -> float:
        """Time of the ride at the next frame, s."""
        return self._next / self._sensor.rate_hz

    def _change(self, quantity: Quantity, to: float, over_s: float) -> None:
        change = Change(self._now, to, over_s)
        self.simulation = self.simulation.changed(quantity, change)
        self._ahead_to = self._next

    def _move_saddle(self, args: dict[str, object]) -> dict[str, object]:
        _check_names(args, "height_mm", "setback_mm", "to_height_mm", "to_setback_mm")
        height, setback = (schedule.last for schedule in self.simulation.saddle)
        new_height = _number(args, "to_height_mm", height) + _number(args, "height_mm", 0.0)
        new_setback = _number(args, "to_setback_mm", setback) + _number(args, "setback_mm", 0.0)
        if new_height != height:
            self._change("saddle_height_mm", new_height, _SADDLE_TAKES_S)
        if new_setback != setback:
            self._change("setback_mm", new_setback, _SADDLE_TAKES_S)
        return self._state({})

    def _set_cadence(self, args: dict[str, object]) -> dict[str, object]:
        _check_names(args, "rpm")
        rpm = _number(args, "rpm")
        if not 0 < rpm <= 200:
            raise ValueError(f"rpm must be above 0 and up to 200, got {rpm:g}")
        self._rpm = rpm
        return self._ride({"state": self._riding})

    def _ride(self, args: dict[str, object]) -> dict[str, object]:
        _check_names(args, "state")
        rates = {"pedal": self._rpm or 90.0, "stop": 0.0, "back": -60.0}
        state = args.get("state")
        if not isinstance(state, str) or state not in rates:
            raise ValueError(f"state must be one of {', '.join(rates)}, got {state!r}")
        self._riding = state
        self._change("cadence_rpm", rates[state], _CADENCE_TAKES_S)
        return self._state({})

    def _turn(self, args: dict[str, object]) -> dict[str, object]:
        _check_names(args, "by_deg", "over_s")
        to = self.simulation.heading.last + _number(args, "by_deg")
        self._change("heading_deg", to, _number(args, "over_s", 3.0))
        return self._state({})

    def _state(self, args: dict[str, object]) -> dict[str, object]:
        _check_names(args)
        simulation = self.simulation
        height, setback = (schedule.last for schedule in simulation.saddle)
        return {
            "t_s": self._now,
            "riding": self._riding,
            "cadence_rpm": simulation.pedalling.cadence_rpm.last,
            "saddle_height_mm": height,
            "setback_mm": setback,
            "heading_deg": self._sensor.heading_deg + simulation.heading.last,
            "crank_mm": simulation.bicycle.crank_mm,
            "spindle_mm": list(spindle_in_foot(simulation)),
            "stature_mm": simulation.body.stature_mm,
            "seed": simulation.seed,
        }

    def _truth(self, args: dict[str, object]) -> dict[str, object]:
        _check_names(args)
        sides = {side: _last_stroke(self.simulation, side, self._now) for side in ("L", "R")}
        return {side: stroke for side, stroke in sides.items() if stroke is not None}


def _last_stroke(simulation: RiderSimulation, side: str, now: float) -> dict[str, object] | None:
    """True values at the quarters of the last stroke from top to top before `now`."""
    tops = instants(simulation, side, 0.0, max(now - _LOOK_BACK_S, 0.0), now)
    if len(tops) < 2:
        return None
    begin, end = tops[-2], tops[-1]
    later = [instants(simulation, side, crank, begin, end)[0] for crank in _QUARTERS_DEG[1:]]
    values = values_at(simulation, MEASURES, side, np.array([begin, *later]))
    return {
        "begin_s": float(begin),
        "end_s": float(end),
        "cadence_rpm": float(60 / (end - begin)),
        "crank_deg": list(_QUARTERS_DEG),
        "measures": {name: [float(x) for x in each] for name, each in values.items()},
    }


def _check_names(args: dict[str, object], *known: str) -> None:
    unknown = sorted(set(args) - set(known))
    if unknown:
        expected = ", ".join(known) or "none"
        raise ValueError(f"unknown argument {', '.join(unknown)}; known: {expected}")


def _number(args: dict[str, object], name: str, default: float | None = None) -> float:
    value = args.get(name, default)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not np.isfinite(value):
        raise ValueError(f"{name} must be a number, got {value!r}")
    return float(value)


def open_simulated(options: dict[str, str]) -> SimulatedSource | FaultySource:
    """Open the simulated source, with a fault if the option of that name says so.

    Options given here go before those of the fault.

    Raises
    ------
    ValueError
        For an unknown option, which lists the known ones, or a fault that cannot be had.
    """
    fault = read_fault(options["fault"]) if options.get("fault") else None
    simulation, sensor, seconds = read_options({**(fault.source if fault else {}), **options})
    source = SimulatedSource(simulation, sensor, seconds=seconds)
    return FaultySource(source, sensor, fault) if fault else source
