"""Whether a store is whole: the database, the documents, the files beside it."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator

import sqlalchemy as sa

from livefit.store.errors import StoreError
from livefit.store.files import UNFINISHED
from livefit.store.schema import SESSION
from livefit.store.store import Store


def faults(store: Store) -> Iterator[str]:
    """Yield everything that is not as it should be, one line each; nothing: all is well."""
    yield from _database(store)
    yield from _documents(store)
    yield from _files(store)
    yield from _modes(store)


def _database(store: Store) -> Iterator[str]:
    if store.database.file is None:
        return
    try:
        with store.database.reading() as connection:
            for (text,) in connection.execute(sa.text("PRAGMA integrity_check")):
                if text != "ok":
                    yield f"database damaged: {text}"
            for row in connection.execute(sa.text("PRAGMA foreign_key_check")):
                yield f"database: a row of {row[0]} refers to a {row[2]} that is not there"
    except StoreError as error:
        yield str(error)


def _documents(store: Store) -> Iterator[str]:
    with store.database.reading() as connection:
        sessions = [row[0] for row in connection.execute(sa.select(SESSION.c.id))]
    for session in sessions:
        try:
            found = store.get(session).session
        except StoreError as error:
            yield f"session {session[:8]}: {error}"
            continue
        named = {("picture", picture.name) for picture in found.pictures}
        named |= {("recording", name) for name in found.recordings}
        noted = {(kept.kind, kept.name) for _, kept in store.kept_files(session)}
        for kind, name in sorted(named - noted):
            yield f"session {session[:8]}: names a {kind} that was never kept: {name}"


def _files(store: Store) -> Iterator[str]:
    noted = store.kept_files()
    for session, kept in noted:
        path = store.files.path(session, kept.kind, kept.name)
        try:
            found = store.files.examine(session, kept.kind, kept.name)
        except StoreError:
            yield f"missing: {path}"
            continue
        except OSError as error:
            yield f"cannot be read: {path}: {error.strerror}"
            continue
        if found != kept:
            yield f"changed: {path}: {found.size} bytes, {kept.size} were kept, or other ones"
    known = {(session, kept.kind, kept.name) for session, kept in noted}
    for place in store.files.found():
        if place not in known:
            path = store.files.directory / f"{place[1]}s" / place[0] / place[2]
            what = "unfinished, can be removed" if path.name.endswith(UNFINISHED) else "unknown"
            yield f"{what}: {path}"


def _modes(store: Store) -> Iterator[str]:
    if os.name == "nt":
        return
    for path in (store.files.directory, *sorted(store.files.directory.rglob("*"))):
        if stat.S_IMODE(path.lstat().st_mode) & 0o077:
            yield f"can be read by others: {path}; mend it with: chmod go= '{path}'"
