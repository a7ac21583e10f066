"""What the fields of a line of JSON must hold, and what is said of one that does not."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from livefit.frames import Channel, FloatArray
from livefit.wire.blocks import LAST_TIME_S
from livefit.wire.codec import quoted

UNUSABLE = (ValueError, TypeError, OverflowError, RecursionError)
"""What a line that cannot be used may raise; nothing that a device sends ends the reading."""
_COORDINATES = frozenset({int, float, type(None)})
_UNSEEN = [math.nan] * 3


def parse_line(line: bytes) -> dict[str, Any]:
    """Return the JSON object that a line holds.

    Raises
    ------
    ValueError
        If it holds none.

    Examples
    --------
    >>> parse_line(b'{"n": 7}')
    {'n': 7}
    """
    try:
        fields = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise ValueError(f"expected one JSON object: {error}") from error
    if not isinstance(fields, dict):
        raise ValueError(f"expected one JSON object, found {type(fields).__name__}")
    return fields


def number_in(fields: Mapping[str, Any], name: str) -> float:
    """Return a field that must hold a finite number.

    Raises
    ------
    ValueError
        If it is missing, or something else.
    """
    value = fields.get(name)
    try:
        number = (
            float(value)
            if isinstance(value, int | float) and not isinstance(value, bool)
            else math.nan
        )
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise ValueError(f"field {name!r}: expected a number, found {quoted(value)}")
    return number


def stamp_in(fields: Mapping[str, Any]) -> float:
    """Return the time stamp of a line, s.

    Raises
    ------
    ValueError
        If it is missing, something else than a number, or farther away than the protocol has it.
    """
    stamp = number_in(fields, "t")
    if abs(stamp) > LAST_TIME_S:
        raise ValueError(
            f"field 't': expected seconds, within 10^12 either way, found {quoted(fields['t'])}"
        )
    return stamp


def list_in(fields: Mapping[str, Any], name: str) -> list[Any]:
    """Return a field that holds a list; an empty one if it is missing.

    Raises
    ------
    ValueError
        If it is something else.
    """
    listed = fields.get(name, [])
    if not isinstance(listed, list):
        raise ValueError(f"field {name!r}: expected a list, found {quoted(listed)}")
    return listed


def described_channels(fields: Mapping[str, Any]) -> tuple[Channel, ...]:
    """Return the extra signals that a description lists.

    Raises
    ------
    ValueError
        If an entry has no name and unit.
    """
    channels = []
    for each in list_in(fields, "channels"):
        name, unit = (each.get("name"), each.get("unit")) if isinstance(each, dict) else ("", "")
        if not (isinstance(name, str) and name and isinstance(unit, str)):
            raise ValueError(
                f"field 'channels': expected name and unit of each, found {quoted(each)}"
            )
        channels.append(Channel(name, unit))
    return tuple(channels)


def positions_in(fields: Mapping[str, Any], labels: Sequence[str], farthest: float) -> FloatArray:
    """Return one frame's positions (markers, 3) in the sender's unit; NaN = not seen.

    Parameters
    ----------
    fields
        Of a frame.
    labels
        Of the markers, m.
    farthest
        The largest coordinate, in the sender's unit.

    Raises
    ------
    ValueError
        If ``xyz`` is not a list with null or three coordinates for each label, or one of them is
        larger than ``farthest``.
    """
    xyz = list_in(fields, "xyz")
    if len(xyz) != len(labels):
        raise ValueError(
            f"field 'xyz': expected {len(labels)} positions, one for each label, got {len(xyz)}; "
            "send null for a marker that was not seen"
        )
    rows = []
    for label, position in zip(labels, xyz, strict=True):
        if position is None:
            rows.append(_UNSEEN)
        elif (
            type(position) is list
            and len(position) == 3
            and _COORDINATES.issuperset(map(type, position))
        ):
            rows.append(position)
        else:
            raise ValueError(
                f"field 'xyz', marker {label}: expected x, y, z, numbers or null, "
                f"found {quoted(position)}"
            )
    try:
        positions = np.array(rows, dtype=np.float64)
    except OverflowError as error:
        raise ValueError(
            f"field 'xyz': expected coordinates up to {farthest:g}: {error}"
        ) from error
    positions[~np.isfinite(positions).all(axis=1)] = np.nan
    far = np.flatnonzero((np.abs(positions) > farthest).any(axis=1))
    if len(far):
        raise ValueError(
            f"field 'xyz', marker {labels[far[0]]}: expected coordinates up to {farthest:g}, "
            f"found {quoted(xyz[far[0]])}; is the unit the one described?"
        )
    return positions
