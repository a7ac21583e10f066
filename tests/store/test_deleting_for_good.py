"""What is deleted is in no file of the store any more: the bytes are searched."""

from __future__ import annotations

import io
import sqlite3
from functools import partial
from pathlib import Path

import pytest

from livefit.store import database
from livefit.store.backup import open_store, write_backup
from livefit.store.deletion import delete_rider, delete_session
from livefit.store.errors import StoreError, UnknownError
from livefit.store.integrity import faults
from livefit.store.store import Store
from tests.store.store_examples import a_session, noted

SECRET = "Xanthippe Q. Unfindable"


def files_with(directory: Path, *texts: str) -> list[str]:
    return sorted(
        path.name
        for path in directory.rglob("*")
        if path.is_file() and any(text.encode() in path.read_bytes() for text in texts)
    )


def test_a_rider_is_gone_from_every_byte(local: Store) -> None:
    stays = a_session("Max Sample")
    local.add(stays)
    gone = [a_session(SECRET)]
    gone += [a_session(rider=gone[0].rider.model_dump(), bicycle=None) for _ in range(3)]
    for session in gone:
        local.add(session)
        for _ in range(3):
            note = f"{SECRET} said " + "x" * 3000
            local.change(session.id, partial(noted, note=note))
        local.add_file(session.id, "picture", io.BytesIO(SECRET.encode()), f"{SECRET[:9]}.png")
    directory = local.files.directory
    assert files_with(directory, SECRET) != []
    done = delete_rider(local, gone[0].rider.id)
    assert (done.sessions, done.files, done.backups) == (4, 4, ())
    assert files_with(directory, SECRET, SECRET[:9]) == []
    assert [one.name for one in local.riders()] == ["Max Sample"]
    assert local.get(stays.id).session == stays
    traces = local.traces()
    assert {(what, which) for _, what, which in traces} == {
        ("rider", gone[0].rider.id), *(("session", one.id) for one in gone),
    }  # fmt: skip
    assert list(faults(local)) == []
    with pytest.raises(UnknownError):
        delete_rider(local, gone[0].rider.id)


def test_without_the_pragmas_the_name_would_be_found(tmp_path: Path) -> None:
    """The search is able to find: plain SQLite leaves a deleted row's bytes in the file."""
    file = tmp_path / "plain.sqlite"
    raw = sqlite3.connect(file)
    raw.execute("PRAGMA secure_delete = OFF")
    raw.execute("CREATE TABLE rider (name TEXT)")
    raw.execute("INSERT INTO rider VALUES (?)", (SECRET,))
    raw.commit()
    raw.execute("DELETE FROM rider")
    raw.commit()
    raw.close()
    assert files_with(tmp_path, SECRET) == ["plain.sqlite"]


def test_a_deleted_session_leaves_the_rider(store: Store) -> None:
    one, other = a_session(), a_session("Max Sample")
    store.add(one)
    store.add(other)
    store.add_file(one.id, "recording", io.BytesIO(b"frames"), "ride.mcap")
    done = delete_session(store, one.id[:8])
    assert (done.sessions, done.files) == (1, 1)
    assert one.rider in store.riders()
    assert [line.id for line in store.sessions()] == [other.id]
    assert list(store.files.found()) == []
    # What comes back in a bundle can be deleted again.
    store.add(one)
    delete_session(store, one.id)
    assert [which for _, what, which in store.traces() if what == "session"] == [one.id]


def test_backups_that_still_hold_it_are_told(local: Store) -> None:
    local.add(other := a_session("Max Sample"))
    write_backup(local, local.backups / "before.zip")
    local.add(session := a_session())
    write_backup(local, local.backups / "with.zip")
    (local.backups / "broken.zip").write_bytes(b"?")
    done = delete_session(local, session.id)
    assert [path.name for path in done.backups] == ["broken.zip", "with.zip"]
    assert other.id in {line.id for line in local.sessions()}


def test_a_reader_that_holds_the_file_open_is_told_and_tidying_ends_it(
    local: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    pragmas = ("PRAGMA busy_timeout = 50", *database.PRAGMAS[1:])
    monkeypatch.setattr(database, "PRAGMAS", pragmas)
    local.add(session := a_session(SECRET))
    assert local.database.file is not None
    reader = sqlite3.connect(local.database.file)
    reader.execute("BEGIN")
    assert reader.execute("SELECT count(*) FROM rider").fetchone() == (1,)
    try:
        local.database.engine.dispose()
        with pytest.raises(StoreError, match="remains of it are still in the file"):
            delete_rider(local, session.rider.id)
    finally:
        reader.close()
    assert local.riders() == []
    local.database.forget()
    assert files_with(local.files.directory, SECRET) == []


def test_a_deletion_that_is_cut_short_can_be_repeated(
    local: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    local.add(session := a_session(SECRET))
    local.add_file(session.id, "picture", io.BytesIO(b"x"), "a.png")

    def fails(_: str) -> int:
        raise OSError("the disk is gone")

    with monkeypatch.context() as patch:
        patch.setattr(local.files, "drop_session", fails)
        with pytest.raises(OSError, match="disk is gone"):
            delete_rider(local, session.rider.id)
    assert local.get(session.id).session.pictures[0].name == "a.png"
    delete_rider(local, session.rider.id)
    with open_store(local.files.directory) as again:
        assert again.riders() == []
