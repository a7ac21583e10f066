"""Pictures and recordings: files beside the database, for their owner alone."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import secrets
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final, Literal, Protocol, get_args

from livefit.store.errors import StoreError, UnknownError

Kind = Literal["picture", "recording"]
KINDS: Final = get_args(Kind)

SAFE_NAME = re.compile(r"[\w][\w.\- ]{0,120}")
"""What a file beside the store may be called: the pattern of a session's pictures."""
UNFINISHED: Final = ".part"
_BLOCK: Final = 2**20
_RESERVED: Final = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


@dataclass(frozen=True)
class Kept:
    """One file as it is kept; sha256 in hexadecimal digits, size in bytes."""

    kind: Kind
    name: str
    size: int
    sha256: str


def check_name(name: str) -> str:
    """Return a name under which nothing can lie outside its directory.

    Raises
    ------
    StoreError
        If it is none.

    Examples
    --------
    >>> check_name("before.png")
    'before.png'
    """
    if (
        not SAFE_NAME.fullmatch(name)
        or name.endswith((".", " ", UNFINISHED))
        or _RESERVED.fullmatch(name)
    ):
        raise StoreError(
            f"a file's name is made of letters, digits, '.', '-', '_' and spaces, begins with a "
            f"letter or digit and is 121 long at most, found {name!r}"
        )
    return name


def private(directory: Path) -> Path:
    """Make a directory, and those above it, that only their owner can look into."""
    missing = [one for one in (directory, *directory.parents) if not one.exists()]
    for one in reversed(missing):
        with contextlib.suppress(FileExistsError):
            one.mkdir(mode=0o700)
    if not directory.is_dir():
        raise StoreError(f"expected a directory, found a file: {directory}")
    return directory


@contextlib.contextmanager
def written(path: Path) -> Iterator[IO[bytes]]:
    """Yield a new private file that gets its name only when it is whole and on the disk.

    Raises
    ------
    StoreError
        If there is one of the name, or it cannot be written; nothing of it remains then.
    """
    part = path.with_name(f"{path.name}.{secrets.token_hex(4)}{UNFINISHED}")
    try:
        descriptor = os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(descriptor, "w+b") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            _name(part, path)
            sync(path.parent)
        finally:
            part.unlink(missing_ok=True)
    except FileExistsError as error:
        raise StoreError(f"{path} is there already; it was left as it is") from error
    except OSError as error:
        raise StoreError(_cannot_write(path, error)) from error


def _name(part: Path, path: Path) -> None:
    """Give a file its name; unlike a renaming, a link never takes the place of another."""
    try:
        os.link(part, path)
    except FileExistsError:
        raise
    except OSError as error:
        # Some file systems know no links.
        if error.errno not in (errno.EPERM, errno.ENOTSUP, errno.ENOSYS) or path.exists():
            raise
        part.rename(path)


def _cannot_write(path: Path, error: OSError) -> str:
    full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    remedy = "make room on the disk, then do it again" if full else "see whose its directory is"
    return f"{path} cannot be written: {error.strerror or error}. Nothing of it was kept: {remedy}"


def sync(directory: Path) -> None:
    """Have new names on the disk, where the system can do that."""
    with contextlib.suppress(OSError):
        descriptor = os.open(directory, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


class Readable(Protocol):
    """What bytes can be read from; none at the end."""

    def read(self, count: int, /) -> bytes:
        """Return so many bytes at most."""


def copied(source: Readable, target: IO[bytes] | None) -> Kept:
    """Copy a file, or only read it, and return its size and checksum, under no name."""
    digest, size = hashlib.sha256(), 0
    while block := source.read(_BLOCK):
        size += len(block)
        digest.update(block)
        if target is not None:
            target.write(block)
    return Kept("picture", "", size, digest.hexdigest())


class Files:
    """The files of a store, in ``pictures/SESSION`` and ``recordings/SESSION`` below a directory.

    Parameters
    ----------
    directory
        Made if it is not there.
    """

    def __init__(self, directory: Path) -> None:
        self.directory = private(directory)

    def folder(self, session: str, kind: Kind) -> Path:
        """Return where a session's files of a kind are."""
        return self.directory / f"{kind}s" / check_name(session)

    def path(self, session: str, kind: Kind, name: str) -> Path:
        """Return where a file is, or would be."""
        return self.folder(session, kind) / check_name(name)

    def free_name(self, session: str, kind: Kind, wanted: str) -> str:
        """Return the name that was wanted, or that with a number if it is taken."""
        whole, count = Path(check_name(wanted)), 1
        name = wanted
        while self.path(session, kind, name).exists():
            count += 1
            name = f"{whole.stem}_{count}{whole.suffix}"
        return name

    def take(self, session: str, kind: Kind, source: IO[bytes], name: str) -> Kept:
        """Copy a file beside the store.

        Raises
        ------
        StoreError
            If there is one of the name, or it cannot be written.
        """
        with self.new(session, kind, name) as target:
            found = copied(source, target)
        return Kept(kind, name, found.size, found.sha256)

    @contextlib.contextmanager
    def new(self, session: str, kind: Kind, name: str) -> Iterator[IO[bytes]]:
        """Yield a new file beside the store, which gets its name when it is whole.

        Raises
        ------
        StoreError
            If there is one of the name, or it cannot be written.
        """
        path = self.path(session, kind, name)
        try:
            private(path.parent)
        except OSError as error:
            raise StoreError(_cannot_write(path, error)) from error
        with written(path) as file:
            yield file

    def examine(self, session: str, kind: Kind, name: str) -> Kept:
        """Read a file and return its size and checksum.

        Raises
        ------
        UnknownError
            If it is not there.
        """
        path = self.path(session, kind, name)
        try:
            with path.open("rb") as file:
                found = copied(file, None)
        except FileNotFoundError as error:
            raise UnknownError(f"{path} is missing") from error
        return Kept(kind, name, found.size, found.sha256)

    def drop(self, session: str, kind: Kind, name: str) -> None:
        """Remove one file, if it is there."""
        self.path(session, kind, name).unlink(missing_ok=True)

    def drop_session(self, session: str) -> int:
        """Remove all files of a session and return how many they were."""
        count = 0
        for kind in KINDS:
            folder = self.folder(session, kind)
            if folder.is_dir():
                count += sum(1 for path in folder.rglob("*") if path.is_file())
                shutil.rmtree(folder)
        return count

    def found(self) -> Iterator[tuple[str, Kind, str]]:
        """Yield session, kind and name of every file that is there, leftovers included."""
        for kind in KINDS:
            for path in sorted((self.directory / f"{kind}s").glob("*/*")):
                yield path.parent.name, kind, path.name
