"""What is kept comes back as it was, is found, and is never written over unseen.

Each test runs in SQLite and in PostgreSQL. Outside witnesses: the pydantic models the documents
are compared as, and the standard library's own ``sqlite3`` looking into the file.
"""

from __future__ import annotations

import io
import os
import sqlite3
import stat
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from livefit.session.models import Person
from livefit.store.backup import open_store
from livefit.store.errors import ConflictError, StoreError, UnknownError
from livefit.store.integrity import faults
from livefit.store.rows import Wanted
from livefit.store.store import Store
from tests.store.store_examples import BEGAN, a_session, noted


def test_a_session_comes_back_as_it_was(store: Store) -> None:
    session = a_session(notes=["ä 漢 \U0001f6b4 'quoted' \"twice\" \\ \n end"])
    store.add(session)
    assert store.get(session.id).session == session
    assert store.get(session.id[:6]).session == session
    assert store.riders() == [session.rider]
    assert store.bicycles(session.rider.id) == [session.bicycle]


def test_what_is_not_there_is_said_clearly(store: Store) -> None:
    session = a_session()
    store.add(session)
    for wrong in ("abc", session.id[:3], "f" * 32, "%", "____"):
        with pytest.raises(UnknownError, match="none begins with"):
            store.get(wrong)
    with pytest.raises(UnknownError, match=r"no rider fits 'Anton'.*Zoë Probe"):
        store.rider("Anton")
    store.add_rider(Person(name="Zoë Sample"))
    with pytest.raises(UnknownError, match="2 riders fit 'zoe'"):
        store.rider("zoe")
    assert store.rider("ZOE PROBE") == session.rider
    with pytest.raises(StoreError, match="is in the store already"):
        store.add(session)


def test_sessions_are_found_by_each_column(store: Store) -> None:
    one = a_session("Zoë Probe")
    other = a_session(
        "Max 100% Sample",
        began=BEGAN + timedelta(days=40),
        discipline="time_trial",
        fitter="Someone",
        closed=True,
    )
    store.add(one)
    store.add(other)
    assert [line.id for line in store.sessions()] == [other.id, one.id]
    for wanted, found in [
        (Wanted(rider="zoe"), [one]),
        (Wanted(rider="100%"), [other]),
        (Wanted(rider="1_0"), []),
        (Wanted(rider_id=one.rider.id), [one]),
        (Wanted(bicycle="EXAMPLE"), [other, one]),
        (Wanted(discipline="time_trial"), [other]),
        (Wanted(fitter="itt"), [one]),
        (Wanted(since=date(2026, 3, 10)), [other]),
        (Wanted(until=date(2026, 3, 9)), [one]),
        (Wanted(closed=True), [other]),
        (Wanted(text="WRIST, 2019"), [other, one]),
        (Wanted(text="Sample"), [other]),
        (Wanted(text="' OR 1=1"), []),
    ]:
        assert [line.id for line in store.sessions(wanted)] == [each.id for each in found], wanted


def test_a_second_writer_gets_an_error_and_nothing_is_lost(store: Store) -> None:
    session = a_session()
    first = store.add(session)
    second = store.get(session.id)
    store.save(first, noted(first.session, "by the first"))
    with pytest.raises(ConflictError, match=r"revision 2, yours was 1\). Nothing was written"):
        store.save(second, noted(second.session, "by the second"))
    assert store.get(session.id).session.notes[-1] == "by the first"
    store.change(session.id, lambda now: noted(now, "by the second"))
    assert store.get(session.id).session.notes[-2:] == ["by the first", "by the second"]


def test_a_name_that_is_corrected_is_correct_everywhere_and_not_undone(store: Store) -> None:
    session = a_session()
    again = a_session(
        rider=session.rider.model_dump(), bicycle=session.bicycle and session.bicycle.model_dump()
    )
    store.add(session)
    old = store.add(again)
    renamed = session.rider.model_copy(update={"name": "Zoë Sample"})
    loaded = store.get(session.id)
    store.save(loaded, loaded.session.model_copy(update={"rider": renamed}))
    assert store.get(again.id).session.rider.name == "Zoë Sample"
    # Read before the correction: the note goes in, the old name does not come back.
    store.save(old, noted(old.session, "read before"))
    found = store.get(again.id).session
    assert (found.rider.name, found.notes[-1]) == ("Zoë Sample", "read before")
    other = old.session.rider.model_copy(update={"name": "Zoë Other"})
    with pytest.raises(ConflictError, match="the rider"):
        store.save(replace(old, revision=2), old.session.model_copy(update={"rider": other}))
    assert store.riders()[0].name == "Zoë Sample"


