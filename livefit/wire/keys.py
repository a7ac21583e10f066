"""Who may talk to whom: CurveZMQ keys, kept as the usual ZeroMQ certificate files.

One directory holds the pairs of this machine and, below ``others``, the public keys of those that
it knows. A pair is two files, ``NAME.key`` and ``NAME.key_secret`` (rfc.zeromq.org/spec/26).
"""

from __future__ import annotations

import os
import re
import stat
import struct
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import zmq
import zmq.auth
from platformdirs import user_config_path
from zmq.utils import z85

DIRECTORY_VARIABLE: Final = "LIVEFIT_KEYS"
"""Environment variable that names another directory than the user's own."""
PUBLIC, SECRET = ".key", ".key_secret"

_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_WATCH_ONLY: Final = re.compile(r"^\s*watch-only\s*=\s*yes\s*$", re.MULTILINE)
_KEY_BYTES: Final = 32
_KEY_LETTERS: Final = 40


class KeysError(OSError):
    """A key that is missing, is none, or lies open to others."""


@dataclass(frozen=True)
class Pair:
    """A key pair of this machine; both keys as 40 letters of Z85 (rfc.zeromq.org/spec/32)."""

    public: bytes
    secret: bytes

    def __repr__(self) -> str:
        """Without the secret, which must never reach a log."""
        return f"Pair({self.public.decode()})"


@dataclass(frozen=True)
class Known:
    """Somebody whose public key is known, and what that key may do here."""

    name: str
    public: bytes
    watch_only: bool = False


class KeyRing:
    """The keys in one directory.

    Parameters
    ----------
    directory
        Where they are; by default what ``LIVEFIT_KEYS`` says, else ``keys`` in the user's
        configuration directory.
    """

    def __init__(self, directory: Path | None = None) -> None:
        named = os.environ.get(DIRECTORY_VARIABLE)
        self.directory = directory or (
            Path(named) if named else user_config_path("livefit") / "keys"
        )

    def make(self, name: str) -> bytes:
        """Make a pair of keys for this machine and return the public one.

        Raises
        ------
        KeysError
            If the name cannot be one, or is taken.
        """
        self._refuse_taken(name)
        self._prepare(self.directory)
        public, secret = zmq.curve_keypair()
        # One that begins with a hyphen would be read as an option on a command line.
        while not public[:1].isalnum():
            public, secret = zmq.curve_keypair()
        head = "#   ZeroMQ CURVE **Secret** Certificate: give it to nobody\n"
        _write(self._file(name, SECRET), head + _certificate(name, public, secret=secret))
        _write(self._file(name, PUBLIC), _certificate(name, public))
        return public

    def allow(self, public: bytes, name: str, *, watch_only: bool = False) -> None:
        """Let the owner of a public key in; once more with the same name changes its rights.

        Parameters
        ----------
        public
            40 letters of Z85.
        name
            What to call its owner here.
        watch_only
            It may look, and change nothing.

        Raises
        ------
        KeysError
            If the key is none, or the key or the name is taken.
        """
        _checked(public, "the key")
        known = self.others()
        if name not in known:
            self._refuse_taken(name)
        elif known[name].public != public:
            raise KeysError(
                f"{name!r} has another key already; drop that with: livefit keys forget {name}"
            )
        for other in known.values():
            if other.public == public and other.name != name:
                raise KeysError(f"this key is known already, as {other.name!r}")
        if public in self.own().values():
            raise KeysError("this key is one of this machine's own, which are always allowed")
        self._prepare(self.directory)
        self._prepare(self._others)
        _write(self._others / f"{name}{PUBLIC}", _certificate(name, public, watch_only=watch_only))

    def forget(self, name: str) -> None:
        """Let the owner of an allowed key in no longer.

        Raises
        ------
        KeysError
            If nobody has the name, or it is a pair of this machine.
        """
        if name in self.own():
            raise KeysError(
                f"{name!r} is a pair of this machine itself; to destroy it, delete "
                f"{self._file(name, SECRET)} and {self._file(name, PUBLIC).name}"
            )
        if name not in self.others():
            raise KeysError(f"nobody is called {name!r}; known are {_listed(self.others())}")
        (self._others / f"{name}{PUBLIC}").unlink()

    def own(self) -> dict[str, bytes]:
        """Return the public key of each pair of this machine, by name."""
        files = sorted(self.directory.glob(f"*{SECRET}"))
        names = [file.name.removesuffix(SECRET) for file in files]
        return {name: _read(self._file(name, PUBLIC))[0] for name in names}

    def others(self) -> dict[str, Known]:
        """Return those whose public key is known, by name."""
        found = {}
        for file in sorted(self._others.glob(f"*{PUBLIC}")):
            public, _ = _read(file)
            name = file.name.removesuffix(PUBLIC)
            watch_only = _WATCH_ONLY.search(file.read_text("utf-8")) is not None
            found[name] = Known(name, public, watch_only)
        return found

    def allowed(self) -> dict[bytes, Known]:
        """Return who may come in, by public key: the others, and this machine's own pairs."""
        known = [*self.others().values(), *(Known(n, key) for n, key in self.own().items())]
        return {one.public: one for one in known}

    def pair(self, name: str | None = None) -> Pair:
        """Return a pair of this machine; without a name the only one.

        Raises
        ------
        KeysError
            If there is none, or several and no name; or if others can read the secret file.
        """
        own = self.own()
        if name is None:
            if len(own) > 1:
                raise KeysError(
                    f"there are several pairs of keys here, {_listed(own)}: say which one, as "
                    "tcp://HOST:PORT#MINE:THEIRS"
                )
            name = next(iter(own), None)
        if name is None or name not in own:
            wanted = "no pair of keys" if name is None else f"no pair of keys called {name!r}"
            raise KeysError(
                f"there is {wanted} in {self.directory} (there: {_listed(own)}); make one with: "
                f"livefit keys make {name or 'NAME'}"
            )
        file = self._file(name, SECRET)
        _refuse_open(self.directory)
        _refuse_open(file)
        public, secret = _read(file)
        if secret is None or public != own[name]:
            raise KeysError(f"{file} and {name}{PUBLIC} are not the two halves of one pair")
        return Pair(public, _checked(secret, str(file)))

    def public_of(self, name: str) -> bytes:
        """Return the public key of somebody known, or of a pair of this machine.

        Raises
        ------
        KeysError
            If nobody has the name.
        """
        others, own = self.others(), self.own()
        if name in others:
            return others[name].public
        if name in own:
            return own[name]
        raise KeysError(
            f"the key of {name!r} is not known in {self.directory}; known are "
            f"{_listed([*others, *own])}. Add it with: livefit keys allow PUBLIC_KEY --name {name}"
        )

    @property
    def _others(self) -> Path:
        return self.directory / "others"

    def _file(self, name: str, ending: str) -> Path:
        return self.directory / f"{name}{ending}"

    def _refuse_taken(self, name: str) -> None:
        if not _NAME.fullmatch(name):
            raise KeysError(
                f"a name is 1 to 40 letters, digits, hyphens and underscores, got {name!r}"
            )
        if name in self.own() or name in self.others():
            raise KeysError(f"{name!r} is taken in {self.directory}; choose another name")

    def _prepare(self, directory: Path) -> None:
        directory.mkdir(mode=0o700, parents=True, exist_ok=True)
        _refuse_open(directory)


