"""A second msgpack decoder, written from the published format specification.

github.com/msgpack/msgpack/blob/master/spec.md; shares nothing with the library under test.
"""

from __future__ import annotations

import struct
from typing import Any


def read(raw: bytes) -> Any:
    """Return the one value that the bytes hold."""
    value, end = _value(raw, 0)
    if end != len(raw):
        raise ValueError(f"{len(raw) - end} bytes are left over")
    return value


NUMBERS = {
    0xCA: ">f", 0xCB: ">d",
    0xCC: ">B", 0xCD: ">H", 0xCE: ">I", 0xCF: ">Q",
    0xD0: ">b", 0xD1: ">h", 0xD2: ">i", 0xD3: ">q",
}  # fmt: skip
LENGTHS = {
    0xC4: (bytes, ">B"), 0xC5: (bytes, ">H"), 0xC6: (bytes, ">I"),
    0xD9: (str, ">B"), 0xDA: (str, ">H"), 0xDB: (str, ">I"),
    0xDC: (list, ">H"), 0xDD: (list, ">I"),
    0xDE: (dict, ">H"), 0xDF: (dict, ">I"),
}  # fmt: skip


def _value(raw: bytes, at: int) -> tuple[Any, int]:
    head = raw[at]
    at += 1
    if head <= 0x7F:
        return head, at
    if head >= 0xE0:
        return head - 256, at
    if head in (0xC0, 0xC2, 0xC3):
        return {0xC0: None, 0xC2: False, 0xC3: True}[head], at
    if head in NUMBERS:
        size = struct.calcsize(NUMBERS[head])
        return struct.unpack_from(NUMBERS[head], raw, at)[0], at + size
    if head <= 0x8F:
        return _several(dict, head & 0x0F, raw, at)
    if head <= 0x9F:
        return _several(list, head & 0x0F, raw, at)
    if head <= 0xBF:
        return _several(str, head & 0x1F, raw, at)
    kind, form = LENGTHS[head]
    return _several(kind, struct.unpack_from(form, raw, at)[0], raw, at + struct.calcsize(form))


def _several(kind: type, count: int, raw: bytes, at: int) -> tuple[Any, int]:
    if kind is bytes or kind is str:
        part = raw[at : at + count]
        return (part if kind is bytes else part.decode()), at + count
    items = []
    for _ in range(count * (2 if kind is dict else 1)):
        item, at = _value(raw, at)
        items.append(item)
    return (dict(zip(items[::2], items[1::2], strict=True)) if kind is dict else items), at
