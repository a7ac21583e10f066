"""The simulated pointer as a source: a hand that calibrates it and touches a known bicycle."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from livefit.frames import FloatArray, MarkerBlock, StreamInfo
from simulators.pointing import LABELS, Hand, Pointing, hover, touch_points, turn_about_tip
from simulators.standing_bicycle import Design, Stand

ORDER = (
    "crank_axis_left", "pedal_left", "seat_tube_left", "rear_axle_left", "saddle_rear",
    "saddle_nose", "head_bottom_left", "head_top_left", "bar_top_left", "hood_left",
    "front_axle_left", "hood_right", "pedal_right", "rear_axle_right",
)  # fmt: skip
"""Points in the order in which they are asked for as shipped."""
MARKERS: Mapping[str, FloatArray] = {
    "BIKE_HEAD": np.array([385.0, 565.0, 0.0]),
    "BIKE_FRONT": np.array([590.0, 70.0, 60.0]),
    "BIKE_REAR": np.array([-405.0, 70.0, 70.0]),
}
"""Stuck on the bicycle, (3,) mm in its own axes."""
PLACEMENT_MM = 0.25
SLIP_MM = 6.0
_HOVER_S = 1.0
_MOST_FRAMES = 500
"""Handed out at once."""


@dataclass(frozen=True)
class Task:
    """What the hand does, and on what.

    Attributes
    ----------
    design, stand
        The bicycle, and how it stands.
    hand
        How the pointer is held and seen.
    seed
        Of all that is left to chance.
    calibrate_s
        How long the pointer is turned about its tip first.
    order
        Points to touch of its own accord, in turn.
    slips
        Points at which the tip slips, the first time.
    """

    design: Design
    stand: Stand
    hand: Hand
    seed: int = 1
    calibrate_s: float = 0.0
    order: tuple[str, ...] = ()
    slips: tuple[str, ...] = ()


class PointerSource:
    """Frames of a pointer in a hand when they are due.

    Parameters
    ----------
    task
        What the hand does before it is asked for anything.
    clock, sleep
        Monotonic time, s, and a way to wait for it.
    """

    name = "simulated pointer"

    def __init__(
        self,
        task: Task,
        *,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.task = task
        self.places = task.stand.place(task.design)
        self._info = StreamInfo((*LABELS, *MARKERS), task.hand.rate_hz, "+z")
        self._clock, self._sleep = clock, sleep
        self._began: float | None = None
        self._next = 0
        self._script = np.empty((0, len(LABELS), 3))
        self._random = np.random.default_rng([task.seed, 6])
        self._seed = task.seed
        self._slips = set(task.slips)
        self._over = self.places["crank_axis_right"]
        matrix = task.stand.rotation()
        self._markers = np.stack([matrix @ p + task.stand.place_mm for p in MARKERS.values()])
        if task.calibrate_s:
            self._turn(task.calibrate_s)
        if task.order:
            self._touch(task.order)

    def describe(self) -> StreamInfo:
        """What holds for every frame."""
        return self._info

    def read(self, timeout_s: float) -> MarkerBlock | None:
        """Frames that have become due, or None if there is none within the timeout."""
        rate = self.task.hand.rate_hz
        if self._began is None:
            self._began = self._clock()
        due = int((self._clock() - self._began) * rate) + 1
        if due <= self._next:
            self._sleep(min(timeout_s, max(self._began + self._next / rate - self._clock(), 0.0)))
            due = int((self._clock() - self._began) * rate + 1e-6) + 1
        count = min(due - self._next, _MOST_FRAMES)
        if count <= 0:
            return None
        while len(self._script) < count:
            self._seed += 1
            self._add(hover(self._seed, self._over, hand=self.task.hand, seconds=_HOVER_S))
        pointer, self._script = self._script[:count], self._script[count:]
        bike = np.broadcast_to(self._markers, (count, *self._markers.shape))
        bike = bike + self.task.hand.noise_mm * self._random.standard_normal(bike.shape)
        numbers = np.arange(self._next, self._next + count)
        self._next += count
        return MarkerBlock(numbers, numbers / rate, np.concatenate([pointer, bike], axis=1))

    def control(self, op: str, args: dict[str, object]) -> dict[str, object]:
        """Tell the hand what to do next, in place of what it was about to do.

        ================  ==================================================
        ``source.touch``  ``points``: names, in the order to touch them
        ``source.turn``   ``seconds``: turn the pointer about its tip so long
        ``source.truth``  the bicycle's true dimensions
        ================  ==================================================

        Raises
        ------
        ValueError
            For an unknown operation or argument.
        """
        if op == "source.truth":
            return dict(self.task.design.dimensions())
        self._script = self._script[:0]
        if op == "source.touch":
            points = args.get("points")
            if not isinstance(points, list) or not set(points) <= set(self.places):
                raise ValueError(f"points must be among {', '.join(self.places)}, got {points!r}")
            if points:
                self._touch(points)
            return {}
        if op == "source.turn":
            seconds = args.get("seconds", 20.0)
            if not isinstance(seconds, int | float) or not 0 < seconds <= 120:
                raise ValueError(f"seconds must be a number up to 120, got {seconds!r}")
            self._turn(float(seconds))
            return {}
        raise ValueError(
            f"unknown operation {op!r}; known are source.touch, source.turn, source.truth"
        )

    def close(self) -> None:
        """Nothing to give back."""

    def _turn(self, seconds: float) -> None:
        self._seed += 1
        self._add(turn_about_tip(self._seed, hand=self.task.hand, seconds=seconds))

    def _touch(self, points: Sequence[str]) -> None:
        self._seed += 1
        slips = {name: SLIP_MM for name in points if name in self._slips}
        self._slips -= set(slips)
        self._over = self.places[points[-1]]
        self._add(
            touch_points(
                self._seed, self.places, points, hand=self.task.hand, slips_mm=slips,
                placement_mm=dict.fromkeys(self.places, PLACEMENT_MM),
            )
        )  # fmt: skip

    def _add(self, pointing: Pointing) -> None:
        self._script = np.concatenate([self._script, pointing.seen])


OPTIONS: Mapping[str, tuple[str, str]] = {
    "seed": ("1", "of all chance"),
    "rate": ("100", "frames per second"),
    "noise": ("0.4", "marker noise, mm"),
    "lost": ("0.02", "share of a marker's frames not seen"),
    "tremor": ("0.15", "of the tip on its point, mm"),
    "travel": ("0.7", "from point to point, s"),
    "hold": ("1.6", "on each point, s"),
    "lean": ("4", "of the bicycle to the rider's right, deg"),
    "nose_up": ("0", "front axle higher than the rear one, deg"),
    "heading": ("25", "where the bicycle points, deg"),
    "place": ("0", "how far forward of the first place it stands, mm"),
    "saddle": ("720", "saddle height, mm"),
    "calibrate": ("0", "turn the pointer about its tip first for so long, s"),
}
"""Numbers: default and meaning. Besides: order = asked, wrong or none; slip = a point's name."""


