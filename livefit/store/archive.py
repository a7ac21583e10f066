"""One .zip with a manifest of checksums: written whole, and read as if an enemy had made it."""

from __future__ import annotations

import contextlib
import hashlib
import json
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from livefit.store.errors import ArchiveError, StoreError
from livefit.store.files import copied, private, written

MANIFEST: Final = "manifest.json"
MOST_ENTRIES: Final = 100_000
MOST_MANIFEST: Final = 2**25
MOST_DOCUMENT: Final = 2**26
"""Bytes of a session's document."""
MOST_TOTAL: Final = 2**38
"""Bytes of everything in an archive, unpacked."""
_CRYPT: Final = 0x1
_ALLOWED: Final = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_DAMAGED: Final = (
    zipfile.BadZipFile, zlib.error, struct.error, OSError, EOFError, ValueError, OverflowError,
    NotImplementedError, RuntimeError,
)  # fmt: skip
"""What reading damaged bytes can raise."""

Form = Literal["livefit bundle", "livefit backup"]


class Entry(BaseModel):
    """One file of an archive."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    path: str
    size: Annotated[int, Field(ge=0)]
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class Manifest(BaseModel):
    """What an archive claims to hold."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    format: Form
    version: int
    about: dict[str, str] = {}
    files: Annotated[list[Entry], Field(max_length=MOST_ENTRIES)]


class ArchiveWriter:
    """Puts files into an archive; the manifest comes last.

    Parameters
    ----------
    file
        Where it is written.
    """

    def __init__(self, file: IO[bytes], form: Form, version: int, about: Mapping[str, str]) -> None:
        self._zip = zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED)
        self._manifest: dict[str, Any] = {
            "format": form, "version": version, "about": dict(about), "files": [],
        }  # fmt: skip

    def add(self, path: str, source: IO[bytes], *, packed: bool = True) -> Entry:
        """Add a file; ``packed``: it becomes smaller by packing."""
        info = zipfile.ZipInfo(path, date_time=(1980, 1, 1, 0, 0, 0))
        info.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
        info.external_attr = (stat.S_IFREG | 0o600) << 16
        with self._zip.open(info, "w", force_zip64=True) as target:
            found = copied(source, target)
        entry = Entry(path=path, size=found.size, sha256=found.sha256)
        self._manifest["files"].append(entry.model_dump())
        return entry

    def finish(self) -> None:
        """Add the manifest and the index."""
        self._zip.writestr(MANIFEST, json.dumps(self._manifest, indent=1))
        self._zip.close()

    def abandon(self) -> None:
        """Let go of the file, finished or not."""
        with contextlib.suppress(OSError, ValueError):
            self._zip.close()


@contextlib.contextmanager
def new_archive(
    path: Path, form: Form, version: int, about: Mapping[str, str]
) -> Iterator[ArchiveWriter]:
    """Yield a new archive, private, which gets its name when it is whole.

    Raises
    ------
    StoreError
        If there is a file of the name, or it cannot be written.
    """
    if path.exists():
        raise StoreError(f"{path} is there already; it was left as it is. Give another name")
    private(path.absolute().parent)
    with written(path) as file:
        archive = ArchiveWriter(file, form, version, about)
        try:
            yield archive
            archive.finish()
        finally:
            archive.abandon()


class _Guarded:
    """A file of an archive, read no further than the manifest promises."""

    def __init__(self, archive: ArchiveReader, entry: Entry, file: IO[bytes]) -> None:
        self._archive, self._entry, self._file = archive, entry, file
        self._left = entry.size

    def read(self, count: int, /) -> bytes:
        with self._archive.reading(self._entry.path):
            data = self._file.read(count)
        self._left -= len(data)
        if self._left < 0:
            raise self._archive.refused(
                f"{self._entry.path} holds more than the {self._entry.size} bytes promised"
            )
        return data


