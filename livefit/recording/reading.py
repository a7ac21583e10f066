"""A recording read as far as it is whole; what is damaged is left out and told.

Only messages in chunks whose checksum fits are read, so that nothing comes back that was not
written.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import IO, Final, NamedTuple

import numpy as np
import zstandard
from mcap.data_stream import ReadDataStream
from mcap.exceptions import McapError
from mcap.opcode import Opcode
from mcap.records import Channel, Chunk, ChunkIndex
from mcap.stream_reader import breakup_chunk, get_chunk_data_stream
from mcap.writer import MCAP0_MAGIC
from numpy.typing import NDArray

from livefit.recording.errors import readable
from livefit.wire.codec import TOPICS

_HEAD: Final = struct.Struct("<BQ")
_MESSAGE: Final = struct.Struct("<HIQQ")
"""Channel, sequence, log time and publish time: mcap.dev/spec, Message (op=0x05)."""
_BEFORE: Final = _HEAD.size + _MESSAGE.size
"""Bytes of a record before what the message says."""
_ARRIVED: Final = slice(_BEFORE - 16, _BEFORE - 8)
_ALIKE: Final = _HEAD.size + 2
"""So many first bytes are the same in all records of one length and channel."""
_MOST_ALIKE: Final = 256
_MOST_BYTES: Final = 2**28
"""A chunk that claims to be larger is damaged."""
_MIDDLE: Final = "a part in the middle is damaged"
_OWN_OPCODES: Final = 0x80
"""From here on a record may have any meaning and is passed over."""
_UNREADABLE = (
    McapError, ValueError, struct.error, zstandard.ZstdError, RuntimeError, MemoryError,
    OverflowError,
)  # fmt: skip


class NoRecordingError(ValueError):
    """A file that is no recording, or has lost too much to be read."""


@dataclass(frozen=True)
class Place:
    """Where a whole chunk lies; times in nanoseconds since 1970."""

    offset: int
    length: int
    first_ns: int
    last_ns: int


@dataclass(frozen=True)
class Damage:
    """What is not whole in a recording.

    Attributes
    ----------
    lost_bytes
        Bytes that cannot be read as what they were.
    lost_s
        How long a time they held, judged by the rest of the file.
    why
        What was found, in plain words.
    """

    lost_bytes: int
    lost_s: float
    why: str

    def __str__(self) -> str:
        if not self.lost_bytes:
            return f"{self.why}; what was not written yet, a second at most, is missing"
        return (
            f"{self.why}: {self.lost_bytes} bytes, about {self.lost_s:.1f} s of the recording, "
            "cannot be read and are left out"
        )


@dataclass(frozen=True)
class Survey:
    """What a recording holds, as found by looking through it.

    Attributes
    ----------
    path
        The file.
    chunks
        Those that are whole, in the order in which they were written.
    channels
        Topic by channel number.
    damage
        None: the recording is whole.
    """

    path: Path
    chunks: tuple[Place, ...]
    channels: dict[int, str]
    damage: Damage | None

    @property
    def first_ns(self) -> int:
        """When the first message came."""
        return self.chunks[0].first_ns

    @property
    def seconds(self) -> float:
        """From the first message to the last."""
        return (max(place.last_ns for place in self.chunks) - self.first_ns) / 1e9


class Entry(NamedTuple):
    """One message as it was recorded; times in nanoseconds since 1970."""

    topic: str
    raw: bytes
    arrived_ns: int
    sent_ns: int


class _Opener:
    """Opens chunks; one decompressor for all, as making one takes as long as its work."""

    def __init__(self) -> None:
        self._zstd = zstandard.ZstdDecompressor()

    def open(self, chunk: Chunk) -> bytes:
        """Return a chunk's records.

        Raises
        ------
        ValueError
            If its checksum does not fit; other errors of `_UNREADABLE` if it cannot be opened.
        """
        if chunk.compression != "zstd":
            stream, length = get_chunk_data_stream(chunk, validate_crc=True)
            return stream.read(length)
        data: bytes = self._zstd.decompress(chunk.data, max_output_size=chunk.uncompressed_size)
        if zlib.crc32(data) != chunk.uncompressed_crc:
            raise ValueError("a chunk whose checksum does not fit")
        return data


@dataclass
class _Looked:
    """What looking through a file has found so far."""

    chunks: list[Place] = field(default_factory=list)
    channels: dict[int, str] = field(default_factory=dict)
    lost: int = 0
    why: str | None = None
    met: set[int] = field(default_factory=set)
    data_ended: bool = False
    ended: bool = False
    opener: _Opener = field(default_factory=_Opener)

    def lose(self, count: int, why: str) -> None:
        self.lost += count
        self.why = self.why or why


def survey(path: Path) -> Survey:
    """Look through a recording, chunk by chunk, and say what is whole.

    A file that is still being written can be looked at as well.

    Raises
    ------
    NoRecordingError
        If it is no MCAP file, or no message in it can be read.
    RecordingFileError
        If it cannot be opened.
    """
    with readable(path), path.open("rb") as file:
        size = file.seek(0, 2)
        file.seek(0)
        if file.read(len(MCAP0_MAGIC)) != MCAP0_MAGIC:
            raise NoRecordingError(
                f"{path}: expected an MCAP file, found {size} bytes that do not begin like one"
            )
        looked = _Looked()
        _look_through(file, size, looked)
    if not looked.chunks or not looked.channels:
        why = f": {looked.why}" if looked.why else ""
        raise NoRecordingError(f"{path}: there is no message in it that can be read{why}")
    damage = None
    if looked.lost or looked.why:
        lost_s = looked.lost / _bytes_a_second(looked.chunks)
        damage = Damage(looked.lost, lost_s, looked.why or "")
    return Survey(path, tuple(looked.chunks), looked.channels, damage)


def _bytes_a_second(chunks: list[Place]) -> float:
    """How quickly the file grew; the first chunk, with the schema, says little of that."""
    later = chunks[1:] or chunks
    since_ns = chunks[0].last_ns if len(chunks) > 1 else chunks[0].first_ns
    seconds = max((chunks[-1].last_ns - since_ns) / 1e9, 1e-3)
    return sum(place.length for place in later) / seconds


def _look_through(file: IO[bytes], size: int, looked: _Looked) -> None:
    while not looked.ended:
        offset = file.tell()
        head = file.read(_HEAD.size)
        opcode, length = _HEAD.unpack(head) if len(head) == _HEAD.size else (0, 0)
        end = offset + _HEAD.size + length
        known = 0 < opcode <= Opcode.DATA_END or opcode >= _OWN_OPCODES
        if not known or end > size:
            _stop_at(offset, size, looked, cut=not head or known or len(head) < _HEAD.size)
            return
        if opcode == Opcode.CHUNK:
            place = _whole_chunk(file.read(length), offset, looked)
            looked.met.add(offset)
            if place is None:
                looked.lose(end - offset, _MIDDLE)
            else:
                looked.chunks.append(place)
        elif opcode in (Opcode.CHANNEL, Opcode.CHUNK_INDEX):
            _note_index(opcode, file.read(length), looked)
        elif opcode == Opcode.DATA_END:
            looked.data_ended = True
        looked.ended = opcode == Opcode.FOOTER
        file.seek(end)


def _note_index(opcode: int, record: bytes, looked: _Looked) -> None:
    """Take from the index at the end what a damaged chunk would have said."""
    stream = ReadDataStream(BytesIO(record))
    try:
        if opcode == Opcode.CHANNEL:
            channel = Channel.read(stream)
            looked.channels.setdefault(channel.id, channel.topic)
            return
        index = ChunkIndex.read(stream)
    except _UNREADABLE:
        return
    if index.chunk_start_offset not in looked.met:
        looked.lose(index.chunk_length, _MIDDLE)


def _stop_at(offset: int, size: int, looked: _Looked, *, cut: bool) -> None:
    """Note that the file cannot be read beyond an offset."""
    if looked.data_ended:
        looked.why = looked.why or "the index at the end is damaged, every message is there"
    elif cut:
        looked.lose(size - offset, "the recording was cut off before its end")
    else:
        looked.lose(size - offset, "the rest is damaged")


def _whole_chunk(record: bytes, offset: int, looked: _Looked) -> Place | None:
    """Check a chunk and note its channels; None: it is not whole."""
    try:
        chunk = _chunk(record)
        looked.opener.open(chunk)
        if not looked.chunks:
            for part in breakup_chunk(chunk):
                if isinstance(part, Channel):
                    looked.channels[part.id] = part.topic
    except _UNREADABLE:
        return None
    length = _HEAD.size + len(record)
    return Place(offset, length, chunk.message_start_time, chunk.message_end_time)


def _chunk(record: bytes) -> Chunk:
    """Read a chunk's record.

    Raises
    ------
    ValueError
        If it has no checksum, or claims what cannot be.
    """
    chunk: Chunk = Chunk.read(ReadDataStream(BytesIO(record)))
    if chunk.uncompressed_size > _MOST_BYTES or chunk.uncompressed_crc == 0:
        raise ValueError("a chunk that is too large or has no checksum")
    return chunk


class Run(NamedTuple):
    """Messages of one topic and one length that were recorded one behind the other.

    Attributes
    ----------
    topic
        Of all of them.
    raws
        (n, bytes) uint8: a message a row.
    arrived_ns
        (n,) int64, nanoseconds since 1970.
    """

    topic: str
    raws: NDArray[np.uint8]
    arrived_ns: NDArray[np.int64]


class _Alike(NamedTuple):
    """Where messages of one channel and length lie in a chunk, and their records' length."""

    topic: str
    data: bytes
    at: int
    step: int
    messages: int


