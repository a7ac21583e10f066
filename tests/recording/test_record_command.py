"""``livefit record`` as it is typed."""

from __future__ import annotations

from pathlib import Path

from typer.testing import CliRunner

from livefit.cli.main import app
from livefit.recording.reading import survey
from tests.recording.recorded_examples import cut_off, description, frames_of, messages_of, write


def test_repair_says_what_is_missing(tmp_path: Path) -> None:
    path = write(tmp_path, [description(), *messages_of(frames_of(99), description())])
    cut_off(path)
    done = CliRunner().invoke(app, ["record", "--repair", str(path)])
    assert done.exit_code == 0, done.output
    assert "ride.mcap: the recording was cut off before its end" in done.output
    assert "ride.mcap was left as it is" in done.output
    assert survey(tmp_path / "ride_repaired.mcap").damage is None


def test_what_is_no_recording_cannot_be_repaired(tmp_path: Path) -> None:
    path = tmp_path / "ride.mcap"
    path.write_text("a shopping list")
    done = CliRunner().invoke(app, ["record", "--repair", str(path)])
    assert done.exit_code == 2
    assert "expected an MCAP file" in done.output
    assert list(tmp_path.iterdir()) == [path]
    assert CliRunner().invoke(app, ["record", "--repair", str(tmp_path / "none")]).exit_code == 2


def test_no_room_ends_it_at_once(tmp_path: Path) -> None:
    into = ["--into", str(tmp_path / "rides"), "--keep-free-mb", "1e12"]
    done = CliRunner().invoke(app, ["record", *into])
    assert done.exit_code == 2
    assert "nearly full" in done.output