def open_pointer(options: dict[str, str]) -> PointerSource:
    """Open the source ``simulated-pointer``.

    Raises
    ------
    ValueError
        For an unknown option or a value that is none; the text says what is known.
    """
    known = ", ".join([*(f"{n}={d}" for n, (d, _) in OPTIONS.items()), "order=asked", "slip="])
    unknown = sorted(set(options) - {*OPTIONS, "order", "slip"})
    if unknown:
        raise ValueError(
            f"unknown option {', '.join(unknown)} of the simulated pointer; known, with their "
            f"defaults: {known}"
        )
    v = {name: _number(name, options.get(name, default)) for name, (default, _) in OPTIONS.items()}
    heading = np.radians(v["heading"])
    design = replace(Design(), saddle_height_mm=v["saddle"])
    place = v["place"] * np.array([np.cos(heading), np.sin(heading)])
    stand = Stand(v["lean"], v["nose_up"], v["heading"], (float(place[0]), float(place[1]), 300.0))
    there = stand.place(design)
    orders = {"asked": ORDER, "none": (),
              "wrong": (ORDER[0], ORDER[3], ORDER[2], ORDER[1], *ORDER[4:])}  # fmt: skip
    order = options.get("order", "asked")
    slip = [name for name in options.get("slip", "").split("+") if name]
    if order not in orders:
        raise ValueError(f"option order: expected asked, wrong or none, got {order!r}")
    if not set(slip) <= set(there):
        raise ValueError(f"option slip: expected points of {', '.join(there)}, got {slip}")
    hand = Hand(
        rate_hz=v["rate"], noise_mm=v["noise"], lost=v["lost"], tremor_mm=v["tremor"],
        travel_s=v["travel"], hold_s=v["hold"],
    )  # fmt: skip
    return PointerSource(
        Task(design, stand, hand, int(v["seed"]), v["calibrate"], orders[order], tuple(slip))
    )


def _number(name: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = np.nan
    least = 1e-3 if name in ("rate", "travel", "hold", "saddle") else -1e4
    if not least <= value <= 1e4:
        raise ValueError(
            f"option {name} of the simulated pointer ({OPTIONS[name][1]}): expected a number, "
            f"got {text!r}"
        )
    return value
