"""``livefit keys``: who may connect from other machines."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from livefit.cli import common
from livefit.wire.keys import DIRECTORY_VARIABLE, KeyRing, read_public

keys = typer.Typer(help="Make keys and say whose may connect, to work over a network.")

Directory = Annotated[
    Path | None,
    typer.Option(
        "--directory",
        envvar=DIRECTORY_VARIABLE,
        help="Where the keys are, instead of the user's configuration directory.",
    ),
]


@keys.command()
@common.plain_errors
def make(
    name: Annotated[str, typer.Argument(help="What to call it, such as the machine's name.")],
    directory: Directory = None,
) -> None:
    """Make a pair of keys for this machine and show the public one."""
    ring = KeyRing(directory)
    public = ring.make(name).decode()
    typer.echo(
        f"Made the pair {name} in {ring.directory}. Its secret half stays on this machine.\n"
        f"Public key:  {public}\n"
        "On each machine that it is to work with, the other way round too:\n"
        f"  livefit keys allow '{public}' --name {name}\n"
        f"To listen with it:   --results 'tcp://0.0.0.0:47801#{name}'\n"
        f"To connect to it:    --results 'tcp://HOST:47801#{name}'"
    )


@keys.command("list")
@common.plain_errors
def list_keys(directory: Directory = None) -> None:
    """Show this machine's keys and whose are allowed."""
    ring = KeyRing(directory)
    typer.echo(f"Keys in {ring.directory}")
    for name, public in ring.own().items():
        typer.echo(f"  {public.decode()}  {name}: this machine's own")
    for known in ring.others().values():
        right = "may watch only" if known.watch_only else "may watch and control"
        typer.echo(f"  {known.public.decode()}  {known.name}: {right}")
    if not ring.own():
        typer.echo("There is no pair of this machine's own yet: livefit keys make NAME")


@keys.command()
@common.plain_errors
def allow(
    public_key: Annotated[
        str, typer.Argument(help="40 characters, or a certificate file that holds them.")
    ],
    name: Annotated[str, typer.Option("--name", help="What to call its owner.")],
    watch_only: Annotated[
        bool, typer.Option("--watch-only", help="It may look, and change nothing.")
    ] = False,
    directory: Directory = None,
) -> None:
    """Let the owner of a public key connect; again with the same name changes its rights."""
    KeyRing(directory).allow(read_public(public_key), name, watch_only=watch_only)
    typer.echo(f"{name} {'may watch' if watch_only else 'may watch and control'} from now on.")


@keys.command()
@common.plain_errors
def forget(
    name: Annotated[str, typer.Argument(help="As it was allowed.")], directory: Directory = None
) -> None:
    """Let somebody connect no longer; who is connected is cut off within a second."""
    KeyRing(directory).forget(name)
    typer.echo(f"{name} is let in no longer.")
