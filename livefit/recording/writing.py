"""The file that a recording is written to, chunk by chunk."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
from collections.abc import Callable
from datetime import datetime
from importlib.metadata import version
from importlib.resources import files
from io import BytesIO
from pathlib import Path
from typing import Final

from mcap.writer import Writer

from livefit.recording.errors import RecordingStoppedError, makeable, stopped
from livefit.wire.codec import TOPICS
from livefit.wire.messages import PROTOCOL

ENDING: Final = ".mcap"
PROFILE: Final = "livefit"
ENCODING: Final = "msgpack"
RECORDED: Final = tuple(topic for topic in TOPICS if topic != "pose")
"""Topics that are kept; the pose is for the eye and can be computed from the frames."""

Write = Callable[[int, bytes], int]
"""Writes bytes to a file descriptor and returns how many, as ``os.write`` does."""


class _Pending(BytesIO):
    """What is not in the file yet; the position counts from the file's beginning."""

    def __init__(self) -> None:
        super().__init__()
        self._base = 0

    def tell(self) -> int:
        return self._base + super().tell()

    def take(self) -> bytes:
        data = self.getvalue()
        self._base += len(data)
        self.seek(0)
        self.truncate()
        return data


def private_directory(directory: Path) -> None:
    """Make a directory that only its owner can look into; one that is there is left as it is."""
    with makeable(directory):
        directory.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(FileExistsError):
            directory.mkdir(mode=0o700)
            directory.chmod(0o700)
        there = directory.is_dir()
    if not there:
        raise NotADirectoryError(f"expected a directory for recordings, found a file: {directory}")


def name_of(moment: datetime) -> str:
    """Return a recording's name, without its ending.

    Examples
    --------
    >>> name_of(datetime(2026, 3, 9, 14, 5, 59))
    '2026-03-09_14-05-59'
    """
    return f"{moment:%Y-%m-%d_%H-%M-%S}"


def _create(directory: Path, name: str) -> tuple[Path, int]:
    """Create a file that was not there, readable by its owner only."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    count = 1
    while True:
        path = directory / f"{name}{'' if count == 1 else f'_{count}'}{ENDING}"
        try:
            return path, os.open(path, flags, 0o600)
        except FileExistsError:
            count += 1


class RecordingWriter:
    """Writes one recording; a context manager that closes the file properly.

    Parameters
    ----------
    directory
        Made if it is not there, for its owner only.
    name
        Of the file, without its ending. A file that is there is never written over: the new one
        gets a number behind its name.
    write
        Writes bytes to the file.

    Attributes
    ----------
    path
        The file, of mode 0600.
    size
        Bytes in the file.

    Raises
    ------
    RecordingFileError
        If the file cannot be created.
    """

    def __init__(self, directory: Path, name: str, *, write: Write = os.write) -> None:
        private_directory(directory)
        with makeable(directory):
            self.path, self._descriptor = _create(directory, name)
        self._write = write
        self._open = True
        self.size = 0
        self._pending = _Pending()
        self._writer = Writer(self._pending)
        self._writer.start(profile=PROFILE, library=f"livefit {version('livefit')}")
        protocol = files("livefit.wire").joinpath("PROTOCOL.md").read_bytes()
        schema = self._writer.register_schema(f"livefit/{PROTOCOL}", "text/markdown", protocol)
        self._channels = {
            topic: self._writer.register_channel(topic, ENCODING, schema) for topic in RECORDED
        }
        self._counts = dict.fromkeys(RECORDED, 0)
        _sync_directory(directory)

    def add(self, topic: str, raw: bytes, *, arrived_ns: int, sent_ns: int) -> None:
        """Add a message; it is in the file after the next :meth:`flush`.

        Parameters
        ----------
        topic, raw
            One of `RECORDED`, and the message as it came.
        arrived_ns, sent_ns
            Nanoseconds since 1970.
        """
        self._writer.add_message(
            self._channels[topic], arrived_ns, raw, sent_ns, self._counts[topic]
        )
        self._counts[topic] += 1

    def note(self, name: str, values: dict[str, str]) -> None:
        """Add a metadata record, behind the messages so far."""
        self._writer.flush()
        self._writer.add_metadata(name, values)

    def flush(self) -> None:
        """Write what there is as one chunk, and have it on the disk when this returns.

        Raises
        ------
        RecordingStoppedError
            If that fails. The file is closed then and ends with the chunk before.
        """
        self._writer.flush()
        data = memoryview(self._pending.take())
        if not data:
            return
        try:
            done = 0
            while done < len(data):
                done += self._write(self._descriptor, bytes(data[done:]))
            os.fsync(self._descriptor)
            if os.fstat(self._descriptor).st_nlink == 0:
                self._close()
                raise RecordingStoppedError(
                    errno.ENOENT,
                    f"the recording was stopped and is lost: {self.path} was removed while it was "
                    "written; begin another one",
                )
        except RecordingStoppedError:
            raise
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(self._descriptor, self.size)
            self._close()
            raise stopped(self.path, self.size, error) from error
        self.size += len(data)

    def free(self) -> int:
        """Bytes free where the file is, whatever has become of its name and directory."""
        if hasattr(os, "fstatvfs"):
            disk = os.fstatvfs(self._descriptor)
            return disk.f_bavail * disk.f_frsize
        return shutil.disk_usage(self.path).free

    def close(self) -> None:
        """Write the index and close the file; closing twice does nothing.

        Raises
        ------
        RecordingStoppedError
            If the index cannot be written; every message written before can be read without it.
        """
        if self._open:
            self.flush()
            self._writer.finish()
            self.flush()
            self._close()

    def _close(self) -> None:
        if self._open:
            self._open = False
            os.close(self._descriptor)

    def __enter__(self) -> RecordingWriter:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None or not issubclass(kind, RecordingStoppedError):
            self.close()


def _sync_directory(directory: Path) -> None:
    """Have a new file's name on the disk, where the system can do that."""
    with contextlib.suppress(OSError):
        descriptor = os.open(directory, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
