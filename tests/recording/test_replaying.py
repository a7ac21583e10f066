"""A recording played again: the same frames, in the same order, at the pace in which they came."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from livefit.frames import MarkerBlock, StreamInfo
from livefit.recording.reading import survey
from livefit.sources.base import Source
from livefit.sources.files import read_recording
from livefit.sources.reading import RecordingError
from livefit.sources.recording import open_recording
from livefit.sources.replayed import SEAM_S, RecordedReplay
from livefit.wire.blocks import pack_block
from livefit.wire.messages import DeviceState, Frames, Message
from tests.recording.recorded_examples import (
    INFO,
    cut_off,
    description,
    frames_of,
    messages_of,
    write,
)  # fmt: skip

BLOCK = frames_of(200)


class Clock:
    """Time that passes only while somebody waits."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


@pytest.fixture
def ride(tmp_path: Path) -> Path:
    return write(tmp_path, [description(), *messages_of(BLOCK, description())])


def played(source: Source, frames: int) -> list[MarkerBlock]:
    blocks: list[MarkerBlock] = []
    while sum(map(len, blocks)) < frames:
        block = source.read(0.02)
        if block is not None:
            blocks.append(block)
    return blocks


def same(one: MarkerBlock, other: MarkerBlock) -> bool:
    return all(
        getattr(one, name).tobytes() == getattr(other, name).tobytes()
        for name in ("numbers", "t", "positions")
    )


def test_every_frame_comes_back_bit_for_bit(ride: Path) -> None:
    source = open_recording({"path": str(ride), "speed": "0"})
    block = MarkerBlock.joined(played(source, 200))
    assert same(block, BLOCK)
    assert same(read_recording(ride).block, BLOCK)
    with pytest.raises(EOFError, match="played to its end"):
        source.read(0.0)
    source.close()


def test_frames_come_when_they_came(ride: Path) -> None:
    """Recorded 10 ms apart, played twice as fast."""
    clock = Clock()
    source = RecordedReplay(survey(ride), speed=2.0, clock=clock, sleep=clock.sleep)
    while True:
        try:
            block = source.read(0.02)
        except EOFError:
            break
        if block is not None:
            assert clock.now - 100.0 == pytest.approx(block.numbers[-1] * 0.01 / 2.0, abs=0.011)
    assert clock.now - 100.0 == pytest.approx(1.0, abs=0.02)


def test_playing_from_a_moment_on(ride: Path) -> None:
    source = open_recording({"path": str(ride), "speed": "0", "from": "1.5"})
    block = MarkerBlock.joined(played(source, 51))
    assert block.numbers[0] == 149  # 10 ms after the description, which came first.
    assert same(block, MarkerBlock(BLOCK.numbers[149:], BLOCK.t[149:], BLOCK.positions[149:]))
    with pytest.raises(ValueError, match="no frame to play from 60 s on"):
        open_recording({"path": str(ride), "from": "60"})


def test_a_table_is_played_from_a_moment_on(tmp_path: Path) -> None:
    path = tmp_path / "ride.csv"
    rows = [f"{k / 100},{k},0,1000,1,2,3" for k in range(100)]
    header = "time,R_VM_x,R_VM_y,R_VM_z,R_GT_x,R_GT_y,R_GT_z"
    path.write_text("\n".join(["# units: mm", header, *rows]))
    source = open_recording({"path": str(path), "speed": "0", "from": "0.25", "up": "+z"})
    block = source.read(0.0)
    assert block is not None
    assert block.positions[0, 0, 0] == 25.0
    with pytest.raises(ValueError, match=r"1\.0 s long"):
        open_recording({"path": str(path), "from": "7", "up": "+z"})


def test_rounds_follow_each_other_with_a_gap(ride: Path) -> None:
    clock = Clock()
    source = RecordedReplay(survey(ride), loop=True, clock=clock, sleep=clock.sleep)
    block = MarkerBlock.joined(played(source, 500))
    steps = np.diff(block.numbers)
    assert np.flatnonzero(steps > 1).tolist() == [199, 399]
    assert steps.max() == SEAM_S * INFO.rate_hz
    assert np.diff(block.t)[199] == pytest.approx(SEAM_S)
    assert (np.diff(block.t) > 0).all()
    assert clock.now - 100.0 == pytest.approx(block.t[-1], abs=0.05)
    assert block.positions[200:400].tobytes() == BLOCK.positions.tobytes()


