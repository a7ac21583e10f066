"""Root, bound by the permissions of files as everybody else is."""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_VERSION = 0x20080522
_PASSES_OVER = 1 << 1 | 1 << 2
"""CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH: capabilities(7), linux/capability.h."""


@contextmanager
def bound_by_permissions(probe: Path) -> Iterator[None]:
    """Let this thread pass over no permission meanwhile; other threads and processes still may.

    Parameters
    ----------
    probe
        A directory of this user, in which it is tried.

    Raises
    ------
    PermissionError
        Where that cannot be had.
    """
    if os.name == "nt":
        raise PermissionError("Windows has no file modes")
    before = _give_up() if os.geteuid() == 0 else None
    try:
        _try(probe)
        yield
    finally:
        if before is not None:
            _set(before)


def _try(probe: Path) -> None:
    shut = probe / "shut"
    shut.mkdir(mode=0o500)
    try:
        (shut / "file").touch()
    except PermissionError:
        return
    else:
        (shut / "file").unlink()
        raise PermissionError("this user may write where it is forbidden")
    finally:
        shut.rmdir()


def _give_up() -> list[int]:
    if not sys.platform.startswith("linux"):
        raise PermissionError("only on Linux can root give up its right to pass over permissions")
    held = (ctypes.c_uint32 * 6)()
    _call("capget", held)
    before = list(held)
    _set([before[0] & ~_PASSES_OVER, *before[1:]])
    return before


def _set(capabilities: list[int]) -> None:
    _call("capset", (ctypes.c_uint32 * 6)(*capabilities))


def _call(name: str, capabilities: ctypes.Array[ctypes.c_uint32]) -> None:
    header = (ctypes.c_uint32 * 2)(_VERSION, 0)
    if getattr(ctypes.CDLL(None, use_errno=True), name)(header, capabilities):
        raise PermissionError(f"{name}: {os.strerror(ctypes.get_errno())}")


@contextmanager
def immutable(path: Path) -> Iterator[None]:
    """Forbid every write to a file, also through a descriptor that is open already.

    Raises
    ------
    PermissionError
        Where that cannot be had: it takes root, Linux and a file system with attributes.
    """
    _attribute(path, "+i")
    try:
        yield
    finally:
        _attribute(path, "-i")


def _attribute(path: Path, change: str) -> None:
    try:
        done = subprocess.run(
            ["chattr", change, str(path)], capture_output=True, text=True, check=False
        )
    except FileNotFoundError as error:
        raise PermissionError("there is no chattr") from error
    if done.returncode:
        raise PermissionError(done.stderr.strip())
