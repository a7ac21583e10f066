"""Small recordings for the tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from livefit.frames import MarkerBlock, StreamInfo
from livefit.recording.reading import survey
from livefit.recording.writing import RecordingWriter
from livefit.wire.blocks import describe, pack_block
from livefit.wire.codec import NAMES, encode
from livefit.wire.messages import Description, Message

INFO = StreamInfo(labels=("R_CA", "R_VM", "R_LM"), rate_hz=100.0, up="+z")
EPOCH_NS = 1_772_000_000 * 10**9


def description(stream: str = "abc", info: StreamInfo = INFO, precision: str = "f4") -> Description:
    return describe(info, stream=stream, source="by hand", precision=precision)


def frames_of(count: int, *, first: int = 0, seed: int = 1) -> MarkerBlock:
    """Random positions that float32 holds; every 7th frame has no second marker."""
    random = np.random.default_rng(seed)
    positions = random.normal(0.0, 500.0, (count, 3, 3)).astype(np.float32).astype(np.float64)
    positions[::7, 1] = np.nan
    numbers = np.arange(first, first + count, dtype=np.int64)
    return MarkerBlock(numbers, numbers / 100.0, positions)


def messages_of(block: MarkerBlock, described: Description) -> list[Message]:
    """One message a frame."""
    one_by_one = (
        MarkerBlock(block.numbers[k : k + 1], block.t[k : k + 1], block.positions[k : k + 1])
        for k in range(len(block))
    )
    return [message for one in one_by_one for message in pack_block(one, described)]


def add(writer: RecordingWriter, message: Message, at_s: float) -> bytes:
    """Add a message that came so long after the beginning, and return its bytes."""
    raw = encode(message)
    ns = EPOCH_NS + round(1e9 * at_s)
    writer.add(NAMES[type(message)], raw, arrived_ns=ns, sent_ns=ns)
    return raw


def write(directory: Path, messages: list[Message], *, a_chunk: int = 10) -> Path:
    """Write a proper recording, so many messages a chunk, 10 ms apart."""
    with RecordingWriter(directory, "ride") as writer:
        for k, message in enumerate(messages):
            add(writer, message, 0.01 * k)
            if k % a_chunk == a_chunk - 1:
                writer.flush()
    return writer.path


def cut_off(path: Path, *, chunks: int = 2) -> None:
    """Leave so many whole chunks of a recording, and half of the next."""
    last = survey(path).chunks[chunks]
    path.write_bytes(path.read_bytes()[: last.offset + last.length // 2])
