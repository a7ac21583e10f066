"""Opening a database, SQLite or PostgreSQL, and bringing its schema up to date."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.engine import Connection, Engine
from sqlalchemy.exc import ArgumentError, DatabaseError, NoSuchModuleError, OperationalError

from livefit.store.errors import ConflictError, StoreError
from livefit.store.schema import HEAD, to_json

WAIT_S: Final = 10.0
"""How long a writer waits for another."""
_WRITES: Final = "livefit_writes"
_AT_ONCE: Final = "could not serialize access"
"""What PostgreSQL says when two write the same row at once."""
PRAGMAS: Final = (
    f"PRAGMA busy_timeout = {round(1000 * WAIT_S)}",
    "PRAGMA journal_mode = WAL",
    "PRAGMA synchronous = FULL",
    "PRAGMA foreign_keys = ON",
    # Zeroes what is deleted; a temporary file could hold a name as well.
    "PRAGMA secure_delete = ON",
    "PRAGMA temp_store = MEMORY",
)


class Database:
    """One database; a context manager.

    Parameters
    ----------
    where
        A file, for SQLite, or a URL such as ``postgresql://user@host/name``.

    Raises
    ------
    StoreError
        If it cannot be opened or is none.
    """

    def __init__(self, where: Path | str) -> None:
        self.file = where if isinstance(where, Path) else None
        if self.file is not None:
            _create_privately(self.file)
        self.engine = _engine(where)
        self.name = str(self.file or self.engine.url.render_as_string(hide_password=True))

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """Yield a connection that sees one moment of the database.

        Raises
        ------
        StoreError
            If the database fails.
        """
        with self._plain_errors(), self.engine.connect() as connection:
            yield connection

    @contextlib.contextmanager
    def writing(self) -> Iterator[Connection]:
        """Yield a connection whose changes are all written at the end, or none of them.

        Raises
        ------
        StoreError
            If another writes for too long, or the database fails.
        """
        with (
            self._plain_errors(),
            self.engine.connect() as connection,
            connection.execution_options(**{_WRITES: True}).begin(),
        ):
            yield connection

    @contextlib.contextmanager
    def _plain_errors(self) -> Iterator[None]:
        try:
            yield
        except DatabaseError as error:
            kind = ConflictError if _AT_ONCE in str(error.orig) else StoreError
            raise kind(_words(self.name, error)) from error

    def revision(self) -> str | None:
        """Return the revision of the schema; None: there are no tables yet.

        Raises
        ------
        StoreError
            If the database holds something else.
        """
        with self.reading() as connection:
            names = sa.inspect(connection).get_table_names()
            if "alembic_version" not in names:
                if names:
                    raise StoreError(
                        f"{self.name}: expected a store of livefit or an empty database, found "
                        f"the tables {', '.join(sorted(names))}. Give another place"
                    )
                return None
            found = connection.execute(sa.text("SELECT version_num FROM alembic_version"))
            number: str | None = found.scalar_one_or_none()
            return number

    def upgrade(self, *, to: str = HEAD, before: Callable[[str], None] | None = None) -> None:
        """Bring the schema up to date; in one transaction, so that a failure changes nothing.

        Parameters
        ----------
        to
            The revision that is wanted.
        before
            Called with the old revision when there is something to lose.

        Raises
        ------
        StoreError
            If a newer program made the schema, or the database fails.
        """
        found = self.revision()
        if found == to:
            return
        if found is not None and to < found <= HEAD:
            raise StoreError(
                f"{self.name} has the schema {found} already, {to} is needed: give a new place"
            )
        if found is not None and found > HEAD:
            raise StoreError(
                f"{self.name} was made by a newer livefit (schema {found}; this one knows up to "
                f"{HEAD}). Nothing was changed. Install the newer version"
            )
        if found is not None and before is not None:
            before(found)
        # Costs half a second, and most commands find the schema as it should be.
        from alembic import command
        from alembic.config import Config

        config = Config()
        config.set_main_option("script_location", "livefit.store:migrations")
        config.set_main_option("version_locations", "livefit.store.migrations:versions")
        config.set_main_option("path_separator", "newline")
        try:
            with self.writing() as connection:
                config.attributes["connection"] = connection
                command.upgrade(config, to)
        except StoreError:
            # Another program may have been quicker.
            if self.revision() != to:
                raise

    def forget(self) -> None:
        """Rewrite an SQLite file without what was deleted, the write-ahead log included.

        Raises
        ------
        StoreError
            If another program reads or writes all the time.
        """
        if self.file is None:
            return
        with self._plain_errors(), self.engine.connect() as connection:
            raw: Any = connection.connection.dbapi_connection
            try:
                busy = raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
                raw.execute("VACUUM")
                busy |= raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
            except sqlite3.Error as error:
                raise _not_forgotten(self.name) from error
            if busy:
                raise _not_forgotten(self.name)

    def close(self) -> None:
        """Give back every connection."""
        self.engine.dispose()


def _not_forgotten(name: str) -> StoreError:
    return StoreError(
        f"{name}: it was deleted, but remains of it are still in the file, which another program "
        "holds open. Close the other, then run: livefit store tidy"
    )


def _create_privately(file: Path) -> None:
    """Create the file so that SQLite need not: with a mode for its owner alone."""
    try:
        os.close(os.open(file, os.O_RDWR | os.O_CREAT, 0o600))
    except OSError as error:
        raise StoreError(
            f"the store {file} cannot be opened for writing: {error.strerror}. "
            "Give another place with --store, or see whose it is"
        ) from error


def _engine(where: Path | str) -> Engine:
    options: dict[str, Any] = {"json_serializer": to_json}
    if isinstance(where, Path):
        engine = sa.create_engine(
            sa.URL.create("sqlite", database=str(where)),
            connect_args={"timeout": WAIT_S, "isolation_level": None},
            **options,
        )
        event.listen(engine, "connect", _prepare)
        event.listen(engine, "begin", _begin)
        return engine
    try:
        url = sa.make_url(where)
        if url.drivername in ("postgresql", "postgres"):
            url = url.set(drivername="postgresql+psycopg")
        if url.get_backend_name() != "postgresql":
            raise StoreError(
                f"expected a directory or a postgresql:// URL, found {url.drivername}://. "
                "SQLite is used in a directory"
            )
        return sa.create_engine(
            url, isolation_level="REPEATABLE READ", pool_pre_ping=True, **options
        )
    except (ArgumentError, NoSuchModuleError) as error:
        raise StoreError(f"expected a directory or a postgresql:// URL: {error}") from error
    except ModuleNotFoundError as error:
        raise StoreError("PostgreSQL needs: pip install 'livefit[postgresql]'") from error


def _prepare(connection: sqlite3.Connection, _: object) -> None:
    for pragma in PRAGMAS:
        connection.execute(pragma).close()


def _begin(connection: Connection) -> None:
    """Begin so that a writer holds the lock from the first statement on, and cannot deadlock."""
    writes = connection.get_execution_options().get(_WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _words(name: str, error: DatabaseError) -> str:
    """Say what a database complains of, and what to do."""
    what = str(error.orig).strip().splitlines()[0] if error.orig else str(error)
    if "locked" in what:
        return f"{name}: another program has been writing for {WAIT_S:g} s; try again"
    if _AT_ONCE in what:
        return f"{name}: another wrote at the same moment; nothing was written, try again"
    if "readonly" in what or "unable to open" in what or "permission denied" in what:
        return f"{name}: cannot be written ({what}). See whose the file and its directory are"
    if "full" in what or "disk I/O" in what or "No space" in what:
        return f"{name}: nothing was written ({what}): make room on the disk, then do it again"
    if "not a database" in what or "malformed" in what:
        return (
            f"{name}: is damaged or no store ({what}). Leave it as it is, and restore the last "
            "backup into another place: livefit store restore BACKUP --store PLACE"
        )
    if isinstance(error, OperationalError):
        return f"{name}: the database cannot be used: {what}"
    return f"{name}: the database refused: {what}"
