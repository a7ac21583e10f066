"""Recordings that were cut off or damaged: what was written comes back, and nothing else."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import numpy as np
import pytest
from mcap.reader import make_reader
from mcap.records import Chunk, DataEnd
from mcap.stream_reader import StreamReader

from livefit.recording.errors import RecordingStoppedError
from livefit.recording.reading import NoRecordingError, entries, survey
from livefit.recording.repair import repair
from livefit.recording.writing import RecordingWriter
from livefit.sources.files import read_recording
from livefit.wire.codec import encode
from tests.recording.recorded_examples import add, description, frames_of, messages_of, write

BLOCK = frames_of(39)
MESSAGES = [description(), *messages_of(BLOCK, description())]
RAW = [encode(message) for message in MESSAGES]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Forty messages in four chunks."""
    return write(tmp_path_factory.mktemp("whole"), MESSAGES).read_bytes()


def chunk_ends(whole: bytes, path: Path) -> tuple[list[int], int]:
    """Where chunks begin, by the library's own reader, and where the data ends."""
    path.write_bytes(whole)
    begins: list[int] = []
    with path.open("rb") as file:
        before = 8
        for record in StreamReader(file, emit_chunks=True).records:
            if isinstance(record, Chunk):
                begins.append(before)
            if isinstance(record, DataEnd):
                return begins, before
            before = file.tell()
    raise AssertionError("the file has no end")


def read_raw(path: Path) -> list[bytes]:
    return [entry.raw for entry in entries(survey(path))]


def test_the_librarys_own_reader_finds_every_message(whole: bytes, tmp_path: Path) -> None:
    """Witness: the seeking reader of the `mcap` package, by its index at the end."""
    path = tmp_path / "a.mcap"
    path.write_bytes(whole)
    with path.open("rb") as file:
        reader = make_reader(file, validate_crcs=True)
        found = list(reader.iter_messages())
        summary = reader.get_summary()
    assert [message.data for _, _, message in found] == RAW
    assert [channel.topic for _, channel, _ in found] == ["description"] + 39 * ["frames"]
    assert {channel.message_encoding for _, channel, _ in found} == {"msgpack"}
    assert summary is not None
    assert summary.statistics is not None
    assert summary.statistics.message_count == 40
    (schema,) = summary.schemas.values()
    assert schema.name == "livefit/1"
    assert b"# The wire protocol, version 1" in schema.data


def test_cut_at_every_byte_of_the_last_chunk(whole: bytes, tmp_path: Path) -> None:
    path = tmp_path / "cut.mcap"
    begins, end = chunk_ends(whole, path)
    assert len(begins) == 4
    path.write_bytes(whole)
    chunk_end = begins[-1] + 9 + int.from_bytes(whole[begins[-1] + 1 : begins[-1] + 9], "little")
    for cut in range(begins[-1], chunk_end):
        path.write_bytes(whole[:cut])
        found = survey(path)
        assert [entry.raw for entry in entries(found)] == RAW[:30], cut
        assert found.damage is not None
        assert found.damage.lost_bytes == cut - begins[-1]
        assert "cut off" in found.damage.why
    for cut in [*range(chunk_end, end), *range(end, len(whole), 97)]:
        path.write_bytes(whole[:cut])
        assert read_raw(path) == RAW, cut
    path.write_bytes(whole)
    assert survey(path).damage is None
    assert end > chunk_end


def test_a_cut_recording_is_read_to_the_last_bit(whole: bytes, tmp_path: Path) -> None:
    path = tmp_path / "cut.mcap"
    begins, _ = chunk_ends(whole, path)
    path.write_bytes(whole[: begins[-1] + 100])
    recording = read_recording(path)
    block = recording.block
    assert block.numbers.tolist() == list(range(29))
    assert block.positions.tobytes() == BLOCK.positions[:29].tobytes()
    assert block.t.tobytes() == BLOCK.t[:29].tobytes()
    assert "cut off before its end: 100 bytes, about" in recording.notes[0]


def test_the_time_that_is_missing_is_estimated(whole: bytes, tmp_path: Path) -> None:
    """Ten messages 10 ms apart lie in the chunk that is left out."""
    path = tmp_path / "cut.mcap"
    _, end = chunk_ends(whole, path)
    begins, _ = chunk_ends(whole, path)
    path.write_bytes(whole[: end - 200])
    damage = survey(path).damage
    assert damage is not None
    assert damage.lost_bytes == end - 200 - begins[-1]
    assert damage.lost_s == pytest.approx(0.1, abs=0.03)