def entries(found: Survey, *, topics: tuple[str, ...] = (), from_s: float = 0.0) -> Iterator[Entry]:
    """Yield the messages of a recording's whole chunks, in the order in which they came.

    Parameters
    ----------
    found
        What :func:`survey` returned.
    topics
        Which are wanted; none: all.
    from_s
        Begin so many seconds after the first message. Descriptions before it come nevertheless,
        for no frame means anything without.
    """
    begin_ns = found.first_ns + round(1e9 * from_s)
    for topic, data, at, step, count in _alike_messages(found, topics):
        for place in range(at, at + count * step, step):
            _, _, arrived_ns, sent_ns = _MESSAGE.unpack_from(data, place + _HEAD.size)
            if arrived_ns >= begin_ns or topic == "description":
                yield Entry(topic, data[place + _BEFORE : place + step], arrived_ns, sent_ns)


def runs(found: Survey, *, topics: tuple[str, ...] = ()) -> Iterator[Run]:
    """Yield the messages of :func:`entries`, many at once: in a tenth of the time."""
    for topic, data, at, step, count in _alike_messages(found, topics):
        records = np.frombuffer(data, np.uint8, count * step, at).reshape(count, step)
        times = np.ascontiguousarray(records[:, _ARRIVED]).view("<i8")
        yield Run(topic, records[:, _BEFORE:], times[:, 0])


