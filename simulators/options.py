"""Words on the command line -> a simulated rider and the sensor that watches it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, get_args

import numpy as np

from livefit.frames import Sampling, Up
from simulators.rider import RiderSimulation
from simulators.settings import STILL, Bicycle, Body, Sensor, Style

STYLES: Mapping[str, Style] = {
    "road": Style(),
    "even": Style(speed_variation=0.0, cadence_wander=0.0, variation=STILL),
    "asymmetric": Style(left_pitch_deg=6.0, left_swing_deg=2.5, roll_deg=2.5),
    "unsteady": Style(cadence_wander=0.03, variation=replace(STILL, pitch_deg=3.5, swing_deg=1.5,
                      elbow_deg=3.0, pelvis_mm=4.0, pelvis_deg=1.0)),
    "stiff": Style(pitch_amplitude_deg=4.0, pitch_mean_deg=18.0),
}  # fmt: skip
"""Ways of pedalling by name: an ordinary rider; every stroke alike; left unlike right; strokes
that differ much; an ankle that hardly moves."""


@dataclass(frozen=True)
class _Option:
    default: str
    meaning: str
    read: Callable[[str], Any]


def _number(low: float, high: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = np.nan
        if not low <= value <= high:
            raise ValueError(f"a number from {low:g} to {high:g}")
        return value

    return read


def _whole(text: str) -> int:
    if not text.isdecimal():
        raise ValueError("a whole number from 0 up")
    return int(text)


def _one_of(*words: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text not in words:
            raise ValueError(f"one of {', '.join(words)}")
        return text

    return read


def _or_own(read: Callable[[str], float]) -> Callable[[str], float | None]:
    return lambda text: read(text) if text else None


OPTIONS: Mapping[str, _Option] = {
    "style": _Option("road", "way of pedalling", _one_of(*STYLES)),
    "seed": _Option("1", "of all chance", _whole),
    "cadence": _Option("90", "rpm", _number(0, 200)),
    "stature": _Option("1780", "mm", _number(1200, 2300)),
    "saddle": _Option("", "saddle height, mm; empty: rider's own", _or_own(_number(300, 1200))),
    "setback": _Option("", "mm behind the seat tube; empty: own", _or_own(_number(-200, 200))),
    "crank": _Option("172.5", "crank length, mm", _number(80, 250)),
    "rate": _Option("200", "frames per second", _number(10, 2000)),
    "seconds": _Option("", "length of the ride; endless if empty", _or_own(_number(0, 1e6))),
    "side": _Option("both", "markers on both, left or right", _one_of("both", "left", "right")),
    "extra": _Option("", "further markers, joined by +: HF FM PED BIKE", str.upper),
    "noise": _Option("0.5", "marker noise, mm", _number(0, 100)),
    "skin": _Option("0", "skin sliding at the hip, mm", _number(0, 100)),
    "placement": _Option("0", "spread of where markers are put on, mm", _number(0, 100)),
    "placement_seed": _Option("0", "of where: each is another placement", _whole),
    "dropout": _Option("0", "share of a marker's frames not seen", _number(0, 0.95)),
    "blank": _Option("0", "share of frames with no marker seen", _number(0, 0.95)),
    "burst": _Option("5", "mean length of those gaps, frames", _number(1, 1000)),
    "lost": _Option("0", "share of frames that never arrive", _number(0, 0.95)),
    "jitter": _Option("0", "of the time stamps, ms", _number(0, 100)),
    "sampling": _Option("periodic", "what the stamps mean", _one_of(*get_args(Sampling))),
    "heading": _Option("0", "where the bicycle points, deg", _number(-360, 360)),
    "up": _Option("+z", "capture axis that points up", _one_of(*get_args(Up))),
    "crank_sensor": _Option("no", "send the crank angle too", _one_of("yes", "no")),
    "battery": _Option("", "minutes its battery lasts; empty: unsaid", _or_own(_number(0.1, 1e4))),
    "fault": _Option("", "what is broken on purpose: a name of configs/faults", str),
}  # fmt: skip


def read_options(options: Mapping[str, str]) -> tuple[RiderSimulation, Sensor, float | None]:
    """Rider, sensor and length of the ride in s (None = endless) from text options.

    Raises
    ------
    ValueError
        For an unknown option or a value out of range; the text says what is known.
    """
    unknown = sorted(set(options) - set(OPTIONS))
    if unknown:
        known = ", ".join(f"{name}={option.default}" for name, option in OPTIONS.items())
        raise ValueError(
            f"unknown option {', '.join(unknown)} of the simulated source; known, with their "
            f"defaults: {known}"
        )
    v = {name: _read(name, options.get(name, option.default)) for name, option in OPTIONS.items()}
    body = Body(stature_mm=v["stature"])
    bicycle = Bicycle.fitted(body, v["crank"])
    if v["saddle"] is not None:
        bicycle = replace(bicycle, saddle_height_mm=v["saddle"])
    if v["setback"] is not None:
        bicycle = replace(bicycle, setback_mm=v["setback"])
    style = replace(STYLES[v["style"]], cadence_rpm=v["cadence"])
    sensor = Sensor(
        rate_hz=v["rate"],
        noise_mm=v["noise"],
        soft_tissue_mm=v["skin"],
        placement_mm=v["placement"],
        placement_seed=v["placement_seed"],
        dropout=v["dropout"],
        burst_frames=int(v["burst"]),
        blank=v["blank"],
        lost=v["lost"],
        jitter_s=v["jitter"] / 1000,
        sampling=v["sampling"],
        heading_deg=v["heading"],
        up=v["up"],
        side=v["side"],
        extra=tuple(v["extra"].split("+")) if v["extra"] else (),
        crank_sensor=v["crank_sensor"] == "yes",
        battery_s=None if v["battery"] is None else 60 * v["battery"],
    )
    return RiderSimulation(body, bicycle, style, seed=v["seed"]), sensor, v["seconds"]


def _read(name: str, text: str) -> Any:
    option = OPTIONS[name]
    try:
        return option.read(text.strip())
    except ValueError as error:
        raise ValueError(
            f"option {name} of the simulated source ({option.meaning}): expected {error}, "
            f"got {text!r}"
        ) from None
