"""``livefit keys``, and that the other commands heed what it made."""

from __future__ import annotations

import stat
from collections.abc import Callable
from pathlib import Path

import pytest
import zmq
import zmq.auth
from typer.testing import CliRunner, Result

from livefit.cli.main import app

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    def run(*words: str) -> Result:
        environment = {"LIVEFIT_KEYS": str(tmp_path / "keys"), "COLUMNS": "200"}
        return CliRunner().invoke(app, words, env=environment)

    return run


def test_what_make_says_is_what_the_other_machine_needs(run: Run, tmp_path: Path) -> None:
    said = run("keys", "make", "fitting-room").output
    public, secret = zmq.auth.load_certificate(tmp_path / "keys" / "fitting-room.key_secret")
    assert secret is not None
    assert f"livefit keys allow '{public.decode()}' --name fitting-room" in said
    assert secret.decode() not in said
    other = ["--directory", str(tmp_path / "other")]
    assert run("keys", "allow", public.decode(), "--name", "fitting-room", *other).exit_code == 0
    listed = run("keys", "list", *other).output
    assert f"{public.decode()}  fitting-room: may watch and control" in listed
    assert "no pair of this machine's own yet: livefit keys make NAME" in listed
    file = tmp_path / "other" / "others" / "fitting-room.key"
    assert zmq.auth.load_certificate(file) == (public, None)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_a_key_is_allowed_to_watch_and_forgotten(run: Run) -> None:
    public = zmq.curve_keypair()[0].decode()
    assert run("keys", "allow", "--name", "tablet", "--watch-only", "--", public).exit_code == 0
    assert f"{public}  tablet: may watch only" in run("keys", "list").output
    assert run("keys", "forget", "tablet").exit_code == 0
    assert "tablet" not in run("keys", "list").output
    again = run("keys", "forget", "tablet")
    assert again.exit_code == 2
    assert "nobody is called 'tablet'" in again.output


@pytest.mark.parametrize(
    "words",
    [
        ("process", "--results", "tcp://0.0.0.0:0"),
        ("process", "--control", "tcp://0.0.0.0:0", "--results", "tcp://127.0.0.1:0"),
        ("capture", "simulated", "--frames", "tcp://*:0"),
    ],
)
def test_no_process_listens_openly_beyond_the_loopback(run: Run, words: tuple[str, ...]) -> None:
    refused = run(*words)
    assert refused.exit_code == 2
    assert "without keys" in refused.output
    assert "livefit keys make NAME" in refused.output
