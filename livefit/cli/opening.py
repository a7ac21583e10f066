"""What the commands about sessions share: which store, and opening it."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from livefit.store.store import Store

StoreAt = Annotated[
    str | None,
    typer.Option(
        "--store",
        help="Directory of the store, or a postgresql:// URL; by default your own data directory.",
    ),
]
FilesAt = Annotated[
    Path | None,
    typer.Option("--files", help="Directory of pictures and recordings, for a store at a URL."),
]
SessionId = Annotated[
    str, typer.Argument(help="Id of a session, or its first four or more characters.")
]
Yes = Annotated[bool, typer.Option("--yes", "-y", help="Do not ask.")]


@contextlib.contextmanager
def opened(place: str | None, files: Path | None) -> Iterator[Store]:
    """Yield the store; loaded here because no other command needs a database."""
    from livefit.store.backup import open_store

    with open_store(place, files=files) as store:
        yield store


def day(text: str | None) -> date | None:
    """Read a day.

    Raises
    ------
    ValueError
        If it is none.
    """
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise ValueError(f"expected a day such as 2026-03-09, found {text!r}") from error


def moment(text: str | None, otherwise: datetime) -> datetime:
    """Read a moment; without a zone it is this machine's.

    Raises
    ------
    ValueError
        If it is none.
    """
    if text is None:
        return otherwise
    try:
        return datetime.fromisoformat(text).astimezone()
    except ValueError as error:
        raise ValueError(f"expected a moment such as 2026-03-09T14:05, found {text!r}") from error


def pairs(given: list[str] | None, what: str) -> dict[str, str]:
    """Read ``NAME=VALUE`` texts.

    Raises
    ------
    ValueError
        If one has no equals sign.
    """
    found = {}
    for text in given or []:
        name, equals, value = text.partition("=")
        if not equals:
            raise ValueError(f"expected {what} as NAME=VALUE, found {text!r}")
        found[name.strip()] = value.strip()
    return found


def confirm(question: str, yes: bool) -> None:
    """Ask before something that cannot be taken back; without a terminal ``--yes`` is needed."""
    if yes:
        return
    if not sys.stdin.isatty():
        raise ValueError(f"{question} There is no terminal to ask at: say it with --yes")
    typer.confirm(question, abort=True)
