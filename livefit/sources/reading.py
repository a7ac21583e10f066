"""What the readers of recorded files share: the result, units, the up axis, missing markers."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from livefit.frames import Channel, FloatArray, MarkerBlock, Sampling, StreamInfo, Up

MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
"""Millimetres in each unit of length that a file may use."""

UP: dict[str, Up] = {axis: axis for axis in get_args(Up)}

FARTHEST_MM = 1e6
"""Farther from the origin, a coordinate of four bytes does not resolve 0.1 mm: no place at all."""

LARGEST_IN_METRES = 20.0
"""A capture volume is smaller than 20 m, and no rider fits into 20 mm."""

SMALLEST_SPAN_MM = 300.0
"""Pedalling takes a foot's markers over more than 300 mm, and no rider is 300 cm tall."""

SLOWEST_HZ = 5.0
"""Two and a half frames for a stroke at 120 rpm."""

UNEVEN = 0.25
"""Periods that a time stamp may lie off an even grid and still count as on it."""

FEET = "heel|hee|cal|cal[1-3]|calc|ca|toe|mt[125]|vm|fm|mal|lmal|ank|lm|mm|mtp[15]?|foot"
TRUNK = "asis?|psis?|pelvis|sacr|s[12]|gt|gtr|gtro|troch|hip|ic|acr|ac|sho|c7|t10|t12|clav|jn|head"
SIDE = r"(?:left|right|l|r)?[ _.-]?"
LOW = re.compile(SIDE + f"(?:{FEET})", re.IGNORECASE)
HIGH = re.compile(SIDE + f"(?:{TRUNK})", re.IGNORECASE)
CLEARLY = 1.5
"""How many times farther the pelvis is above the feet than beside them, for a rider."""


class RecordingError(ValueError):
    """A recorded file that cannot be read, or not as what it claims to be."""


@dataclass(frozen=True)
class Recording:
    """A recorded trial.

    Attributes
    ----------
    path
        Where it was read from.
    info
        What holds for every frame.
    block
        All frames.
    notes
        What was guessed, corrected or left out, in plain words.
    zeros
        By label: positions of exactly (0, 0, 0), which were taken as missing.
    marker_set
        The marker set that the sender named.
    """

    path: Path
    info: StreamInfo
    block: MarkerBlock
    notes: tuple[str, ...] = ()
    zeros: Mapping[str, int] = field(default_factory=dict)
    marker_set: str | None = None


def make_recording(
    path: Path,
    labels: list[str],
    numbers: NDArray[np.int64],
    t: FloatArray,
    positions: FloatArray,
    *,
    rate_hz: float,
    sampling: Sampling,
    units: str | None,
    up: str | None,
    declared_up: Up | None = None,
    channels: tuple[Channel, ...] = (),
    values: FloatArray | None = None,
    notes: list[str],
) -> Recording:
    """Bring what a reader found into millimetres, with NaN for what is missing.

    Parameters
    ----------
    path, labels, numbers, t, positions, rate_hz, sampling, channels, values, notes
        What the file holds; positions (n, m, 3) in ``units``, which may be changed in place.
    units
        The unit of the positions; None: guessed from their size.
    up
        What the user says of the axis that points up; None: see :func:`up_axis`.
    declared_up
        What the file says of it.

    Raises
    ------
    RecordingError
        If a label comes twice, a unit or axis is none, or the frames are too far apart.
    """
    twice = sorted({label for label in labels if labels.count(label) > 1})
    if twice:
        raise RecordingError(
            f"{path}: marker labels must be unique, but {', '.join(twice)} comes more than once; "
            "rename one in the recording software or in the file's header"
        )
    if not labels or not len(t):
        raise RecordingError(
            f"{path}: holds {len(labels)} markers and {len(t)} frames; "
            "expected at least one of each. Export the trial again, with its trajectories"
        )
    if rate_hz < SLOWEST_HZ:
        raise RecordingError(
            f"{path}: expected times in seconds and at least {SLOWEST_HZ:g} frames a second, found "
            f"{rate_hz:.3g} a second, {1.0 / rate_hz:g} from frame to frame; are the times in "
            "milliseconds? Export them in seconds"
        )
    zero = (positions == 0).all(axis=2)
    seen: NDArray[np.bool_] = np.isfinite(positions).all(axis=2) & ~zero
    positions[~seen] = np.nan
    notes.extend(_notes_on_missing(labels, seen, zero))
    positions *= MM[_unit(path, units, positions, notes)]
    info = StreamInfo(
        labels=tuple(labels),
        rate_hz=rate_hz,
        up=up_axis(path, labels, positions, up, declared_up, notes),
        sampling=sampling,
        channels=channels,
    )
    values = np.empty((len(t), 0)) if values is None else values
    block = MarkerBlock(numbers=numbers, t=t, positions=positions, channels=values)
    zeros = {label: int(zero[:, i].sum()) for i, label in enumerate(labels) if zero[:, i].any()}
    return Recording(path=path, info=info, block=block, notes=tuple(notes), zeros=zeros)


