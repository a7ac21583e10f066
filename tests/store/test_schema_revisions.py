"""Every schema that there has been is brought up to date, a newer one is refused.

The old database is made by the old migration itself, and filled with plain SQL.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import sqlalchemy as sa

from livefit.session.models import FitSession
from livefit.store.backup import open_store, restore_backup, write_backup
from livefit.store.errors import StoreError
from livefit.store.integrity import faults
from livefit.store.rows import Wanted
from livefit.store.schema import HEAD, METADATA, REVISIONS
from livefit.store.store import Store
from tests.store.store_examples import a_session


def old_store(place: Path | str, files: Path) -> FitSession:
    """Make a store of the first schema with one session in it."""
    session = a_session()
    document = json.loads(session.model_dump_json())
    rider, bicycle = document.pop("rider"), document.pop("bicycle")
    with Store(place, files=files, schema="0001") as store:
        old = sa.MetaData()
        with store.database.writing() as connection:
            old.reflect(connection)
            kept = {"revision": 3, "changed": session.began.replace(tzinfo=None)}
            assert "trace" not in old.tables
            assert "fitter" not in old.tables["session"].c
            rows = {
                "rider": {"id": rider["id"], "name": rider["name"], "sought": "zoe probe"},
                "bicycle": {"id": bicycle["id"], "rider": rider["id"], "sought": "red one"},
                "session": {
                    "id": session.id, "rider": rider["id"], "bicycle": bicycle["id"],
                    "began": session.began.replace(tzinfo=None), "day": session.began.date(),
                    "discipline": "road_race", "closed": False,
                },
            }  # fmt: skip
            whole = {"rider": rider, "bicycle": bicycle, "session": document}
            for name, row in rows.items():
                values = {**row, **kept, "document": whole[name]}
                connection.execute(sa.insert(old.tables[name]).values(values))
        assert store.database.revision() == "0001"
    return session


@pytest.mark.parametrize("where", ["sqlite", "postgresql"])
def test_the_previous_schema_is_brought_up_to_date(
    where: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    place = request.getfixturevalue("database") if where == "postgresql" else tmp_path / "files"
    session = old_store(place, tmp_path / "files")
    with open_store(place, files=tmp_path / "files") as store:
        assert store.database.revision() == HEAD
        loaded = store.get(session.id)
        assert (loaded.session, loaded.revision) == (session, 3)
        assert [line.id for line in store.sessions(Wanted(fitter="Itter"))] == [session.id]
        assert list(faults(store)) == []
        (backup,) = store.backups.iterdir()
    assert backup.name.startswith("before_schema_0002_")
    assert restore_backup(backup, tmp_path / "restored") == 1
    with open_store(tmp_path / "restored") as there:
        assert there.get(session.id).session == session
        assert there.database.revision() == HEAD


def test_a_migration_that_fails_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = old_store(tmp_path / "s", tmp_path / "s")

    def fails(*_: object, **__: object) -> None:
        raise RuntimeError("the lights went out")

    with monkeypatch.context() as patch:
        patch.setattr("alembic.op.create_table", fails)
        with pytest.raises(RuntimeError, match="lights"):
            open_store(tmp_path / "s")
    with Store(tmp_path / "s", schema="0001") as store:
        columns = sa.inspect(store.database.engine).get_columns("session")
        assert "fitter" not in {column["name"] for column in columns}
    with open_store(tmp_path / "s") as store:
        assert store.get(session.id).session == session


def test_a_newer_schema_is_refused_and_left_alone(store: Store) -> None:
    with store.database.writing() as connection:
        connection.execute(sa.text("UPDATE alembic_version SET version_num = '0009'"))
    before = store.database.file.read_bytes() if store.database.file is not None else b""
    place = store.database.file.parent if store.database.file is not None else None
    url = store.database.engine.url.render_as_string(hide_password=False)
    with pytest.raises(StoreError, match=r"made by a newer livefit \(schema 0009; .* up to 0002"):
        open_store(place or url, files=store.files.directory)
    if store.database.file is not None:
        assert store.database.file.read_bytes() == before


def test_a_backup_of_a_newer_schema_is_refused(
    local: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    local.add(a_session())
    monkeypatch.setattr(local.database, "revision", lambda: "0009")
    path = write_backup(local, tmp_path / "b.zip")
    with pytest.raises(StoreError, match="it has the schema 0009, this program knows up to 0002"):
        restore_backup(path, tmp_path / "restored")


def test_the_tables_are_what_the_migrations_leave(store: Store) -> None:
    """`schema.py` beside the tables that the database says it has."""
    there = sa.inspect(store.database.engine)
    assert set(there.get_table_names()) == {*METADATA.tables, "alembic_version"}
    for name, table in METADATA.tables.items():
        found = {column["name"]: column["nullable"] for column in there.get_columns(name)}
        assert found == {column.name: bool(column.nullable) for column in table.c}, name
    assert REVISIONS[-1] == HEAD
