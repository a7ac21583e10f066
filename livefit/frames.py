"""Marker frames: the one form in which motion enters the program."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Up = Literal["+x", "-x", "+y", "-y", "+z", "-z"]
Sampling = Literal["periodic", "stamped"]


@dataclass(frozen=True)
class Channel:
    """An extra signal that travels with the frames.

    Attributes
    ----------
    name
        ``crank_angle``, ``workload``, ``cadence`` or a name of the sender's own.
    unit
        ``deg``, ``W``, ``rpm``, ...
    """

    name: str
    unit: str


@dataclass(frozen=True)
class StreamInfo:
    """What holds for every frame of a stream.

    Attributes
    ----------
    labels
        Marker labels in the order of the position columns, as the sender names them.
    rate_hz
        Nominal frame rate.
    up
        The capture axis that points up.
    sampling
        ``periodic``: the device samples at a fixed period and its time stamps may jitter, so
        time is regressed on the frame number. ``stamped``: every time stamp is the true
        instant of its frame.
    channels
        Extra signals, in the order of their columns.
    """

    labels: tuple[str, ...]
    rate_hz: float
    up: Up
    sampling: Sampling = "periodic"
    channels: tuple[Channel, ...] = ()

    def __post_init__(self) -> None:
        if not self.labels:
            raise ValueError("a stream needs at least one marker label, got none")
        twice = sorted(name for name, times in Counter(self.labels).items() if times > 1)
        if twice:
            raise ValueError(f"marker labels must be unique, got {', '.join(twice)} twice")
        if not (np.isfinite(self.rate_hz) and self.rate_hz > 0):
            raise ValueError(f"the frame rate must be a positive number, got {self.rate_hz}")
        if self.up not in get_args(Up):
            raise ValueError(f"the up axis must be one of {get_args(Up)}, got {self.up!r}")


@dataclass(frozen=True)
class MarkerBlock:
    """A run of frames, checked once and then trusted.

    Attributes
    ----------
    numbers
        (n,) int64, strictly rising frame numbers; a missing number is a lost frame.
    t
        (n,) s, rising device time stamps.
    positions
        (n, m, 3) mm in capture axes; NaN = the marker was not seen.
    channels
        (n, k) extra signals in the stream's units; NaN = no value.
    """

    numbers: NDArray[np.int64]
    t: FloatArray
    positions: FloatArray
    channels: FloatArray = field(default_factory=lambda: np.empty((0, 0)))

    def __post_init__(self) -> None:
        n = len(self.t)
        if self.channels.size == 0 and len(self.channels) != n:
            object.__setattr__(self, "channels", np.empty((n, 0)))
        if self.positions.ndim != 3 or self.positions.shape[0] != n or self.positions.shape[2] != 3:
            raise ValueError(
                f"positions must be ({n}, markers, 3) to go with {n} time stamps, "
                f"got {self.positions.shape}"
            )
        if self.numbers.shape != (n,) or self.channels.ndim != 2 or len(self.channels) != n:
            raise ValueError(
                f"frame numbers and channels must have {n} rows, "
                f"got {self.numbers.shape} and {self.channels.shape}"
            )
        if n > 1 and not (self.numbers[1:] > self.numbers[:-1]).all():
            raise ValueError("frame numbers must rise from frame to frame")

    def __len__(self) -> int:
        return len(self.t)

    @classmethod
    def joined(cls, blocks: Sequence[MarkerBlock]) -> MarkerBlock:
        """One block of several (at least one) that follow each other."""
        if len(blocks) == 1:
            return blocks[0]
        return cls(
            np.concatenate([block.numbers for block in blocks]),
            np.concatenate([block.t for block in blocks]),
            np.concatenate([block.positions for block in blocks]),
            np.concatenate([block.channels for block in blocks]),
        )
