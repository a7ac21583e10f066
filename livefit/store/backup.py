"""All of a store in one file, whatever database it is in; and back, into SQLite or PostgreSQL.

Rows are lines of JSON, so that a backup of one database can be restored into the other.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Any, Final

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from livefit.store.archive import ArchiveReader, Entry, new_archive
from livefit.store.errors import StoreError
from livefit.store.files import KINDS, Kind, check_name
from livefit.store.schema import HEAD, ORDER, REVISIONS, TRACE, to_json
from livefit.store.store import Store

VERSION: Final = 1
_AT_ONCE: Final = 200
"""Rows that are inserted together."""


def backup_name(moment: datetime, word: str = "backup") -> str:
    """Return a backup's name.

    Examples
    --------
    >>> backup_name(datetime(2026, 3, 9, 14, 5, 59))
    'backup_2026-03-09_14-05-59.zip'
    """
    return f"{word}_{moment:%Y-%m-%d_%H-%M-%S}.zip"


def write_backup(store: Store, path: Path, *, files: bool = True) -> Path:
    """Write all rows of one moment, and if wanted all files, into one file.

    Works for every schema that there has been, so that one can be made before a migration.

    Raises
    ------
    StoreError
        If it cannot be written, or a file is missing.
    """
    about = {"schema": store.database.revision() or HEAD, "files": "all" if files else "none"}
    with (
        store.database.reading() as connection,
        new_archive(path, "livefit backup", VERSION, about) as archive,
    ):
        there = _tables(connection)
        for name in ORDER:
            if name in there:
                with TemporaryFile() as lines:
                    _write_rows(connection, there[name], lines)
                    lines.seek(0)
                    archive.add(f"rows/{name}.jsonl", lines)
        for session, kind, name in _noted(connection, there["file"]) if files else ():
            place = store.files.path(session, kind, name)
            try:
                with place.open("rb") as file:
                    archive.add(f"{kind}s/{session}/{name}", file, packed=False)
            except FileNotFoundError as error:
                raise StoreError(
                    f"no backup was made: {place} is missing. See: livefit store check"
                ) from error
    return path


def _tables(connection: Connection) -> dict[str, sa.Table]:
    found = sa.MetaData()
    found.reflect(connection, only=lambda name, _: name in ORDER)
    return dict(found.tables)


def _write_rows(connection: Connection, table: sa.Table, lines: IO[bytes]) -> None:
    for row in connection.execute(sa.select(table)).mappings():
        values = {
            name: value.isoformat() if isinstance(value, date) else value
            for name, value in row.items()
        }
        lines.write(to_json(values).encode() + b"\n")


def _noted(connection: Connection, table: sa.Table) -> Iterator[tuple[str, Kind, str]]:
    columns = (table.c.session, table.c.kind, table.c.name)
    for row in connection.execute(sa.select(*columns).order_by(*columns)):
        yield row[0], row[1], row[2]


def restore_backup(path: Path, place: Path | str | None, *, files: Path | None = None) -> int:
    """Fill an empty store from a backup and return how many sessions it holds.

    A backup of an older schema is brought up to date.

    Raises
    ------
    ArchiveError
        If the backup is not what it claims to be.
    StoreError
        If the store is not empty, a newer program made the backup, or a file cannot be written.
        The store is empty then, as it was.
    """
    with ArchiveReader(path, "livefit backup", VERSION) as archive:
        made_by = archive.manifest.about.get("schema", "")
        if made_by not in REVISIONS:
            raise archive.refused(
                f"it has the schema {made_by or 'unknown'}, this program knows up to {HEAD}. "
                "Install the newer version"
            )
        wanted = [_place(archive, entry) for kind in KINDS for entry in archive.paths(f"{kind}s")]
        with Store(place, files=files, schema=made_by) as store:
            _check_empty(store)
            try:
                for session, kind, name, entry in wanted:
                    with store.files.new(session, kind, name) as file:
                        archive.copy(entry, file)
                with store.database.writing() as connection:
                    count = _read_rows(connection, archive)
            except BaseException:
                for session, *_ in wanted:
                    store.files.drop_session(session)
                raise
            store.database.upgrade()
    return count


def _check_empty(store: Store) -> None:
    if store.riders() or next(store.files.found(), None) is not None:
        raise StoreError(
            f"{store.database.name} is not empty; a backup is restored into an empty store only: "
            "give a new place with --store"
        )


def _place(archive: ArchiveReader, entry: Entry) -> tuple[str, Kind, str, Entry]:
    folder, *rest = entry.path.split("/")
    kind = next(kind for kind in KINDS if folder == f"{kind}s")
    try:
        if len(rest) == 2:
            return check_name(rest[0]), kind, check_name(rest[1]), entry
    except StoreError as error:
        raise archive.refused(str(error)) from error
    raise archive.refused(f"expected {folder}/SESSION/NAME, found {entry.path!r}")


def _read_rows(connection: Connection, archive: ArchiveReader) -> int:
    there = _tables(connection)
    counts = dict.fromkeys(ORDER, 0)
    for name, table in ((name, there[name]) for name in ORDER if name in there):
        waiting: list[dict[str, Any]] = []
        for line in archive.lines(f"rows/{name}.jsonl"):
            waiting.append(_values(archive, table, line))
            counts[name] += 1
            if len(waiting) == _AT_ONCE:
                connection.execute(sa.insert(table), waiting)
                waiting = []
        if waiting:
            connection.execute(sa.insert(table), waiting)
    if TRACE.name in there:
        _count_on(connection)
    return counts["session"]


def _values(archive: ArchiveReader, table: sa.Table, line: bytes) -> dict[str, Any]:
    try:
        row = json.loads(line)
        if set(row) != set(table.c.keys()):
            raise ValueError(f"expected the columns {sorted(table.c.keys())}, found {sorted(row)}")
        for column in table.c:
            if isinstance(column.type, sa.DateTime):
                row[column.name] = datetime.fromisoformat(row[column.name])
            elif isinstance(column.type, sa.Date):
                row[column.name] = date.fromisoformat(row[column.name])
    except (ValueError, TypeError, AttributeError, RecursionError) as error:
        raise archive.refused(f"rows/{table.name}.jsonl: {error}") from error
    return dict(row)


def _count_on(connection: Connection) -> None:
    """Let PostgreSQL number new traces after those that were read."""
    if connection.dialect.name == "postgresql":
        last = sa.select(sa.func.max(TRACE.c.number)).scalar_subquery()
        series = sa.func.pg_get_serial_sequence("trace", "number")
        connection.execute(sa.select(sa.func.setval(series, sa.func.coalesce(last, 1))))


def backup_before_upgrade(store: Store) -> None:
    """Write all rows beside the store before its schema is changed; the files stay as they are."""
    name = backup_name(datetime.now(UTC), f"before_schema_{HEAD}_{secrets.token_hex(3)}")
    write_backup(store, store.backups / name, files=False)


def open_store(place: Path | str | None = None, *, files: Path | None = None) -> Store:
    """Open a store; if its schema is older, write a backup and bring it up to date."""
    return Store(place, files=files, before_upgrade=backup_before_upgrade)