def test_no_single_wrong_byte_makes_a_wrong_message(whole: bytes, tmp_path: Path) -> None:
    """Every byte, one after the other, is replaced by another one."""
    path = tmp_path / "damaged.mcap"
    begins, end = chunk_ends(whole, path)
    random = np.random.default_rng(4)
    told = 0
    for place in range(begins[1], end, 3):
        damaged = bytearray(whole)
        damaged[place] ^= int(random.integers(1, 256))
        path.write_bytes(damaged)
        found = survey(path)
        read = [entry.raw for entry in entries(found)]
        assert read[:10] == RAW[:10]
        assert all(raw in RAW for raw in read), place
        assert len(set(read)) == len(read)
        told += found.damage is not None
        assert len(read) == 40 or found.damage is not None
    assert told > 100


def test_a_damaged_chunk_in_the_middle_costs_itself_only(whole: bytes, tmp_path: Path) -> None:
    path = tmp_path / "damaged.mcap"
    begins, _ = chunk_ends(whole, path)
    for chunk, kept in ((1, RAW[:10] + RAW[20:]), (0, RAW[10:])):
        damaged = bytearray(whole)
        middle = (begins[chunk] + begins[chunk + 1]) // 2
        damaged[middle : middle + 5] = b"\x00\xff\x00\xff\x00"
        path.write_bytes(damaged)
        found = survey(path)
        assert [entry.raw for entry in entries(found)] == kept
        assert "in the middle" in str(found.damage)


def test_zeros_at_the_end_are_no_frames(whole: bytes, tmp_path: Path) -> None:
    """After a power cut a file may be as long as it was meant to be, and empty towards its end."""
    path = tmp_path / "zeros.mcap"
    begins, end = chunk_ends(whole, path)
    path.write_bytes(whole[: begins[-1]] + bytes(5000))
    assert read_raw(path) == RAW[:30]
    path.write_bytes(whole[: begins[-1] + 60] + bytes(end - begins[-1] - 60))
    assert read_raw(path) == RAW[:30]


def test_repair_makes_a_proper_file_and_leaves_the_old_one(whole: bytes, tmp_path: Path) -> None:
    path = tmp_path / "ride.mcap"
    begins, _ = chunk_ends(whole, path)
    path.write_bytes(whole[: begins[-1] + 33])
    made, found = repair(path)
    assert found.damage is not None
    assert path.read_bytes() == whole[: begins[-1] + 33]
    assert made.name == "ride_repaired.mcap"
    assert survey(made).damage is None
    assert read_raw(made) == RAW[:30]
    with made.open("rb") as file:
        reader = make_reader(file, validate_crcs=True)
        times = [message.log_time for _, _, message in reader.iter_messages()]
        notes = [metadata.metadata for metadata in reader.iter_metadata()]
    assert times == [entry.arrived_ns for entry in entries(found)]
    assert notes[0]["missing"] == str(found.damage)
    again, _ = repair(path)
    assert again.name == "ride_repaired_2.mcap"


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "found 0 bytes"),
        (b"%PDF-1.7 nonsense", "do not begin like one"),
        (b"\x89MCAP0\r\n", "no message in it"),
        (b"\x89MCAP0\r\n" + bytes(100), "the rest is damaged"),
    ],
)
def test_files_that_are_no_recordings(content: bytes, expected: str, tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    path.write_bytes(content)
    with pytest.raises(NoRecordingError, match=expected):
        survey(path)


class FullDisk:
    """Takes so many bytes and then none, as a full disk does."""

    def __init__(self, room: int) -> None:
        self.room = room

    def __call__(self, descriptor: int, data: bytes) -> int:
        if self.room == 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        written = os.write(descriptor, data[: self.room])
        self.room -= written
        return written


@pytest.mark.parametrize("room_in_the_last_chunk", [0, 1, 200])
def test_a_full_disk_keeps_what_is_there(room_in_the_last_chunk: int, tmp_path: Path) -> None:
    disk = FullDisk(10**6)
    writer = RecordingWriter(tmp_path, "ride", write=disk)
    for k, message in enumerate(MESSAGES):
        add(writer, message, 0.01 * k)
        if k == 19:
            writer.flush()
            disk.room = room_in_the_last_chunk
    size = writer.path.stat().st_size
    with pytest.raises(RecordingStoppedError, match=r"No space left on device\. The \d+ bytes"):
        writer.flush()
    assert writer.path.stat().st_size == size
    assert read_raw(writer.path) == RAW[:20]
    with pytest.raises(RecordingStoppedError), RecordingWriter(tmp_path, "b", write=FullDisk(0)):
        pass
