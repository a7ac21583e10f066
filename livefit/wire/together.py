"""Frames messages that came in a row, decoded as one where their frames follow each other.

A recording holds a million of them. Messages of one length are mostly packed alike: they differ in
the frame's number, its time and its values, which then lie at the same bytes in each. Where that is
so, many are read at once; else each is looked at by itself, which takes twenty times as long.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import msgpack
import numpy as np
from numpy.typing import NDArray

from livefit.wire.codec import MAX_BYTES, WireError, decode
from livefit.wire.messages import Frames

Rows = NDArray[np.uint8]
"""(n, bytes): messages of one length, one a row."""
_BUFFERS: Final = ("t", "xyz", "channels")
_FEWEST: Final = 4
"""Rows that are worth a look at how they are packed."""
_ONE_BYTE: Final = 128
"""Numbers below are packed without a byte that says how long they are."""


@dataclass
class _Run:
    first: dict[str, Any]
    count: int
    next: int
    raws: int = 0
    parts: dict[str, list[bytes]] = field(default_factory=dict)


def decode_together(raws: Sequence[Rows]) -> list[tuple[int, Frames | None]]:
    """Decode messages of the topic ``frames``.

    Parameters
    ----------
    raws
        The messages in their order, those of one length together.

    Returns
    -------
    list of (int, Frames or None)
        How many messages, in their order, and what they say together; None: one that does not
        follow the protocol. The same frames as :func:`livefit.wire.codec.decode` gives one by one.
    """
    found: list[tuple[int, Frames | None]] = []
    run: _Run | None = None
    for raw, fields, count in (part for rows in raws for part in _parts(rows)):
        if run is not None and (fields is None or not _goes_on(run, fields)):
            found.append((run.raws, _joined(run)))
            run = None
        if fields is None:
            found.append((1, _alone(raw)))
            continue
        if run is None:
            run = _Run(fields, 0, fields["first"], parts={name: [] for name in _BUFFERS})
        _add(run, fields, count)
    if run is not None:
        found.append((run.raws, _joined(run)))
    return found


def _parts(rows: Rows) -> Iterator[tuple[bytes, dict[str, Any] | None, int]]:
    """Yield the first message of each part, what the part says, and how many messages it is."""
    done, alike = 0, len(rows) >= _FEWEST
    while done < len(rows):
        raw = rows[done].tobytes()
        fields, count = _plain_fields(raw), 1
        if alike and fields is not None:
            fields, count = _follow(rows[done:], raw, fields)
            alike = count > 1
        yield raw, fields, count
        done += count


def _follow(rows: Rows, raw: bytes, fields: dict[str, Any]) -> tuple[dict[str, Any], int]:
    """Join the first message with those behind it that are packed alike and whose frames follow.

    Parameters
    ----------
    rows
        The messages.
    raw, fields
        The first of them, and what it says.

    Returns
    -------
    dict, int
        What they say together, and how many they are; 1: each has to be looked at by itself.
    """
    first, count = fields["first"], fields["count"]
    places = _places(raw, fields)
    if places is None or first < _ONE_BYTE or first + count * len(rows) >= 2**63:
        return fields, 1
    numbers = _numbers(rows, places["first"], "u")
    follows = numbers == first + count * np.arange(len(rows), dtype=np.uint64)
    fixed = np.ones(len(raw), dtype=bool)
    for place in places.values():
        fixed[place] = False
    follows &= (rows[:, fixed] == rows[0, fixed]).all(axis=1)
    if "sent" in places:
        follows &= np.isfinite(_numbers(rows, places["sent"], "f"))
    taken = int(follows.argmin()) or len(rows)
    joined = {name: rows[:taken, places[name]].tobytes() for name in _BUFFERS}
    return {**fields, **joined, "count": count * taken}, taken


def _places(raw: bytes, fields: dict[str, Any]) -> dict[str, slice] | None:
    """Where the values that differ from frame to frame lie; None: it is packed unusually."""
    packed = {name: msgpack.packb(name) + msgpack.packb(fields[name]) for name in fields}
    if not raw.endswith(b"".join(packed.values())):
        return None
    sizes = {name: len(fields[name]) for name in _BUFFERS}
    sizes["first"] = len(msgpack.packb(fields["first"])) - 1
    if type(fields.get("sent")) is float:
        sizes["sent"] = 8
    places: dict[str, slice] = {}
    end = len(raw) - sum(map(len, packed.values()))
    for name, value in packed.items():
        end += len(value)
        if name in sizes:
            places[name] = slice(end - sizes[name], end)
    return places


def _numbers(rows: Rows, place: slice, kind: str) -> NDArray[Any]:
    """The big-endian numbers that lie at a place, one a row."""
    values = np.ascontiguousarray(rows[:, place])
    return values.view(f">{kind}{values.shape[1]}")[:, 0]


def _alone(raw: bytes) -> Frames | None:
    try:
        return decode(Frames, raw)
    except WireError:
        return None


def _plain_fields(raw: bytes) -> dict[str, Any] | None:
    """The fields of a message in the usual form; None: look at it closely."""
    try:
        fields = msgpack.unpackb(raw) if len(raw) <= MAX_BYTES else None
    except (ValueError, msgpack.UnpackException):
        return None
    if type(fields) is not dict or "version" in fields:
        return None
    sent = fields.get("sent")
    usual = (
        type(fields.get("stream")) is str
        and type(fields.get("first")) is int
        and fields["first"] >= 0
        and type(fields.get("count")) is int
        and fields["count"] >= 1
        and type(fields.get("t")) is bytes
        and type(fields.get("xyz")) is bytes
        and type(fields.get("channels")) is bytes
        and (sent is None or (type(sent) is float and math.isfinite(sent)))
    )
    return fields if usual else None


def _goes_on(run: _Run, fields: dict[str, Any]) -> bool:
    one, count, own = run.first, run.first["count"], fields["count"]
    return bool(
        fields["first"] == run.next
        and fields["stream"] == one["stream"]
        and len(fields["t"]) * count == len(one["t"]) * own
        and len(fields["xyz"]) * count == len(one["xyz"]) * own
        and len(fields["channels"]) * count == len(one["channels"]) * own
    )


def _add(run: _Run, fields: dict[str, Any], messages: int) -> None:
    run.raws += messages
    run.count += fields["count"]
    run.next += fields["count"]
    for name, parts in run.parts.items():
        parts.append(fields[name])


def _joined(run: _Run) -> Frames:
    return Frames(
        stream=run.first["stream"],
        first=run.first["first"],
        count=run.count,
        t=b"".join(run.parts["t"]),
        xyz=b"".join(run.parts["xyz"]),
        channels=b"".join(run.parts["channels"]),
    )
