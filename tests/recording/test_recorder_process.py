"""The real recorder, killed at several moments and on a disk that fills up."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from livefit.frames import MarkerBlock
from livefit.recording.reading import entries, survey
from livefit.wire.blocks import pack_block
from livefit.wire.codec import decode, encode
from livefit.wire.messages import Frames
from livefit.wire.sockets import Publisher
from tests.recording.recorded_examples import description, frames_of
from tests.recording.recorder_process import Recorder, recorded, send, wait_until

pytestmark = pytest.mark.timeout(180)

A_MESSAGE, AT_ONCE = 20, 200
"""Frames a message, and messages that are sent before the next chunk is waited for."""


def messages(count: int) -> list[Frames]:
    block = frames_of(count * A_MESSAGE)
    rows = (slice(k, k + A_MESSAGE) for k in range(0, len(block), A_MESSAGE))
    parts = (MarkerBlock(block.numbers[r], block.t[r], block.positions[r]) for r in rows)
    return [message for part in parts for message in pack_block(part, description())]


FRAMES = messages(3000)
RAW = [encode(message) for message in FRAMES]


def frames_in(path: Path) -> list[bytes]:
    return [entry.raw for entry in entries(survey(path), topics=("frames",))]


def feed(publisher: Publisher, recorder: Recorder, enough: int) -> int:
    """Send messages until so many bytes are in the file or the recorder ended; returns how many."""
    wait_until(lambda: bool(publisher.listeners("frames")), publisher.serve)
    wait_until(lambda: any(recorder.into.glob("*.mcap")))

    def ended() -> bool:
        return recorder.process.poll() is not None

    def grown_or_ended(size: int) -> bool:
        return recorder.path.stat().st_size > size or ended()

    sent = 0
    while sent < len(FRAMES) and recorder.path.stat().st_size < enough:
        size = recorder.path.stat().st_size
        for message in FRAMES[sent : sent + AT_ONCE]:
            send(publisher, message)
        sent += AT_ONCE
        wait_until(partial(grown_or_ended, size), publisher.serve)
        if ended():
            break
    return sent


@pytest.mark.parametrize("moment", [1, 200_000, 700_000])
def test_killed_at_any_moment_it_leaves_what_was_written(moment: int, tmp_path: Path) -> None:
    with (
        Recorder(tmp_path).start() as recorder,
        Publisher(recorder.frames, cached=["description"], lossless=True) as publisher,
    ):
        publisher.publish(description())
        sent = feed(publisher, recorder, moment)
        before = recorder.path.read_bytes()
        recorder.kill()
        assert recorder.path.read_bytes().startswith(before)
        if moment > 1:
            found = frames_in(recorder.path)
            assert 0 < len(found) <= sent
            assert found == RAW[: len(found)]
            assert "cut off before its end" in str(survey(recorder.path).damage)


def test_ctrl_c_closes_the_file(tmp_path: Path) -> None:
    with (
        Recorder(tmp_path).start() as recorder,
        Publisher(recorder.frames, cached=["description"], lossless=True) as publisher,
    ):
        publisher.publish(description())
        wait_until(lambda: bool(publisher.listeners("frames")), publisher.serve)
        for message in FRAMES[:500]:
            send(publisher, message)
        wait_until(lambda: len(recorded(tmp_path)) == 501, publisher.serve)
        status, said = recorder.interrupt()
        assert status == 0, said
        assert "10000 frames, 0 lost" in said
        assert str(recorder.path) in said
        assert survey(recorder.path).damage is None
        assert frames_in(recorder.path) == RAW[:500]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MB in memory."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)]
    try:
        done = subprocess.run(mount, capture_output=True, text=True, check=False)
    except OSError as error:
        pytest.skip(f"a small disk cannot be mounted here: {error}")
    if done.returncode:
        pytest.skip(f"a small disk cannot be mounted here: {done.stderr.strip()}")
    yield disk
    subprocess.run(["umount", "--lazy", str(disk)], check=True)


@pytest.mark.parametrize(
    ("keep_free_mb", "status", "told", "damaged"),
    [
        ("0.5", 1, "the recording ended because only 0.5 MB are left on the disk", False),
        ("0", 2, "No space left on device", True),
    ],
)
def test_a_disk_that_fills_up(
    small_disk: Path, keep_free_mb: str, status: int, told: str, damaged: bool
) -> None:
    with (
        Recorder(small_disk / "rides").start("--keep-free-mb", keep_free_mb) as recorder,
        Publisher(recorder.frames, cached=["description"], lossless=True) as publisher,
    ):
        publisher.publish(description())
        assert feed(publisher, recorder, 10**9) < len(FRAMES)
        ended, said = recorder.ended()
        assert ended == status, said
        assert told in said
        found = survey(recorder.path)
        assert (found.damage is not None) == damaged
        frames = frames_in(recorder.path)
        assert len(frames) > AT_ONCE
        assert frames == RAW[: len(frames)]
        assert decode(Frames, frames[-1]).first == A_MESSAGE * (len(frames) - 1)
