"""Files that only their owner can read: a rider's data is health data."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class NotWrittenError(OSError):
    """A file that cannot be written; says which, why and what to do."""

    def __str__(self) -> str:
        return str(self.strerror)


def write_private(path: Path, data: str | bytes) -> None:
    """Write a file that only its owner can read, whole or not at all; text is UTF-8.

    Raises
    ------
    NotWrittenError
        If it cannot be written, as where its directory is missing.
    """
    with _told(path):
        _write(path, data)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise NotWrittenError(
            error.errno,
            f"{path} cannot be written: {error.strerror or error}. Nothing was changed. Expected "
            "a directory that is there and that you may write: see whose it is, or give another",
        ) from error


def _write(path: Path, data: str | bytes) -> None:
    fresh = path.with_name(f".{path.name}.{os.getpid()}")
    fresh.unlink(missing_ok=True)
    try:
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
            out.write(data.encode("utf-8") if isinstance(data, str) else data)
            out.flush()
            os.fsync(out.fileno())
        fresh.replace(path)
    except BaseException:
        fresh.unlink(missing_ok=True)
        raise


def make_private_directory(path: Path) -> None:
    """Make a directory that only its owner can look into, unless it is there.

    Raises
    ------
    NotWrittenError
        If it cannot be made.
    """
    with _told(path):
        if not path.exists():
            path.mkdir(mode=0o700, parents=True)
