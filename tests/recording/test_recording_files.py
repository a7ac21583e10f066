"""Names and rights of recordings: health data, never written over."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from livefit.recording.recorder import new_recording
from livefit.recording.writing import RecordingWriter


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no file modes")
@pytest.mark.parametrize("umask", [0o000, 0o022])
def test_only_the_owner_can_read_a_recording(umask: int, tmp_path: Path) -> None:
    before = os.umask(umask)
    try:
        with RecordingWriter(tmp_path / "of" / "riders", "ride") as writer:
            assert mode(writer.path) == 0o600
    finally:
        os.umask(before)
    assert mode(writer.path) == 0o600
    assert mode(writer.path.parent) == 0o700


@pytest.mark.skipif(os.name == "nt", reason="Windows has no file modes")
def test_a_directory_that_was_there_is_left_as_it_is(tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    with RecordingWriter(tmp_path, "ride"):
        pass
    assert mode(tmp_path) == 0o755


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "ride.mcap").write_bytes(b"precious")
    (tmp_path / "ride_2.mcap").symlink_to(tmp_path / "elsewhere")
    with RecordingWriter(tmp_path, "ride") as writer:
        pass
    assert writer.path.name == "ride_3.mcap"
    assert (tmp_path / "ride.mcap").read_bytes() == b"precious"
    assert not (tmp_path / "elsewhere").exists()


def test_recordings_of_the_same_second_have_names_of_their_own(tmp_path: Path) -> None:
    paths = set()
    for _ in range(3):
        with new_recording(tmp_path, keep_free=0) as writer:
            paths.add(writer.path)
    assert len(paths) == 3


def test_no_room_is_told_before_the_ride(tmp_path: Path) -> None:
    with pytest.raises(OSError, match=r"nearly full.*Make room"):
        new_recording(tmp_path, keep_free=2**62)
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_place_of_the_directory(tmp_path: Path) -> None:
    (tmp_path / "rides").write_text("a shopping list")
    with pytest.raises(NotADirectoryError, match="expected a directory"):
        RecordingWriter(tmp_path / "rides", "ride")
