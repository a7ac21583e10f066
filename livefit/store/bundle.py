"""One session as one file, for another studio or another machine."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from livefit.session.models import DOCUMENT, FitSession, first_fault
from livefit.store.archive import ArchiveReader, Entry, new_archive
from livefit.store.errors import StoreError, UnknownError
from livefit.store.files import KINDS, Kept, Kind, check_name
from livefit.store.store import Store

VERSION: Final = 1
DOCUMENT_PATH: Final = "session.json"


def write_bundle(store: Store, session: str, path: Path, *, recordings: bool = True) -> Path:
    """Write a session with its pictures, and if wanted its recordings, into one file.

    Raises
    ------
    StoreError
        If the file is there already or cannot be written, or one of the session's is missing or
        was changed.
    """
    document = store.get(session).session
    if not recordings:
        document = document.model_copy(update={"recordings": []})
    about = {"session": document.id, "document": str(DOCUMENT)}
    with new_archive(path, "livefit bundle", VERSION, about) as archive:
        text = document.model_dump_json(indent=1).encode()
        archive.add(DOCUMENT_PATH, BytesIO(text))
        for _, kept in store.kept_files(document.id):
            if kept.kind == "recording" and not recordings:
                continue
            place = store.files.path(document.id, kept.kind, kept.name)
            with _there(place), place.open("rb") as file:
                entry = archive.add(f"{kept.kind}s/{kept.name}", file, packed=False)
            if entry.sha256 != kept.sha256:
                raise StoreError(f"{place} is not as it was kept; see: livefit store check")
    return path


@contextlib.contextmanager
def _there(path: Path) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError as error:
        raise StoreError(f"{path} is missing; see: livefit store check") from error


def read_bundle(store: Store, path: Path) -> FitSession:
    """Take a session out of a bundle into the store, or nothing of it.

    A rider who is known already stays as known.

    Raises
    ------
    ArchiveError
        If the bundle is not what it claims to be.
    StoreError
        If the session is in the store already, or cannot be written.
    """
    with ArchiveReader(path, "livefit bundle", VERSION) as archive:
        session = _document(archive)
        with contextlib.suppress(UnknownError):
            store.get(session.id)
            raise StoreError(
                f"{path}: the session {session.id[:8]} is in the store already; nothing was changed"
            )
        wanted = _files(archive, session)
        taken: list[Kept] = []
        try:
            for kind, name, entry in wanted:
                with store.files.new(session.id, kind, name) as file:
                    archive.copy(entry, file)
                taken.append(Kept(kind, name, entry.size, entry.sha256))
            with store.database.writing() as connection:
                store.insert(connection, session)
                for kept in taken:
                    store.note_file(connection, session.id, kept)
        except BaseException:
            for kept in taken:
                store.files.drop(session.id, kept.kind, kept.name)
            raise
    return session


def _document(archive: ArchiveReader) -> FitSession:
    try:
        return FitSession.model_validate_json(archive.document(DOCUMENT_PATH))
    except ValidationError as error:
        first = first_fault(error)
        where = ".".join(str(part) for part in first["loc"])
        raise archive.refused(f"{DOCUMENT_PATH}: {where}: {first['msg']}") from error


def _files(archive: ArchiveReader, session: FitSession) -> list[tuple[Kind, str, Entry]]:
    """Return the files of a bundle, after checking that the session names them all."""
    named: dict[Kind, list[str]] = {
        "picture": [picture.name for picture in session.pictures],
        "recording": session.recordings,
    }
    found: list[tuple[Kind, str, Entry]] = []
    for entry in archive.manifest.files:
        folder, _, name = entry.path.partition("/")
        kind = next((kind for kind in KINDS if folder == f"{kind}s"), None)
        if kind is None or name not in named[kind]:
            if entry.path != DOCUMENT_PATH:
                raise archive.refused(f"the session does not name {entry.path!r}")
            continue
        try:
            found.append((kind, check_name(name), entry))
        except StoreError as error:
            raise archive.refused(str(error)) from error
    missing = {(kind, name) for kind in KINDS for name in named[kind]}
    missing -= {(kind, name) for kind, name, _ in found}
    if missing:
        raise archive.refused(f"the session names {min(missing)[1]!r}, which is not there")
    return found
