"""The store: fit sessions looked up, added, changed and deleted."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import IO, Final, Self

import sqlalchemy as sa
from platformdirs import user_data_path
from sqlalchemy.engine import Connection

from livefit.session.models import Bicycle, FitSession, Person, Picture
from livefit.store import rows
from livefit.store.database import Database
from livefit.store.errors import ConflictError, StoreError, UnknownError
from livefit.store.files import Files, Kept, Kind, check_name, private
from livefit.store.rows import Line, Loaded, Wanted
from livefit.store.schema import BICYCLE, FILE, HEAD, RIDER, SESSION, TRACE, now, sought

DATABASE: Final = "store.sqlite"
BACKUPS: Final = "backups"


def default_place() -> Path:
    """Return where the store is if nobody says otherwise."""
    return user_data_path("livefit") / "store"


class Store:
    """Where fit sessions are kept; a context manager.

    Parameters
    ----------
    place
        A directory, made if it is not there, or a ``postgresql://`` URL; None: the user's own.
    files
        Directory of the pictures and recordings, for a URL; None: the user's own.
    before_upgrade
        Called with this store before an older schema is brought up to date.
    schema
        The revision that the tables are to have; an older one only to restore an old backup.

    Raises
    ------
    StoreError
        If it cannot be opened, or a newer program made it.
    """

    def __init__(
        self,
        place: Path | str | None = None,
        *,
        files: Path | None = None,
        before_upgrade: Callable[[Store], None] | None = None,
        schema: str = HEAD,
    ) -> None:
        place = default_place() if place is None else place
        if isinstance(place, str) and "://" not in place:
            place = Path(place)
        try:
            if isinstance(place, Path):
                self.files = Files(place)
                self.database = Database(self.files.directory / DATABASE)
            else:
                self.files = Files(files or default_place())
                self.database = Database(place)
        except OSError as error:
            raise StoreError(
                f"the store {place} cannot be opened: {error.strerror or error}. "
                "Give another place with --store, or see whose it is"
            ) from error
        try:
            self.database.upgrade(
                to=schema,
                before=lambda _: before_upgrade(self) if before_upgrade is not None else None,
            )
        except BaseException:
            self.close()
            raise

    @property
    def backups(self) -> Path:
        """Where backups go if nobody says otherwise; made if it is not there."""
        return private(self.files.directory / BACKUPS)

    def close(self) -> None:
        """Give back every connection."""
        self.database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # Riders

    def add_rider(self, rider: Person) -> None:
        """Add a rider.

        Raises
        ------
        StoreError
            If there is one of this id.
        """
        with self.database.writing() as connection:
            rows.insert(connection, RIDER, rider.id, rows.rider_values(rider), rider.name)

    def riders(self, text: str = "") -> list[Person]:
        """Return the riders in whose name a text occurs, by name."""
        found = sa.select(RIDER.c.document).order_by(RIDER.c.sought, RIDER.c.id)
        found = found.where(RIDER.c.sought.contains(sought(text), autoescape=True))
        with self.database.reading() as connection:
            return [rows.parsed(Person, row[0]) for row in connection.execute(found)]

    def rider(self, named: str) -> Person:
        """Return the one rider of this id, beginning of an id, or part of a name.

        Raises
        ------
        UnknownError
            If there is none, or more than one; the text lists them.
        """
        there = self.riders()
        found = (
            [one for one in there if one.id == named]
            or [one for one in there if sought(one.name) == sought(named)]
            or [one for one in there if len(named) >= 4 and one.id.startswith(named)]
            or [one for one in there if sought(named) in sought(one.name)]
        )
        if len(found) == 1:
            return found[0]
        listed = "; ".join(f"{one.name} ({one.id[:8]})" for one in (found or there)[:10])
        what = f"{len(found)} riders fit" if found else "no rider fits"
        raise UnknownError(f"{what} {named!r}; expected one of: {listed or 'none is kept yet'}")

    def bicycles(self, rider: str) -> list[Bicycle]:
        """Return the bicycles of a rider, given by id."""
        found = sa.select(BICYCLE.c.document).where(BICYCLE.c.rider == rider)
        with self.database.reading() as connection:
            found = found.order_by(BICYCLE.c.sought, BICYCLE.c.id)
            return [rows.parsed(Bicycle, row[0]) for row in connection.execute(found)]

    # Sessions

    def add(self, session: FitSession) -> Loaded:
        """Add a session, and its rider and bicycle if they are new; known ones stay as they are.

        Raises
        ------
        StoreError
            If there is one of this id.
        """
        with self.database.writing() as connection:
            self.insert(connection, session)
        return self.get(session.id)

    def insert(self, connection: Connection, session: FitSession) -> None:
        """Add a session within a transaction that is under way."""
        values = rows.session_values(session)
        if not rows.there(connection, RIDER, session.rider.id):
            rider = session.rider
            rows.insert(connection, RIDER, rider.id, rows.rider_values(rider), rider.name)
        bicycle = session.bicycle
        if bicycle is not None and not rows.owned(connection, bicycle):
            rows.insert(connection, BICYCLE, bicycle.id, rows.bicycle_values(bicycle), bicycle.name)
        rows.insert(connection, SESSION, session.id, values, f"of {session.began}")

    def get(self, session: str) -> Loaded:
        """Return a session, by its id or the beginning of it (four characters or more).

        Raises
        ------
        UnknownError
            If there is none, or more than one.
        """
        with self.database.reading() as connection:
            return self._get(connection, session)

    def _get(self, connection: Connection, named: str) -> Loaded:
        joined = SESSION.join(RIDER, SESSION.c.rider == RIDER.c.id).outerjoin(
            BICYCLE, SESSION.c.bicycle == BICYCLE.c.id
        )
        wanted = (
            sa.select(
                SESSION.c.document.label("session"),
                SESSION.c.revision,
                RIDER.c.document.label("rider"),
                RIDER.c.revision.label("rider_revision"),
                BICYCLE.c.document.label("bicycle"),
                BICYCLE.c.revision.label("bicycle_revision"),
            )
            .select_from(joined)
            .where(SESSION.c.id.startswith(named, autoescape=True))
            .limit(2)
        )
        there = connection.execute(wanted).mappings().all() if len(named) >= 4 else []
        if len(there) != 1:
            raise UnknownError(
                f"expected the id of a session, or the first four or more of its characters; "
                f"{'several begin' if there else 'none begins'} with {named!r}. "
                "See: livefit session list"
            )
        return rows.loaded(there[0])

    def sessions(self, wanted: Wanted | None = None) -> list[Line]:
        """Return the sessions that are looked for, the newest first."""
        joined = SESSION.join(RIDER, SESSION.c.rider == RIDER.c.id).outerjoin(
            BICYCLE, SESSION.c.bicycle == BICYCLE.c.id
        )
        found = (
            sa.select(
                SESSION.c.id, RIDER.c.name, RIDER.c.id, BICYCLE.c.document, SESSION.c.day,
                SESSION.c.discipline, SESSION.c.fitter, SESSION.c.closed,
            )
            .select_from(joined)
            .where(*rows.conditions(wanted or Wanted()))
            .order_by(SESSION.c.began.desc(), SESSION.c.id)
        )  # fmt: skip
        with self.database.reading() as connection:
            return [
                Line(row[0], row[1], row[2], (row[3] or {}).get("name", ""), *row[4:])
                for row in connection.execute(found)
            ]

    def save(self, loaded: Loaded, changed: FitSession) -> Loaded:
        """Write what was changed of a session, its rider and its bicycle, and nothing else.

        Raises
        ------
        ConflictError
            If one of them was changed by another since it was read. Nothing is written then.
        """
        was = loaded.session
        if (changed.id, changed.rider.id) != (was.id, was.rider.id):
            raise StoreError("a session keeps its id and its rider")
        values = rows.session_values(changed)
        with self.database.writing() as connection:
            if changed.rider != was.rider:
                rider, revision = rows.rider_values(changed.rider), loaded.rider_revision
                rows.update(connection, RIDER, was.rider.id, rider, revision)
            if changed.bicycle != was.bicycle and changed.bicycle is not None:
                self._save_bicycle(connection, loaded, changed.bicycle)
            rows.update(connection, SESSION, was.id, values, loaded.revision)
        return self.get(was.id)

    def _save_bicycle(self, connection: Connection, loaded: Loaded, bicycle: Bicycle) -> None:
        was, values = loaded.session.bicycle, rows.bicycle_values(bicycle)
        if was is not None and was.id == bicycle.id and loaded.bicycle_revision is not None:
            rows.update(connection, BICYCLE, was.id, values, loaded.bicycle_revision)
        elif not rows.owned(connection, bicycle):
            rows.insert(connection, BICYCLE, bicycle.id, values, bicycle.name)

    def change(self, session: str, change: Callable[[FitSession], FitSession]) -> Loaded:
        """Read a session, change it and write it, anew if another was quicker.

        Raises
        ------
        ConflictError
            If another was quicker ten times.
        """
        for _ in range(9):
            loaded = self.get(session)
            with contextlib.suppress(ConflictError):
                return self.save(loaded, change(loaded.session))
        loaded = self.get(session)
        return self.save(loaded, change(loaded.session))

    # Files

    def add_file(
        self, session: str, kind: Kind, source: IO[bytes], name: str, title: str = ""
    ) -> Kept:
        """Copy a picture or a recording beside the store and note it in the session.

        Raises
        ------
        StoreError
            If it cannot be written; nothing of it is kept then.
        """
        whole = self.get(session).session.id
        name = self.files.free_name(whole, kind, check_name(name))
        kept = self.files.take(whole, kind, source, name)

        def noted(document: FitSession) -> FitSession:
            if kind == "picture":
                picture = Picture(name=name, title=title)
                return document.model_copy(update={"pictures": [*document.pictures, picture]})
            return document.model_copy(update={"recordings": [*document.recordings, name]})

        try:
            with self.database.writing() as connection:
                loaded = self._get(connection, whole)
                self.note_file(connection, whole, kept)
                values = rows.session_values(noted(loaded.session))
                rows.update(connection, SESSION, whole, values, loaded.revision)
        except BaseException:
            self.files.drop(whole, kind, name)
            raise
        return kept

    def note_file(self, connection: Connection, session: str, kept: Kept) -> None:
        """Note a file within a transaction that is under way."""
        values = {"kind": kept.kind, "name": kept.name, "size": kept.size, "sha256": kept.sha256}
        connection.execute(sa.insert(FILE).values(session=session, added=now(), **values))

    def kept_files(self, session: str | None = None) -> list[tuple[str, Kept]]:
        """Return the files that are noted, of one session or of all, with the session's id."""
        columns = (FILE.c.session, FILE.c.kind, FILE.c.name, FILE.c.size, FILE.c.sha256)
        found = sa.select(*columns).order_by(*columns[:3])
        if session is not None:
            found = found.where(FILE.c.session == session)
        with self.database.reading() as connection:
            return [(row[0], Kept(*row[1:])) for row in connection.execute(found)]

    def traces(self) -> list[tuple[datetime, str, str]]:
        """Return what is left of everything deleted: when (UTC), what, and its id."""
        found = sa.select(TRACE.c.at, TRACE.c.what, TRACE.c.id).order_by(TRACE.c.number)
        with self.database.reading() as connection:
            return [(row[0], row[1], row[2]) for row in connection.execute(found)]
