"""Deleting for good: rows, files, and what the database's file still holds of them."""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from livefit.store.errors import UnknownError
from livefit.store.schema import BICYCLE, FILE, RIDER, SESSION, TRACE, now
from livefit.store.store import Store


@dataclass(frozen=True)
class Deleted:
    """What was deleted.

    Attributes
    ----------
    sessions, files
        How many.
    backups
        Backups beside the store in which it still is.
    """

    sessions: int
    files: int
    backups: tuple[Path, ...]


def delete_session(store: Store, session: str) -> Deleted:
    """Delete a session with its pictures and recordings; its rider stays.

    Raises
    ------
    UnknownError
        If there is none.
    StoreError
        If it cannot be deleted. The call can be repeated.
    """
    whole = store.get(session).session.id
    return _delete(store, [whole], None, whole)


def delete_rider(store: Store, rider: str) -> Deleted:
    """Delete a rider, the rider's bicycles, and all sessions with their pictures and recordings.

    Raises
    ------
    UnknownError
        If there is none.
    StoreError
        If they cannot be deleted. The call can be repeated.
    """
    with store.database.reading() as connection:
        if connection.execute(sa.select(RIDER.c.id).where(RIDER.c.id == rider)).first() is None:
            raise UnknownError(f"there is no rider {rider!r}")
        found = connection.execute(sa.select(SESSION.c.id).where(SESSION.c.rider == rider))
        sessions = [row[0] for row in found]
    return _delete(store, sessions, rider, rider)


def _delete(store: Store, sessions: list[str], rider: str | None, sought: str) -> Deleted:
    files = 0
    with store.database.writing() as connection:
        if rider is not None:
            # Those that were added since the list was made.
            found = connection.execute(sa.select(SESSION.c.id).where(SESSION.c.rider == rider))
            sessions = sorted({*sessions, *(row[0] for row in found)})
        things = [("session", session) for session in sessions]
        for session in sessions:
            connection.execute(sa.delete(FILE).where(FILE.c.session == session))
            connection.execute(sa.delete(SESSION).where(SESSION.c.id == session))
        if rider is not None:
            connection.execute(sa.delete(BICYCLE).where(BICYCLE.c.rider == rider))
            connection.execute(sa.delete(RIDER).where(RIDER.c.id == rider))
            things.append(("rider", rider))
        # Files go before the rows are gone for good: whatever ends this, it can be repeated.
        for session in sessions:
            files += store.files.drop_session(session)
        for what, thing in things:
            # A bundle can bring back what was deleted once.
            connection.execute(sa.delete(TRACE).where(TRACE.c.what == what, TRACE.c.id == thing))
            connection.execute(sa.insert(TRACE).values(at=now(), what=what, id=thing))
    store.database.forget()
    return Deleted(len(sessions), files, tuple(backups_with(store, sought)))


def backups_with(store: Store, thing: str) -> list[Path]:
    """Return the backups beside the store in whose rows an id occurs, or that cannot be read."""
    return [path for path in sorted(store.backups.glob("*.zip")) if _holds(path, thing.encode())]


def _holds(path: Path, thing: bytes) -> bool:
    try:
        with zipfile.ZipFile(path) as archive:
            names = [name for name in archive.namelist() if name.startswith("rows/")]
            return any(_occurs(archive, name, thing) for name in names)
    except (OSError, zipfile.BadZipFile):
        return True


def _occurs(archive: zipfile.ZipFile, name: str, thing: bytes) -> bool:
    with archive.open(name) as file:
        return any(thing in line for line in file)
