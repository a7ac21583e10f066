"""Directories and files that may not be written or read: each is said clearly, nothing is lost.

Root is bound by permissions here as everybody else is (capabilities(7)); the recorder as a process
under lost permissions is in the torture (`test_torture`).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from livefit.cli.main import app
from livefit.private_files import NotWrittenError, make_private_directory, write_private
from livefit.recording.errors import RecordingFileError, RecordingStoppedError
from livefit.recording.reading import entries, survey
from livefit.recording.recorder import RecordingRun, new_recording
from livefit.recording.repair import repair
from livefit.recording.writing import RecordingWriter
from livefit.sources.files import read_recording
from livefit.sources.reading import RecordingError
from livefit.sources.recording import open_recording
from livefit.wire.codec import encode
from tests.recording.permissions import bound_by_permissions, immutable
from tests.recording.recorded_examples import add, description, frames_of, messages_of, write

MESSAGES = [description(), *messages_of(frames_of(39), description())]
RAW = [encode(message) for message in MESSAGES]
MAY_WRITE = r"Permission denied\. Expected a directory that you may write: see whose it is"
MAY_READ = r"Permission denied\. Expected a file that you may read: work as the user"


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Path]:
    """A directory, with the permissions of which a test may do what it likes."""
    made = tmp_path / "rides"
    made.mkdir()
    try:
        with bound_by_permissions(tmp_path):
            yield made
    except PermissionError as error:
        pytest.skip(f"no permission can be lost here: {error}")
    finally:
        made.chmod(0o700)


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.mark.parametrize("mode", [0o500, 0o000])
@pytest.mark.parametrize("name", ["", "today", "of/today"])
def test_a_recording_that_cannot_begin(place: Path, name: str, mode: int) -> None:
    place.chmod(mode)
    with pytest.raises(RecordingFileError, match=rf"made in {place / name}: {MAY_WRITE}.*--into"):
        new_recording(place / name, keep_free=0)
    told = run("record", "--into", place / name)
    assert told.exit_code == 2
    assert "livefit: no recording can be made in" in told.stderr
    assert "[Errno" not in told.stderr
    place.chmod(0o700)
    assert list(place.iterdir()) == []


def test_a_directory_that_is_shut_meanwhile_stops_nothing(place: Path) -> None:
    """The open file goes on: it is written, the disk's room is known, and it is closed."""
    writer = RecordingWriter(place, "ride")
    now = [100.0]
    going = RecordingRun(writer, {}, keep_free=0, clock=lambda: now[0])
    for k, message in enumerate(MESSAGES):
        going.take("frames" if k else "description", message, RAW[k], now[0])
        if k == 20:
            place.chmod(0)
        now[0] += 1.0
        assert going.tick()
    assert going.progress(0).left_s is not None
    going.close()
    assert going.progress(0).frames == 39
    with pytest.raises(RecordingFileError, match=MAY_READ):
        survey(writer.path)
    place.chmod(0o700)
    found = survey(writer.path)
    assert found.damage is None
    assert [entry.raw for entry in entries(found)] == RAW


def test_a_file_that_may_not_be_written_on_any_more(tmp_path: Path) -> None:
    writer = RecordingWriter(tmp_path, "ride")
    for message in MESSAGES[:20]:
        add(writer, message, 0.0)
    writer.flush()
    for message in MESSAGES[20:]:
        add(writer, message, 0.0)
    expected = rf"{writer.path} cannot be written on.*The \d+ bytes before are kept.*see whose"
    try:
        with immutable(writer.path), pytest.raises(RecordingStoppedError, match=expected):
            writer.flush()
    except PermissionError as error:
        writer.close()
        pytest.skip(f"a file cannot be made immutable here: {error}")
    assert writer.path.stat().st_size == writer.size
    assert [entry.raw for entry in entries(survey(writer.path))] == RAW[:20]


def test_a_recording_that_may_not_be_read(place: Path) -> None:
    path = write(place, MESSAGES)
    found = survey(path)
    path.chmod(0)
    for refused in (survey, repair, lambda path: open_recording({"path": str(path)})):
        with pytest.raises(RecordingFileError, match=f"{path}: cannot be opened: {MAY_READ}"):
            refused(path)
    with pytest.raises(RecordingFileError, match=MAY_READ):
        list(entries(found))
    with pytest.raises(RecordingError, match=f"{path}: cannot be opened: {MAY_READ}"):
        read_recording(path)
    for command in (["analyse"], ["replay"], ["record", "--repair"]):
        told = run(*command, path)
        assert told.exit_code == 2
        assert f"livefit: {path}: cannot be opened: Permission denied. Expected" in told.stderr
    path.chmod(0o600)
    assert len(read_recording(path).block) == 39


def test_a_table_that_may_not_be_read(place: Path) -> None:
    for ending in ("csv", "trc", "c3d"):
        path = place / f"ride.{ending}"
        path.touch(mode=0)
        with pytest.raises(RecordingError, match=f"{path}: cannot be opened: {MAY_READ}"):
            read_recording(path)


def test_repair_where_nothing_may_be_written(place: Path, tmp_path: Path) -> None:
    """As on a medium that is mounted read-only: the copy can go elsewhere."""
    path = write(place, MESSAGES)
    whole = path.read_bytes()
    path.write_bytes(whole[:-2000])
    place.chmod(0o500)
    with pytest.raises(RecordingFileError, match=f"made in {place}: {MAY_WRITE}"):
        repair(path)
    told = run("record", "--repair", path, "--into", tmp_path / "elsewhere")
    assert told.exit_code == 0, told.stderr
    (copy,) = (tmp_path / "elsewhere").iterdir()
    raws = [entry.raw for entry in entries(survey(path))]
    assert [entry.raw for entry in entries(survey(copy))] == raws
    assert len(raws) >= 30
    assert path.read_bytes() == whole[:-2000]


def test_a_place_that_is_only_read_is_enough_to_read(place: Path) -> None:
    path = write(place, MESSAGES)
    path.chmod(0o400)
    place.chmod(0o500)
    assert len(read_recording(path).block) == 39
    source = open_recording({"path": str(path), "speed": "0"})
    block = source.read(0.0)
    source.close()
    assert block is not None
    assert len(block) == 39
    assert [child.name for child in place.iterdir()] == [path.name]


def test_results_where_nothing_may_be_written(place: Path) -> None:
    """Said is the file that was asked for, not the one that was to become it."""
    kept = place / "results.json"
    kept.write_text("before")
    place.chmod(0o500)
    expected = f"{kept} cannot be written: Permission denied. Nothing was changed. Expected"
    with pytest.raises(NotWrittenError, match=expected):
        write_private(kept, "after")
    with pytest.raises(NotWrittenError, match=f"{place}/of cannot be written: Permission denied"):
        make_private_directory(place / "of")
    assert kept.read_text() == "before"
    assert len(list(place.iterdir())) == 1


def test_a_store_where_nothing_may_be_written(place: Path) -> None:
    told = run("store", "check", "--store", place / "store")
    assert told.exit_code == 0, told.stderr
    place.chmod(0o500)
    (place / "store").chmod(0o500)
    (place / "store" / "store.sqlite").chmod(0o400)
    for at in ("store", "other"):
        told = run("session", "list", "--store", place / at)
        assert told.exit_code == 2
        assert f"the store {place / at}" in told.stderr
        assert "Permission denied" in told.stderr
        assert "see whose" in told.stderr
    (place / "store").chmod(0o700)
