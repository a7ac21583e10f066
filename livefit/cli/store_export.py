"""``livefit store``: sessions and frames for other programs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from livefit.cli import common
from livefit.cli.opening import FilesAt, StoreAt, day, opened
from livefit.session.models import FitSession

if TYPE_CHECKING:
    from livefit.store.store import Store

Sessions = Annotated[
    list[str] | None, typer.Argument(help="Ids of sessions; none: all of them, or as chosen.")
]
To = Annotated[Path | None, typer.Option("--to", help="Directory, made for you alone.")]
Form = Annotated[
    Literal["json", "csv", "parquet"], typer.Option("--as", help="json, csv or parquet.")
]
OfRider = Annotated[str | None, typer.Option("--rider", help="Only of this rider.")]
Since = Annotated[str | None, typer.Option(help="First day, as 2026-03-09.")]


@common.plain_errors
def export(
    sessions: Sessions = None,
    to: To = None,
    form: Form = "json",
    schema: Annotated[
        bool, typer.Option("--schema", help="Print the JSON Schema of a session, and end.")
    ] = False,
    rider: OfRider = None,
    since: Since = None,
    at: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Write sessions as JSON documents, or as tables in CSV or Parquet. They hold names."""
    from livefit.store.export import json_schema_text, write_export

    if schema:
        typer.echo(json_schema_text())
        return
    directory = _needed(to)
    with opened(at, files) as kept:
        found = _chosen(kept, sessions, rider, since)
        for path in write_export(found, directory, form):
            typer.echo(str(path))


@common.plain_errors
def pseudonymise(
    sessions: Sessions = None,
    to: To = None,
    form: Form = "parquet",
    dates: Annotated[
        Literal["shift", "year"],
        typer.Option(help="shift: each rider's by the same days; year: only the year."),
    ] = "shift",
    key: Annotated[
        Path | None,
        typer.Option(help="File of the secret key; one beside the store is made by default."),
    ] = None,
    rider: OfRider = None,
    since: Since = None,
    definitions: common.DefinitionsDir = None,
    at: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Write sessions without names, free text, pictures, poses and true dates, to pool them.

    Under the same key a rider has the same pseudonym every time. Whoever has the key can tell who
    it is, so never give it away with the data.
    """
    from livefit.store.export import write_export
    from livefit.store.pseudonym import KEY_FILE, Pseudonyms, read_key

    known = common.read_definitions(definitions)
    directory = _needed(to)
    with opened(at, files) as kept:
        secret = read_key(key or kept.files.directory / KEY_FILE)
        names = Pseudonyms(secret, known, dates=dates)
        found = (names.session(one) for one in _chosen(kept, sessions, rider, since))
        for path in write_export(found, directory, form):
            typer.echo(str(path))


def _needed(to: Path | None) -> Path:
    if to is None:
        raise ValueError("say with --to into which directory to write")
    return to


def _chosen(
    store: Store, sessions: list[str] | None, rider: str | None, since: str | None
) -> Iterator[FitSession]:
    from livefit.store.rows import Wanted

    if sessions:
        found = [store.get(one).session.id for one in sessions]
    else:
        who = None if rider is None else store.rider(rider).id
        lines = store.sessions(Wanted(rider_id=who, since=day(since)))
        found = [line.id for line in lines]
    return (store.get(one).session for one in found)


@common.plain_errors
def frames(
    file: Annotated[Path, typer.Argument(help="A recording: .mcap, .trc, .csv or .c3d.")],
    to: Annotated[Path, typer.Argument(help="The C3D file.")],
    from_s: Annotated[
        float, typer.Option("--from", min=0.0, help="Begin so many seconds after the first frame.")
    ] = 0.0,
    seconds: Annotated[
        float | None, typer.Option(min=0.0, help="How many seconds; by default all.")
    ] = None,
) -> None:
    """Write the marker frames of a recording as C3D, for programs that read nothing else.

    Frames that were lost are rows in which no marker is seen; single time stamps are not kept.
    """
    from livefit.sources.files import read_recording
    from livefit.store.c3d import part_of, write_c3d

    recording = read_recording(file, whole=True)
    count = write_c3d(recording.info, part_of(recording.block, from_s=from_s, seconds=seconds), to)
    for note in recording.notes:
        typer.echo(f"note: {note}", err=True)
    typer.echo(f"{to}: {count} frames")
