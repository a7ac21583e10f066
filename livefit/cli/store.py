"""``livefit store``: backups, bundles, checks, and deleting for good."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from livefit.cli import common
from livefit.cli.opening import FilesAt, SessionId, StoreAt, Yes, confirm, opened
from livefit.cli.store_export import export, frames, pseudonymise

if TYPE_CHECKING:
    from livefit.store.deletion import Deleted

store = typer.Typer(
    help="Where fit sessions are kept: backups, bundles, exports, checks, deleting for good.",
    no_args_is_help=True,
)
store.command("export")(export)
store.command("pseudonymise")(pseudonymise)
store.command("frames")(frames)

NOT_WHOLE = 1
"""Exit status when the store has faults."""


@store.command()
@common.plain_errors
def where(at: StoreAt = None, files: FilesAt = None) -> None:
    """Say where the store is and what is in it."""
    with opened(at, files) as kept:
        noted = kept.kept_files()
        size = sum(one.size for _, one in noted)
        typer.echo(f"database   {kept.database.name}, schema {kept.database.revision()}")
        typer.echo(f"files      {kept.files.directory}")
        typer.echo(f"backups    {kept.backups}")
        typer.echo(
            f"{len(kept.riders())} riders, {len(kept.sessions())} sessions, "
            f"{len(noted)} files of {size / 1e6:.1f} MB"
        )


@store.command()
@common.plain_errors
def backup(
    to: Annotated[
        Path | None, typer.Argument(help="The file, .zip; by default beside the store.")
    ] = None,
    rows_only: Annotated[
        bool, typer.Option("--rows-only", help="Without pictures and recordings.")
    ] = False,
    at: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Write everything into one file, for you alone. It holds names: keep it as safe."""
    from livefit.store.backup import backup_name, write_backup

    with opened(at, files) as kept:
        path = to or kept.backups / backup_name(datetime.now().astimezone())
        write_backup(kept, path, files=not rows_only)
    typer.echo(str(path))


@store.command()
@common.plain_errors
def restore(
    file: Annotated[Path, typer.Argument(help="A backup.")],
    at: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Fill an empty store from a backup."""
    from livefit.store.backup import restore_backup

    typer.echo(f"{restore_backup(file, at, files=files)} sessions were restored")


@store.command()
@common.plain_errors
def check(at: StoreAt = None, files: FilesAt = None) -> None:
    """Whether the database and every file are whole; ends with status 1 if not."""
    from livefit.store.integrity import faults

    with opened(at, files) as kept:
        found = list(faults(kept))
    for line in found:
        typer.echo(line)
    if found:
        typer.secho(f"livefit: {len(found)} faults in the store", err=True, fg="red")
        raise typer.Exit(NOT_WHOLE)
    typer.echo("All is well.")


@store.command()
@common.plain_errors
def bundle(
    which: SessionId,
    to: Annotated[Path, typer.Argument(help="The file, .zip.")],
    recordings: Annotated[bool, typer.Option(help="With the recordings.")] = True,
    at: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Write one session with its files into one file, for another machine. It holds the name."""
    from livefit.store.bundle import write_bundle

    with opened(at, files) as kept:
        write_bundle(kept, which, to, recordings=recordings)
    typer.echo(str(to))


@store.command("import")
@common.plain_errors
def import_bundle(
    file: Annotated[Path, typer.Argument(help="A bundle.")],
    at: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Take a session out of a bundle; one that is not what it claims to be is refused."""
    from livefit.store.bundle import read_bundle

    with opened(at, files) as kept:
        taken = read_bundle(kept, file)
        known = kept.get(taken.id).session
    if (known.rider, known.bicycle) != (taken.rider, taken.bicycle):
        typer.secho(
            f"note: {known.rider.name} was known already; rider and bicycle stay as they are here",
            err=True, fg="yellow",
        )  # fmt: skip
    typer.echo(taken.id)


@store.command("delete-session")
@common.plain_errors
def delete_one(
    which: SessionId, yes: Yes = False, at: StoreAt = None, files: FilesAt = None
) -> None:
    """Delete a session with its pictures and recordings for good; the rider stays."""
    from livefit.store.deletion import delete_session

    with opened(at, files) as kept:
        found = kept.get(which).session
        confirm(f"Delete the session of {found.rider.name} of {found.began:%Y-%m-%d}?", yes)
        _say(delete_session(kept, found.id))


@store.command("delete-rider")
@common.plain_errors
def delete_all(
    rider: Annotated[str, typer.Argument(help="Id or name of the rider.")],
    yes: Yes = False,
    at: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Delete a rider and everything kept of the rider for good; a time and an id remain."""
    from livefit.store.deletion import delete_rider

    with opened(at, files) as kept:
        who = kept.rider(rider)
        confirm(f"Delete {who.name} ({who.id[:8]}) and all sessions?", yes)
        _say(delete_rider(kept, who.id))


def _say(done: Deleted) -> None:
    typer.echo(f"Deleted: {done.sessions} sessions, {done.files} files.")
    for path in done.backups:
        typer.secho(
            f"Still in the backup {path}: delete it too once there is a newer one", fg="yellow"
        )
    typer.echo(
        "Bundles, exports, reports, recordings kept elsewhere and backups you moved are yours to "
        "find; the blocks of a file on a disk are freed, not overwritten: encrypt the disk."
    )


@store.command()
@common.plain_errors
def tidy(at: StoreAt = None, files: FilesAt = None) -> None:
    """Rewrite the database without remains of what was deleted."""
    with opened(at, files) as kept:
        kept.database.forget()