def test_disorder_is_played_as_it_was_and_read_in_order(tmp_path: Path) -> None:
    """What the node makes of frames out of turn depends on their order, so that is kept."""
    frames = messages_of(BLOCK, description())
    frames[50], frames[51] = frames[51], frames[50]
    frames.insert(120, frames[118])
    path = write(tmp_path, [description(), *frames])
    source = open_recording({"path": str(path), "speed": "0"})
    numbers = np.concatenate([block.numbers for block in played(source, 201)])
    assert numbers.tolist() == [m.first for m in frames if isinstance(m, Frames)]
    recording = read_recording(path)
    assert same(recording.block, BLOCK)
    assert "1 of them twice" in recording.notes[0]


def test_a_source_that_began_again_is_a_stream_of_its_own(tmp_path: Path) -> None:
    other = StreamInfo(("R_CA", "R_VM", "R_GT"), 50.0, "+y")
    messages: list[Message] = [
        description("one"), *messages_of(frames_of(20), description("one")),
        description("two", other),
        *pack_block(frames_of(30), description("two", other)),
        DeviceState(stream="two", battery=0.25),
    ]  # fmt: skip
    path = write(tmp_path, messages)
    source = open_recording({"path": str(path), "speed": "0"})
    first = source.describe()
    assert first == INFO
    assert len(MarkerBlock.joined(played(source, 20))) == 20
    assert source.describe() is first
    assert len(played(source, 30)[0]) == 30
    assert source.describe() == other
    recording = read_recording(path)
    assert recording.info == other
    assert len(recording.block) == 30
    assert "began 2 times, with 20, 30 frames" in recording.notes[0]


def test_a_device_that_counted_anew_is_not_mixed(tmp_path: Path) -> None:
    described = description()
    frames = [*messages_of(frames_of(300), described), *messages_of(frames_of(99), described)]
    recording = read_recording(write(tmp_path, [described, *frames]))
    assert same(recording.block, frames_of(300))
    assert "began 2 times" in recording.notes[0]


def test_a_wrong_stamp_costs_no_more_than_it_did_live(tmp_path: Path) -> None:
    """Frame 100 says the time of frame 99; the protocol asks stamps to rise within a message."""
    info = replace(INFO, sampling="stamped")
    t = BLOCK.t.copy()
    t[100] = t[99]
    block = replace(BLOCK, t=t)
    described = description("abc", info)
    path = write(tmp_path, [described, *messages_of(block, described)])
    assert same(read_recording(path).block, block)
    source = open_recording({"path": str(path), "speed": "0"})
    blocks = played(source, 200)
    assert same(MarkerBlock.joined(blocks), block)
    assert all((np.diff(each.t) > 0).all() for each in blocks)


@pytest.mark.parametrize("unit", ["mm", "m"])
def test_precise_positions_are_played_in_full(unit: str, tmp_path: Path) -> None:
    """Metres and float64 would not survive as float32 millimetres."""
    described = description(precision="f8").model_copy(
        update={"unit": unit, "side": "right", "marker_set": "outside"}
    )
    block = replace(BLOCK, positions=BLOCK.positions / 3.0)
    source = open_recording(
        {"path": str(write(tmp_path, [described, *pack_block(block, described)])), "speed": "0"}
    )
    assert isinstance(source, RecordedReplay)
    known = source.described_as()
    assert known == {"side": "right", "marker_set": "outside", "precision": "f8"}
    scale = 1000.0 if unit == "m" else 1.0
    wanted = block.positions / scale * scale
    assert MarkerBlock.joined(played(source, 200)).positions.tobytes() == wanted.tobytes()


def test_options_of_a_recording(ride: Path) -> None:
    described = open_recording({"path": str(ride), "up": "-y"}).describe()
    assert described is not None
    assert described.up == "-y"
    assert read_recording(ride, up="-y").info.up == "-y"
    with pytest.raises(RecordingError, match="a recording says it"):
        open_recording({"path": str(ride), "units": "m"})
    with pytest.raises(RecordingError, match="up axis must be one of"):
        read_recording(ride, up="north")


def test_a_recording_without_frames(tmp_path: Path) -> None:
    path = write(tmp_path, [description()])
    with pytest.raises(RecordingError, match="no frame that can be read"):
        read_recording(path)
    with pytest.raises(RecordingError, match="no frame to play"):
        open_recording({"path": str(path)})


def test_damage_is_told_when_it_is_played(ride: Path, caplog: pytest.LogCaptureFixture) -> None:
    cut_off(ride)
    open_recording({"path": str(ride)}).close()
    assert "cut off before its end" in caplog.text