def _notes_on_missing(
    labels: list[str], seen: NDArray[np.bool_], zero: NDArray[np.bool_]
) -> list[str]:
    notes = []
    if zero.any():
        which = ", ".join(
            f"{labels[i]} {zero[:, i].sum()}" for i in np.flatnonzero(zero.any(axis=0))
        )
        notes.append(f"positions of exactly (0, 0, 0) were taken as missing, frames: {which}")
    never = [label for i, label in enumerate(labels) if not seen[:, i].any()]
    if never:
        notes.append(f"never seen: {', '.join(never)}")
    return notes


def _unit(path: Path, units: str | None, positions: FloatArray, notes: list[str]) -> str:
    if units is not None:
        if units not in MM:
            raise RecordingError(
                f"{path}: the unit of length must be one of {', '.join(MM)}, found {units!r}; "
                "give the right one with the option units"
            )
        return units
    largest, span = float(np.nanmax(np.abs(positions), initial=0.0)), _span(positions)
    guess, since = "mm", f"largest coordinate is {largest:.4g}"
    if largest < LARGEST_IN_METRES:
        guess = "m"
    elif 0.0 < span < SMALLEST_SPAN_MM:
        guess, since = "cm", f"markers spread over {span:.4g}"
    notes.append(
        f"the file does not say its unit of length: {guess} was guessed, since the {since}; "
        "correct it with the option units"
    )
    return guess


def _span(positions: FloatArray) -> float:
    """Return over how much the markers spread along the longest axis, but for a few strays."""
    some = positions[:: len(positions) // 1000 + 1].reshape(-1, 3)
    some = some[np.isfinite(some[:, 0])]
    return float(np.ptp(np.percentile(some, [1, 99], axis=0), axis=0).max()) if len(some) else 0.0


def up_axis(
    path: Path,
    labels: list[str],
    positions: FloatArray,
    up: str | None,
    declared: Up | None,
    notes: list[str],
) -> Up:
    """Find the axis that points up, and note how.

    In this order: what the user says, where the pelvis and trunk are seen from the feet, what the
    file says, the axis along which the markers are spread the most. The rider comes before the
    file, because files that declare a screen axis are often wrong about it.
    """
    if up is not None:
        if up not in UP:
            raise RecordingError(
                f"{path}: the up axis must be one of {', '.join(UP)}, found {up!r}"
            )
        return UP[up]
    middles = np.array([_middle(positions[:, i]) for i in range(len(labels))])
    names = [label.rpartition(":")[2] for label in labels]
    low = middles[[bool(LOW.fullmatch(name)) for name in names]]
    high = middles[[bool(HIGH.fullmatch(name)) for name in names]]
    low, high = low[np.isfinite(low[:, 0])], high[np.isfinite(high[:, 0])]
    if len(low) and len(high):
        rise = high.mean(axis=0) - low.mean(axis=0)
        first, second = np.sort(np.abs(rise))[[-1, -2]]
        if first > CLEARLY * second:
            seen = _axis(rise)
            if declared not in (None, seen):
                notes.append(
                    f"the file says that {declared} points up, but from the feet to the trunk it "
                    f"is {seen}, which was believed; correct it with the option up"
                )
            elif declared is None:
                notes.append(f"up is {seen}: that way it goes from the feet to the trunk")
            return seen
    if declared is not None:
        return declared
    middles = middles[np.isfinite(middles[:, 0])]
    spread = np.ptp(middles, axis=0) if len(middles) else np.array([0.0, 0.0, 1.0])
    tallest = np.where(np.arange(3) == np.argmax(spread), 1.0, 0.0)
    guess = _axis(tallest)
    notes.append(
        f"nothing in the file says which axis points up: {guess} was guessed, since the markers "
        "are spread the most along it; correct it with the option up"
    )
    return guess


def _middle(track: FloatArray) -> FloatArray:
    """Return a marker's median place, NaN if it was never seen."""
    seen = track[np.isfinite(track[:, 0])]
    return np.median(seen, axis=0) if len(seen) else np.full(3, np.nan)


def _axis(arrow: FloatArray) -> Up:
    largest = int(np.argmax(np.abs(arrow)))
    return UP[("+" if arrow[largest] > 0 else "-") + "xyz"[largest]]


def timing(numbers: NDArray[np.int64], t: FloatArray) -> tuple[float, Sampling]:
    """Return the frame rate that the time stamps show, in Hz, and what they are.

    ``periodic`` if time is a straight line over the frame numbers within a quarter of a period,
    else ``stamped``.

    Parameters
    ----------
    numbers, t
        (n,), both rising; n >= 2.
    """
    period = float(np.median(np.diff(t) / np.diff(numbers)))
    slope = float((t[-1] - t[0]) / (numbers[-1] - numbers[0]))
    off = t - t[0] - slope * (numbers - numbers[0])
    if np.abs(off).max() <= UNEVEN * slope:
        return 1.0 / slope, "periodic"
    return 1.0 / period, "stamped"