def _alike_messages(found: Survey, topics: tuple[str, ...]) -> Iterator[_Alike]:
    channels = {n: topic for n, topic in found.channels.items() if topic in (topics or TOPICS)}
    opener = _Opener()
    with readable(found.path), found.path.open("rb") as file:
        for place in found.chunks:
            file.seek(place.offset + _HEAD.size)
            data = opener.open(_chunk(file.read(place.length - _HEAD.size)))
            yield from _messages(data, channels)


def _messages(data: bytes, channels: dict[int, str]) -> Iterator[_Alike]:
    """Yield the messages of a chunk's records that lie in some channels.

    The library makes an object of every field, which takes a hundred times as long.
    """
    at = 0
    while at + _HEAD.size <= len(data):
        opcode, size = _HEAD.unpack_from(data, at)
        step, count = _HEAD.size + size, 1
        if opcode == Opcode.MESSAGE and size >= _MESSAGE.size and at + step <= len(data):
            count = _count_alike(data, at, step)
            channel, _, _, _ = _MESSAGE.unpack_from(data, at + _HEAD.size)
            if channel in channels:
                yield _Alike(channels[channel], data, at, step, count)
        at += count * step


def _count_alike(data: bytes, at: int, step: int) -> int:
    """How many records from a place on begin as the one there does, and so are as long."""
    most = min((len(data) - at) // step, _MOST_ALIKE)
    heads = np.frombuffer(data, np.uint8, most * step, at).reshape(most, step)[:, :_ALIKE]
    other = (heads != heads[0]).any(axis=1)
    return int(other.argmax()) or most