class ArchiveReader:
    """A checked archive; a context manager.

    Everything is checked before the first byte is taken: names that lead outside, links, names
    that come twice or are in no manifest, sizes. A checksum is checked as its file is read, and
    not one byte more is unpacked than the manifest promises.

    Raises
    ------
    ArchiveError
        If it is not what it claims to be.
    """

    def __init__(self, path: Path, form: Form, version: int) -> None:
        self._path = path
        try:
            self._zip = zipfile.ZipFile(path)
        except FileNotFoundError as error:
            raise self.refused("there is no such file") from error
        except _DAMAGED as error:
            raise self.refused(f"it is no .zip, or damaged: {error}") from error
        try:
            self.manifest = self._checked(form, version)
        except BaseException:
            self.close()
            raise

    def refused(self, why: str) -> ArchiveError:
        """Return the error that refuses this archive."""
        return ArchiveError(f"{self._path}: refused, nothing of it was taken: {why}")

    def _checked(self, form: Form, version: int) -> Manifest:
        there = self._zip.infolist()
        if len(there) > MOST_ENTRIES + 1:
            raise self.refused(f"expected {MOST_ENTRIES} files at most, found {len(there)}")
        names = [info.filename for info in there]
        if len(set(names)) < len(names):
            raise self.refused("a name comes twice")
        for info in there:
            self._check_entry(info)
        if MANIFEST not in names:
            raise self.refused(f"expected {MANIFEST}, found none; was it made by this program?")
        try:
            raw = self._zip.getinfo(MANIFEST)
            if raw.file_size > MOST_MANIFEST:
                raise self.refused(f"{MANIFEST} is {raw.file_size} bytes long")
            manifest = Manifest.model_validate_json(self._whole(raw))
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            where = ".".join(str(part) for part in first["loc"])
            raise self.refused(f"{MANIFEST}: {where}: {first['msg']}") from error
        if manifest.format != form:
            raise self.refused(f"expected a {form}, found a {manifest.format}")
        if manifest.version != version:
            raise self.refused(
                f"expected version {version} of a {form}, found {manifest.version}; "
                "a newer program made it: install that one"
            )
        self._check_sizes(manifest, names)
        return manifest

    def _check_entry(self, info: zipfile.ZipInfo) -> None:
        name = info.filename
        parts = name.split("/")
        if (
            name != info.orig_filename
            or name.startswith("/")
            or "\\" in name
            or ":" in name
            or any(part in ("", ".", "..") for part in parts)
            or any(ord(letter) < 32 for letter in name)
        ):
            raise self.refused(f"the name {info.orig_filename!r} leads outside")
        kind = stat.S_IFMT(info.external_attr >> 16)
        if kind not in (0, stat.S_IFREG):
            raise self.refused(f"{name!r} is a link or no ordinary file")
        if info.flag_bits & _CRYPT or info.compress_type not in _ALLOWED:
            raise self.refused(f"{name!r} is encrypted or packed in a way that is not used here")

    def _check_sizes(self, manifest: Manifest, names: list[str]) -> None:
        promised = [entry.path for entry in manifest.files]
        if sorted([*promised, MANIFEST]) != sorted(names):
            odd = sorted({*promised, MANIFEST} ^ set(names)) or promised
            raise self.refused(f"the manifest and the files differ: {', '.join(odd[:5])}")
        for entry in manifest.files:
            size = self._zip.getinfo(entry.path).file_size
            if size != entry.size:
                raise self.refused(
                    f"{entry.path}: {entry.size} bytes are promised, {size} are there"
                )
        total = sum(entry.size for entry in manifest.files)
        if total > MOST_TOTAL:
            raise self.refused(f"it would unpack to {total} bytes; {MOST_TOTAL} at most")

    def _whole(self, info: zipfile.ZipInfo) -> bytes:
        """Read a file that is small enough, and no more than it says."""
        with self.reading(info.filename), self._zip.open(info) as file:
            data = file.read(info.file_size + 1)
            if len(data) > info.file_size:
                raise self.refused(f"{info.filename} is longer than it says")
        return data

    @contextlib.contextmanager
    def reading(self, name: str) -> Iterator[None]:
        """Refuse the archive if what is done within fails as damaged bytes make it fail."""
        try:
            yield
        except ArchiveError:
            raise
        except _DAMAGED as error:
            raise self.refused(f"{name} is damaged: {error}") from error

    def paths(self, folder: str) -> list[Entry]:
        """Return the files of one folder."""
        return [entry for entry in self.manifest.files if entry.path.startswith(f"{folder}/")]

    def copy(self, entry: Entry, target: IO[bytes]) -> None:
        """Unpack a file, checking its size and checksum.

        Raises
        ------
        ArchiveError
            If they are not as promised.
        """
        with self.reading(entry.path):
            file = self._zip.open(entry.path)
        with file:
            # What the target cannot take is no fault of the archive.
            found = copied(_Guarded(self, entry, file), target)
        if (found.size, found.sha256) != (entry.size, entry.sha256):
            raise self.refused(f"{entry.path}: its checksum is not the one in the manifest")

    def document(self, path: str) -> bytes:
        """Return a small file as a whole, checked.

        Raises
        ------
        ArchiveError
            If it is not there, too large, or not as promised.
        """
        found = [entry for entry in self.manifest.files if entry.path == path]
        if not found or found[0].size > MOST_DOCUMENT:
            raise self.refused(f"expected {path}, of {MOST_DOCUMENT} bytes at most")
        data = self._whole(self._zip.getinfo(path))
        if hashlib.sha256(data).hexdigest() != found[0].sha256:
            raise self.refused(f"{path}: its checksum is not the one in the manifest")
        return data

    def lines(self, path: str) -> Iterator[bytes]:
        """Yield the lines of a file, and refuse it at the end if it was not as promised."""
        entry = next((entry for entry in self.manifest.files if entry.path == path), None)
        if entry is None:
            raise self.refused(f"expected {path}, found none")
        digest = hashlib.sha256()
        with self.reading(path), self._zip.open(path) as file:
            for line in file:
                digest.update(line)
                yield line
        if digest.hexdigest() != entry.sha256:
            raise self.refused(f"{path}: its checksum is not the one in the manifest")

    def close(self) -> None:
        """Close the file."""
        self._zip.close()

    def __enter__(self) -> ArchiveReader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
