"""Messages to bytes and back."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from itertools import repeat
from typing import Any, Final, TypeVar

import msgpack
from pydantic import ValidationError

from livefit.wire.change_messages import Changes
from livefit.wire.messages import (
    PROTOCOL,
    Cycles,
    Description,
    DeviceState,
    Frames,
    MeanPose,
    Message,
    Pose,
    Reply,
    Request,
    Row,
    Snapshot,
    StandingBicycle,
    Stroke,
)

TOPICS: Final[dict[str, type[Message]]] = {
    "description": Description,
    "frames": Frames,
    "device": DeviceState,
    "results": Snapshot,
    "pose": Pose,
    "strokes": Stroke,
    "cycles": Cycles,
    "changes": Changes,
    "baseline": MeanPose,
    "bicycle": StandingBicycle,
}
"""What is published under each topic."""

NAMES: Final[dict[type[Message], str]] = {
    **{kind: topic for topic, kind in TOPICS.items()},
    Request: "request",
    Reply: "reply",
}
"""What errors call each kind of message; of published ones the topic."""

AnyMessage = TypeVar("AnyMessage", bound=Message)
Container = TypeVar("Container", list[Any], dict[str, Any])

MAX_BYTES: Final = 8 * 2**20
MAX_DEPTH: Final = 8
MAX_ITEMS: Final = 10_000
"""Entries of one list or map."""
MAX_VALUES: Final = 1_000_000
"""Entries of all lists and maps of a message together: a byte on the wire can be 70 in memory."""
_SMALL_BYTES: Final = 64 * 1024
"""Messages that cannot hold too many values."""


_NOT_FINITE: Final = re.compile(rb"\xcb[\x7f\xff][\xf0-\xff]", re.DOTALL)
"""How every float that is not finite begins in msgpack (and some bytes that are none)."""


class WireError(ValueError):
    """A message that does not follow the protocol.

    Attributes
    ----------
    topic, field
        Where it went wrong; ``field`` is empty where the whole message is meant.
    expected, found
        What the protocol asks for, and what came.
    remedy
        What to do about it, where the cause is likely.
    """

    def __init__(self, topic: str, field: str, expected: str, found: str, remedy: str = "") -> None:
        self.topic, self.field = topic, field
        self.expected, self.found, self.remedy = expected, found, remedy
        place = f"message {quoted(topic)}" + (f", field {quoted(field)}" if field else "")
        super().__init__(
            f"{place}: expected {expected}, found {found}" + (f"; {remedy}" if remedy else "")
        )


class PackedRows:
    """Packs the rows of snapshots; one that is the same as in the one before is not packed anew."""

    def __init__(self) -> None:
        self._kept: list[tuple[Row, bytes]] = []

    def pack(self, rows: Sequence[Row]) -> list[bytes]:
        """Return each row's msgpack map."""
        before = self._kept if len(self._kept) == len(rows) else repeat((None, b""))
        self._kept = [
            (row, raw if row is same else msgpack.packb(vars(row)))
            for row, (same, raw) in zip(rows, before, strict=False)
        ]
        return [raw for _, raw in self._kept]


def encode(message: Message, packed: PackedRows | None = None) -> bytes:
    """Turn a message into a msgpack map; a float that is not finite becomes nil.

    Parameters
    ----------
    message
        What to say.
    packed
        The rows of the snapshot before, for one of many.

    Raises
    ------
    WireError
        If a value has no place in msgpack, or the message is larger than ``MAX_BYTES``.
    """
    name = NAMES[type(message)]
    try:
        if isinstance(message, Snapshot | Pose | Changes):
            raw: bytes
            if packed is not None and isinstance(message, Snapshot):
                raw = _with_rows(message, packed.pack(message.rows))
            else:
                raw = msgpack.packb(vars(message), default=vars)
            if not _NOT_FINITE.search(raw):
                return raw
        raw = msgpack.packb(_plain(message.model_dump(), name, "", 0))
    except (ValueError, OverflowError) as error:
        raise WireError(name, "", "values that msgpack can hold", str(error)) from error
    if len(raw) > MAX_BYTES:
        raise WireError(name, "", f"at most {MAX_BYTES} bytes", f"{len(raw)}", "send less at once")
    return raw


