"""What is said of a recording that cannot be had: made, written on or read."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

_FULL: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


class RecordingFileError(OSError):
    """A recording that cannot be made or read; says why and what to do."""

    def __str__(self) -> str:
        return str(self.strerror)


class RecordingStoppedError(RecordingFileError):
    """The file cannot be written on; what was written before is kept."""


@contextmanager
def readable(path: Path) -> Iterator[None]:
    """Say clearly which file cannot be opened.

    Raises
    ------
    RecordingFileError
        Instead of another ``OSError``.
    """
    try:
        yield
    except RecordingFileError:
        raise
    except OSError as error:
        remedy = ""
        if isinstance(error, PermissionError):
            remedy = (
                ". Expected a file that you may read: work as the user whose it is, or have it "
                "given to you"
            )
        raise RecordingFileError(
            error.errno, f"{path}: cannot be opened: {error.strerror or error}{remedy}"
        ) from error


@contextmanager
def makeable(directory: Path) -> Iterator[None]:
    """Say clearly in which directory no recording can be made.

    Raises
    ------
    RecordingFileError
        Instead of another ``OSError``.
    """
    try:
        yield
    except OSError as error:
        raise RecordingFileError(
            error.errno,
            f"no recording can be made in {directory}: {error.strerror or error}. Expected a "
            "directory that you may write: see whose it is, or give another one with --into",
        ) from error


def stopped(path: Path, size: int, error: OSError) -> RecordingStoppedError:
    """Return what is said when the file could not be written on, with so many bytes in it."""
    remedy = "make room" if error.errno in _FULL else "see whose the file and its disk are"
    return RecordingStoppedError(
        error.errno,
        f"the recording was stopped, {path} cannot be written on: {error.strerror or error}. "
        f"The {size} bytes before are kept and can be read; {remedy}, or record elsewhere with "
        "--into, and begin another one",
    )
