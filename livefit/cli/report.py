"""``livefit report``: what the rider takes home."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from livefit.cli import common
from livefit.cli.opening import FilesAt, StoreAt, opened
from livefit.private_files import write_private
from livefit.report import make_report, pdf_of, read_session
from livefit.session.models import FitSession

PAPERS = ("a4", "letter")


@common.plain_errors
def report(
    session: Annotated[
        str, typer.Argument(help="Id of a session in the store, or a session's document, JSON.")
    ],
    html: Annotated[Path | None, typer.Option(help="Write one HTML file.")] = None,
    pdf: Annotated[Path | None, typer.Option(help="Write a PDF.")] = None,
    paper: Annotated[
        str | None, typer.Option(help="a4 or letter; by default the studio's.")
    ] = None,
    language: Annotated[
        str | None, typer.Option(help="en, de, ...; by default the studio's.")
    ] = None,
    pictures: Annotated[
        Path | None, typer.Option(help="Folder of the pictures; by default the session's.")
    ] = None,
    earlier: Annotated[
        str | None, typer.Option(help="An earlier session to compare with: id or document.")
    ] = None,
    definitions: common.DefinitionsDir = None,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Make a session's report; with neither --html nor --pdf, a PDF named after it."""
    if paper is not None and paper not in PAPERS:
        raise ValueError(f"a paper is {' or '.join(PAPERS)}, got {paper!r}")
    if pictures is not None and not pictures.is_dir():
        raise ValueError(f"expected a folder of pictures, found none at {pictures}")
    changes: dict[str, Any] = {"paper": paper, "language": language}
    known = common.read_definitions(definitions)
    studio = known.studio.model_copy(
        update={key: value for key, value in changes.items() if value is not None}
    )
    found, beside = _found(session, store, files)
    made = make_report(
        found,
        known,
        studio,
        user_dir=definitions,
        pictures_dir=pictures or beside,
        earlier=None if earlier is None else _found(earlier, store, files)[0],
    ).html()
    if html is None and pdf is None:
        pdf = Path(session).with_suffix(".pdf")
    if html is not None:
        _write(html, made.encode("utf-8"))
    if pdf is not None:
        _write(pdf, pdf_of(made))


def _found(which: str, store: str | None, files: Path | None) -> tuple[FitSession, Path]:
    """Return a session, and the folder of its pictures."""
    path = Path(which)
    if path.suffix or path.is_file():
        return read_session(path), path.parent
    with opened(store, files) as kept:
        found = kept.get(which).session
        return found, kept.files.folder(found.id, "picture")


def _write(path: Path, data: bytes) -> None:
    write_private(path, data)
    typer.echo(f"Report, readable only by you: {path}")