def _with_rows(snapshot: Snapshot, rows: Sequence[bytes]) -> bytes:
    """The map of a snapshot whose rows are packed already; they come last."""
    fields = vars(snapshot)
    packer = msgpack.Packer(default=vars, autoreset=False)
    packer.pack_map_header(len(fields))
    for name, value in fields.items():
        if name != "rows":
            packer.pack(name)
            packer.pack(value)
    packer.pack("rows")
    packer.pack_array_header(len(rows))
    return b"".join([packer.bytes(), *rows])


def decode(kind: type[AnyMessage], raw: bytes) -> AnyMessage:
    """Turn received bytes into a checked message of the kind that is expected.

    Parameters
    ----------
    kind
        What the topic carries (see ``TOPICS``), ``Request`` or ``Reply``.
    raw
        The msgpack map. Unknown fields are ignored; a float that is not finite reads as nil.

    Raises
    ------
    WireError
        Whatever is wrong with the bytes, and nothing else.
    """
    name = NAMES[kind]
    if len(raw) > MAX_BYTES:
        raise WireError(name, "", f"at most {MAX_BYTES} bytes", f"{len(raw)}")
    count = None if len(raw) <= _SMALL_BYTES else _Counted()
    try:
        fields = msgpack.unpackb(
            raw, max_array_len=MAX_ITEMS, max_map_len=MAX_ITEMS, list_hook=count, object_hook=count
        )
    except (ValueError, msgpack.UnpackException) as error:
        raise WireError(name, "", "one msgpack map", f"{type(error).__name__}: {error}") from error
    if not isinstance(fields, dict):
        raise WireError(name, "", "one msgpack map", quoted(fields))
    if kind in (Request, Reply) or _NOT_FINITE.search(raw):
        fields = _plain(fields, name, "", 0)
    version = fields.get("version", PROTOCOL)
    if version != PROTOCOL:
        remedy = "run the same version of the program at both ends"
        raise WireError(name, "version", f"protocol {PROTOCOL}", quoted(version), remedy)
    try:
        return kind.model_validate(fields)
    except ValidationError as error:
        raise first_fault(name, error) from error


def _plain(value: Any, topic: str, field: str, depth: int) -> Any:
    """Return the value with nil for floats that are not finite; refuse what is not plain data."""
    kind = type(value)
    if kind is float:
        return value if math.isfinite(value) else None
    if kind in (str, int, bytes, bool) or value is None:
        return value
    if depth == MAX_DEPTH:
        raise WireError(topic, field, f"at most {MAX_DEPTH} levels of maps and lists", "more")
    if kind is dict:
        for key in value:
            if type(key) is not str:
                raise WireError(topic, field, "text as the name of a field", quoted(key))
        return {key: _plain(item, topic, key, depth + 1) for key, item in value.items()}
    if kind is list:
        return [_plain(item, topic, field, depth + 1) for item in value]
    raise WireError(topic, field, "nil, a number, text, bytes, a list or a map", quoted(value))


class _Counted:
    """Passes lists and maps through while they are unpacked, up to so many values."""

    def __init__(self) -> None:
        self._left = MAX_VALUES

    def __call__(self, container: Container) -> Container:
        self._left -= 1 + len(container)
        if self._left < 0:
            raise ValueError(f"more than {MAX_VALUES} values")
        return container


def quoted(value: Any) -> str:
    """Return a value as an error quotes it."""
    if isinstance(value, bytes | list | dict) and len(value) > 4:
        return f"{type(value).__name__} of {len(value)}"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def first_fault(name: str, error: ValidationError) -> WireError:
    """Return the first of a message's faults, in the form of ours."""
    first = error.errors(include_url=False, include_context=False)[0]
    field = ".".join(map(str, first["loc"]))
    if first["type"] == "missing":
        return WireError(name, field, "this field", "nothing")
    return WireError(
        name, field, first["msg"].removeprefix("Input should be "), quoted(first["input"])
    )
