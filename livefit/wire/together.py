"""Frames messages that came in a row, decoded as one where their frames follow each other.

A recording holds a million of them; checking each by itself takes four times as long.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import msgpack

from livefit.wire.codec import MAX_BYTES, WireError, decode
from livefit.wire.messages import Frames


@dataclass
class _Run:
    first: dict[str, Any]
    count: int
    next: int
    raws: int = 1
    parts: dict[str, list[bytes]] = field(default_factory=dict)


def decode_together(raws: Sequence[bytes]) -> list[tuple[int, Frames | None]]:
    """Decode messages of the topic ``frames``.

    Returns
    -------
    list of (int, Frames or None)
        How many messages, in their order, and what they say together; None: one that does not
        follow the protocol. The same frames as :func:`livefit.wire.codec.decode` gives one by one.
    """
    found: list[tuple[int, Frames | None]] = []
    run: _Run | None = None
    for raw in raws:
        fields = _plain_fields(raw)
        if run is not None and fields is not None and _goes_on(run, fields):
            _add(run, fields)
            continue
        if run is not None:
            found.append((run.raws, _joined(run)))
        run = None
        if fields is None:
            found.append((1, _alone(raw)))
        else:
            run = _Run(
                fields, 0, fields["first"], 0, {name: [] for name in ("t", "xyz", "channels")}
            )
            _add(run, fields)
    if run is not None:
        found.append((run.raws, _joined(run)))
    return found


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


def _add(run: _Run, fields: dict[str, Any]) -> None:
    run.raws += 1
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
