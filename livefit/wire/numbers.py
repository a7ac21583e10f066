"""Numbers and sides as messages hold them."""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np

from livefit.frames import FloatArray

SIDE: Final[dict[str, Literal["L", "R", "B"]]] = {"L": "L", "R": "R", "B": "B"}


def number(value: float) -> float | None:
    """A value that does not exist is nil in a message."""
    return None if math.isnan(value) else value


def buffer(values: FloatArray) -> bytes:
    """Little-endian float32, row after row; NaN stays."""
    return values.astype("<f4").tobytes()


def table(raw: bytes, shape: tuple[int, ...]) -> FloatArray:
    """Turn a buffer of little-endian float32 back into an array.

    Raises
    ------
    ValueError
        If the buffer's length does not fit the shape.
    """
    wanted = 4 * math.prod(shape)
    if len(raw) != wanted:
        what = " x ".join(map(str, shape))
        raise ValueError(f"expected {wanted} bytes ({what} float32), found {len(raw)}")
    return np.frombuffer(raw, "<f4").reshape(shape).astype(np.float64)