def test_a_bicycle_of_another_rider_is_refused(store: Store) -> None:
    other = a_session("Max Sample")
    with pytest.raises(StoreError, match="belongs to another rider"):
        store.add(a_session(bicycle=other.bicycle and other.bicycle.model_dump()))
    assert store.sessions() == []


def test_files_are_copied_noted_and_private(store: Store) -> None:
    session = a_session()
    store.add(session)
    first = store.add_file(session.id, "picture", io.BytesIO(b"one"), "a.png", "Side view")
    second = store.add_file(session.id, "picture", io.BytesIO(b"two"), "a.png")
    store.add_file(session.id, "recording", io.BytesIO(b"frames"), "ride.mcap")
    assert (first.name, second.name) == ("a.png", "a_2.png")
    found = store.get(session.id).session
    assert [(each.name, each.title) for each in found.pictures] == [
        ("a.png", "Side view"),
        ("a_2.png", ""),
    ]
    assert found.recordings == ["ride.mcap"]
    assert list(faults(store)) == []
    for path in store.files.directory.rglob("*"):
        wanted = 0o700 if path.is_dir() else 0o600
        assert stat.S_IMODE(path.stat().st_mode) == wanted, path


@pytest.mark.parametrize(
    "name", ["../a.png", "/etc/a", "a/b.png", ".hidden", "a\x00.png", "", "con", "NUL.txt", "a."]
)
def test_no_name_leads_outside(local: Store, name: str) -> None:
    session = a_session()
    local.add(session)
    with pytest.raises(StoreError, match="a file's name is made of letters"):
        local.add_file(session.id, "picture", io.BytesIO(b"x"), name)
    assert list(local.files.found()) == []


def test_faults_are_found(local: Store) -> None:
    session = a_session()
    local.add(session)
    for name in ("gone.png", "changed.png"):
        local.add_file(session.id, "picture", io.BytesIO(name.encode()), name)
    folder = local.files.folder(session.id, "picture")
    (folder / "gone.png").unlink()
    (folder / "changed.png").write_bytes(b"changed.pnG")
    (folder / "strange.png").touch(mode=0o644)
    (folder / "x.png.0123.part").touch(mode=0o600)
    found = sorted(faults(local))
    assert [line.split(":")[0] for line in found] == [
        "can be read by others", "changed", "missing", "unfinished, can be removed", "unknown",
    ]  # fmt: skip
    assert "strange.png" in found[0]


def test_the_file_is_what_it_should_be(tmp_path: Path) -> None:
    old = os.umask(0o000)
    try:
        with open_store(tmp_path / "a" / "store") as store:
            store.add(a_session())
            with store.database.reading() as connection:
                wal = store.files.directory / "store.sqlite-wal"
                assert connection.exec_driver_sql("PRAGMA secure_delete").scalar_one() == 1
                assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar_one() == 1
                assert stat.S_IMODE(wal.stat().st_mode) == 0o600
    finally:
        os.umask(old)
    for path in (tmp_path / "a", tmp_path / "a" / "store"):
        assert stat.S_IMODE(path.stat().st_mode) == 0o700
    file = tmp_path / "a" / "store" / "store.sqlite"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    raw = sqlite3.connect(file)
    try:
        assert raw.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert raw.execute("SELECT version_num FROM alembic_version").fetchone() == ("0002",)
        (text,) = raw.execute("SELECT document FROM session").fetchone()
        assert "Zoë" not in text  # The name is in the rider's row alone.
    finally:
        raw.close()


def test_places_that_are_none(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("x")
    with pytest.raises(StoreError, match="expected a directory, found a file"):
        open_store(file)
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "store.sqlite").write_bytes(b"no database at all, but long enough" * 100)
    with pytest.raises(StoreError, match="is damaged or no store"):
        open_store(tmp_path / "b")
    with pytest.raises(StoreError, match=r"expected a directory or a postgresql:// URL"):
        open_store("mysql://somewhere/x", files=tmp_path)
    raw = sqlite3.connect(tmp_path / "other.sqlite")
    raw.execute("CREATE TABLE songs (title)")
    raw.commit()
    raw.close()
    (tmp_path / "c").mkdir()
    (tmp_path / "other.sqlite").rename(tmp_path / "c" / "store.sqlite")
    with pytest.raises(StoreError, match="found the tables songs"):
        open_store(tmp_path / "c")