def read_public(text: str) -> bytes:
    """Return a public key from its letters, or from a certificate file.

    Raises
    ------
    KeysError
        If the text is neither.
    """
    if Path(text).is_file():
        return _read(Path(text))[0]
    return _checked(text.encode(), "the key")


def _certificate(
    name: str, public: bytes, *, secret: bytes | None = None, watch_only: bool = False
) -> str:
    lines = ["metadata", f"    name = {name}"]
    if watch_only:
        lines.append("    watch-only = yes")
    lines += ["curve", f'    public-key = "{public.decode()}"']
    if secret is not None:
        lines.append(f'    secret-key = "{secret.decode()}"')
    return "\n".join(lines) + "\n"


def _write(file: Path, text: str) -> None:
    """Write a file that nobody else can read at any moment, whole or not at all."""
    fresh = file.with_name(f".{file.name}.new")
    fresh.unlink(missing_ok=True)
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as out:
        out.write(text)
    fresh.replace(file)


def _read(file: Path) -> tuple[bytes, bytes | None]:
    try:
        public, secret = zmq.auth.load_certificate(file)
    except ValueError as error:
        raise KeysError(f"{file} is no ZeroMQ certificate: {error}") from error
    except OSError as error:
        raise KeysError(f"cannot read the certificate {file}: {error}") from error
    return _checked(public, str(file)), secret


def _checked(key: bytes, where: str) -> bytes:
    try:
        if len(key) == _KEY_LETTERS and len(z85.decode(key)) == _KEY_BYTES:
            return key
    except (KeyError, struct.error):
        pass  # no letters of Z85, or more than 32 bytes hold
    raise KeysError(f"{where}: expected a key of {_KEY_LETTERS} letters of Z85, got {len(key)}")


def _refuse_open(path: Path) -> None:
    mode = stat.S_IMODE(path.stat().st_mode)
    if os.name == "posix" and mode & 0o077:
        right = "700" if path.is_dir() else "600"
        raise KeysError(
            f"{path} is open to others (mode {mode:04o}); take that from them with: "
            f"chmod {right} {path}"
        )


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names) or "none"
