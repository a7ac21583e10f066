"""What a source of frames is, and how one is found by its name."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from importlib import import_module
from importlib.metadata import entry_points
from typing import Any, Protocol

from livefit.frames import MarkerBlock, StreamInfo

GROUP = "livefit.sources"
"""The entry points group in which a source registers itself under its name."""


class Source(Protocol):
    """A device, a recording or a simulator that hands out marker frames."""

    name: str
    """What the source is, for people."""

    def describe(self) -> StreamInfo | None:
        """Return what holds for the frames that :meth:`read` gave last, and for those to come.

        None: not known yet, because a device has not said so. Another object than before: the
        device began anew, and a new stream begins.
        """

    def read(self, timeout_s: float) -> MarkerBlock | None:
        """Return the frames that are due; None if none came within ``timeout_s``.

        Raises
        ------
        EOFError
            At the end, if the source has one.
        """

    def control(self, op: str, args: dict[str, Any]) -> dict[str, Any]:
        """Carry out an operation of the source's own and return its result.

        Raises
        ------
        ValueError
            If there is no such operation, or an argument is wrong.
        """

    def close(self) -> None:
        """Let go of the device or the file."""


class MissingPackageError(ValueError):
    """A package that only some sources need is not installed."""


def only_state_asked(op: str) -> None:
    """Refuse a request to a source that answers none but ``source.state``.

    Raises
    ------
    ValueError
        If the operation is another.
    """
    if op != "source.state":
        raise ValueError(f"unknown operation {op!r}; known is source.state")


def optional_package(name: str, extra: str) -> Any:
    """Import a package that only some sources need.

    Parameters
    ----------
    name
        Of the module.
    extra
        The optional dependency of this program that brings it.

    Raises
    ------
    MissingPackageError
        If it is not installed, or lacks a library of its own.
    """
    try:
        return import_module(name)
    except (ImportError, RuntimeError) as error:
        raise MissingPackageError(
            f"this needs the package {name!r}, which cannot be used here: {error}. "
            f"Install it with: pip install 'livefit[{extra}]'"
        ) from error


OpenSource = Callable[[dict[str, str]], Source]
"""What an entry point of the group refers to: options in, source out."""


def source_names() -> list[str]:
    """Return the names of all installed sources, sorted."""
    return sorted({entry.name for entry in entry_points(group=GROUP)})


def open_source(name: str, options: dict[str, str]) -> Source:
    """Open a source by its name.

    Raises
    ------
    ValueError
        If there is no source of that name, or it does not take one of the options.
    """
    for entry in entry_points(group=GROUP):
        if entry.name == name:
            opener: OpenSource = entry.load()
            return opener(options)
    known = ", ".join(source_names()) or "none"
    raise ValueError(
        f"there is no source {name!r}; installed are: {known}. A package that brings one "
        f"registers it in the entry points group {GROUP!r}"
    )


def check_options(source: str, options: Iterable[str], known: Iterable[str]) -> None:
    """Raise ``ValueError`` if there is an option that the source does not know."""
    unknown = sorted(set(options) - set(known))
    if unknown:
        raise ValueError(
            f"the source {source!r} has no option {', '.join(unknown)}; "
            f"its options are {', '.join(sorted(known))}"
        )


def number_option(options: Mapping[str, str], name: str, default: float, *, low: float) -> float:
    """Return an option as a finite number of at least ``low``."""
    text = options.get(name)
    if text is None:
        return default
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not low <= value < float("inf"):
        raise ValueError(f"option {name}: expected a number from {low:g} up, found {text!r}")
    return value


def switch_option(options: Mapping[str, str], name: str) -> bool:
    """Return an option that is on or off; off if it is not given."""
    text = options.get(name, "no").lower()
    words = {"yes": True, "true": True, "on": True, "1": True}
    words |= {"no": False, "false": False, "off": False, "0": False}
    if text not in words:
        raise ValueError(f"option {name}: expected yes or no, found {options[name]!r}")
    return words[text]
