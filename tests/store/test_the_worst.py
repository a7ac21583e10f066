"""Killed, full, locked, forbidden: nothing that was said to be written is lost."""

from __future__ import annotations

import io
import json
import os
import resource
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from livefit.store.backup import open_store
from livefit.store.errors import ConflictError, StoreError
from livefit.store.integrity import faults
from livefit.store.store import Store
from tests.store.store_examples import a_session, noted

ROOT = Path(__file__).parents[2]
KILLS = 40
SEED = 20


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_writer_killed_at_any_moment_loses_nothing_it_was_told(tmp_path: Path) -> None:
    """Forty times, in four stores, so that most begin where another was killed."""
    program = [sys.executable, str(ROOT / "tests/store/killed_writer.py")]
    done = subprocess.run(
        [*program, str(tmp_path), str(SEED), str(KILLS)],
        capture_output=True, text=True, timeout=110, check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(told) == KILLS
    assert sum(map(len, told)) > 2 * KILLS
    unfinished = 0
    for k in range(4):
        with open_store(tmp_path / str(k)) as store:
            found = list(faults(store))
            unfinished += len(found)
            # A file may be there whose note was not yet written, but never the other way.
            assert all(line.startswith(("unfinished", "unknown")) for line in found), found
            for each in (one for j in range(KILLS) if (SEED + j) % 4 == k for one in told[j]):
                what, which, *more = each
                session = store.get(which).session
                if what == "note":
                    assert more[0] in session.notes
                elif what == "picture":
                    assert more[0] in {picture.name for picture in session.pictures}
                    assert store.files.path(which, "picture", more[0]).stat().st_size == more[1]
    assert unfinished < KILLS


def test_two_writers_at_once_lose_nothing(store: Store) -> None:
    """Four threads, each with connections of its own, add to one session."""
    session = store.add(a_session(notes=[])).session
    refused: list[ConflictError] = []

    def write(name: str) -> None:
        for k in range(8):
            while True:
                try:
                    store.save(loaded := store.get(session.id), noted(loaded.session, f"{name}{k}"))
                except ConflictError as error:
                    refused.append(error)
                else:
                    break

    threads = [threading.Thread(target=write, args=(name,)) for name in "abcd"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    notes = store.get(session.id).session.notes
    assert sorted(notes) == sorted(f"{name}{k}" for name in "abcd" for k in range(8))
    assert store.get(session.id).revision == 33


def test_a_writer_that_waits_too_long_is_told(
    local: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    with local.database.writing():
        monkeypatch.setattr("livefit.store.database.PRAGMAS", ("PRAGMA busy_timeout = 50",))
        with open_store(local.files.directory) as other:
            with pytest.raises(StoreError, match="another program has been writing for"):
                other.add(a_session())
            assert other.sessions() == []
    local.add(a_session())


def test_a_full_disk_is_told_and_what_was_there_stays(tmp_path: Path) -> None:
    """The limit on a file's size stands for the disk: no file grows beyond 256 kB."""
    program = """
import io, resource, signal, sys
from pathlib import Path
from livefit.store.backup import open_store, write_backup
from livefit.store.errors import StoreError
from tests.store.store_examples import a_session
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
with open_store(Path(sys.argv[1])) as store:
    first = store.add(a_session()).session
    store.add_file(first.id, "picture", io.BytesIO(bytes(1000)), "a.png")
    resource.setrlimit(resource.RLIMIT_FSIZE, (2**18, 2**18))
    for action in (
        lambda: store.add(a_session(notes=["x" * 20000] * 30)),
        lambda: store.add_file(first.id, "picture", io.BytesIO(bytes(2**20)), "b.png"),
        lambda: [store.add(a_session(notes=["x" * 20000])) for _ in range(40)],
    ):
        try:
            action()
        except StoreError as error:
            print(error)
        else:
            print("nothing was said")
    print(first.id)
"""
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "s")], capture_output=True, text=True,
        timeout=60, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    large, picture, many, which = done.stdout.splitlines()
    for line in (large, many):
        assert "nothing was written" in line
        assert "make room on the disk" in line
    assert "b.png cannot be written: File too large. Nothing of it was kept: make room" in picture
    with open_store(tmp_path / "s") as store:
        assert list(faults(store)) == []
        assert [picture.name for picture in store.get(which).session.pictures] == ["a.png"]
        assert len(store.sessions()) < 40
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 2**18


TOGETHER = """
import sys
from pathlib import Path
from livefit.store.backup import open_store
from livefit.store.errors import StoreError
from tests.store.store_examples import a_session
place = sys.argv[1] if "://" in sys.argv[1] else Path(sys.argv[1])
sys.stdin.readline()
with open_store(place, files=Path(sys.argv[2])) as store:
    for _ in range(10):
        print(store.add(a_session()).session.id, flush=True)
"""


@pytest.mark.parametrize("where", ["sqlite", "postgresql"])
def test_three_programs_begin_a_store_at_once(
    where: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    place = request.getfixturevalue("database") if where == "postgresql" else str(tmp_path / "s")
    words = [sys.executable, "-c", TOGETHER, place, str(tmp_path / "s")]
    programs = [
        subprocess.Popen(
            words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            text=True, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        for _ in range(3)
    ]  # fmt: skip
    told: set[str] = set()
    for program in programs:
        assert program.stdin is not None
        program.stdin.write("go\n")
        program.stdin.flush()
    for program in programs:
        said, complaint = program.communicate(timeout=100)
        assert program.returncode == 0, complaint
        told.update(said.split())
    assert len(told) == 30
    with open_store(place, files=tmp_path / "s") as store:
        assert {line.id for line in store.sessions()} == told
        assert list(faults(store)) == []


FORBIDDEN = """
import io, os, sys
from pathlib import Path
from livefit.store.backup import open_store
from livefit.store.errors import StoreError
from tests.store.store_examples import a_session
if os.getuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
try:
    with open_store(Path(sys.argv[1])) as store:
        print("opened")
        store.add(a_session())
except StoreError as error:
    print(error)
"""


@pytest.mark.parametrize("what", ["directory", "file"])
def test_a_store_that_may_not_be_written(tmp_path: Path, what: str) -> None:
    """As another user, for root may do everything."""
    place = Path("/tmp") / f"livefit-forbidden-{os.getpid()}-{what}"
    with open_store(place) as store:
        store.add(a_session())
    try:
        if what == "file":
            place.chmod(0o755)
            (place / "store.sqlite").chmod(0o444)
        elif os.getuid() != 0:
            place.chmod(0o500)
            (place / "store.sqlite").chmod(0o400)
        done = subprocess.run(
            [sys.executable, "-c", FORBIDDEN, str(place)], capture_output=True, text=True,
            timeout=60, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        assert "cannot be opened" in done.stdout
        assert "Permission denied" in done.stdout
    finally:
        place.chmod(0o700)
        (place / "store.sqlite").chmod(0o600)
        with open_store(place) as store:
            assert len(store.sessions()) == 1
        for path in sorted(place.rglob("*"), reverse=True):
            path.unlink() if path.is_file() else path.rmdir()
        place.rmdir()
    assert not list(tmp_path.iterdir())


def test_a_picture_that_cannot_be_noted_is_not_kept(
    local: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    local.add(session := a_session())

    def fails(*_: object) -> None:
        raise StoreError("the note cannot be written")

    monkeypatch.setattr(local, "note_file", fails)
    with pytest.raises(StoreError, match="the note"):
        local.add_file(session.id, "picture", io.BytesIO(b"x"), "a.png")
    assert list(local.files.found()) == []
    assert list(faults(local)) == []
