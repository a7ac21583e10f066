"""``livefit session``: riders, and sessions from the greeting to the follow-up."""

from __future__ import annotations

import json
import sys
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from livefit.cli import common
from livefit.cli.gather import gather_into
from livefit.cli.opening import FilesAt, SessionId, StoreAt, day, moment, opened, pairs
from livefit.cli.session_asking import ask_all
from livefit.cli.session_change import (
    add_adjustment,
    add_note,
    add_picture,
    add_recording,
    close,
    edit,
    follow_up,
    reopen,
)
from livefit.cli.session_show import compare, list_sessions, search, show
from livefit.definitions import DefinitionError
from livefit.session.editing import answered, measured, now, read_sections
from livefit.session.models import Bicycle, FitSession, Person

if TYPE_CHECKING:
    from livefit.store.store import Store

SIGNED = {"ignore_unknown_options": True}
"""For arguments that may begin with a minus: -2.5 is no option."""

session = typer.Typer(
    help="Fit sessions: riders, interview, set-up, outcome. Kept on this machine only.",
    epilog=common.CAUTION,
    no_args_is_help=True,
)


@session.command("new-rider")
@common.plain_errors
def new_rider(
    name: Annotated[str, typer.Argument(help="The rider's name.")],
    born: Annotated[str | None, typer.Option(help="Day of birth, as 1990-12-31.")] = None,
    contact: Annotated[str, typer.Option(help="How to reach the rider.")] = "",
    notes: Annotated[str, typer.Option(help="Anything else.")] = "",
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Add a rider and print the id."""
    rider = Person(name=name, born=day(born), contact=contact, notes=notes)
    with opened(store, files) as kept:
        kept.add_rider(rider)
    typer.echo(rider.id)


@session.command()
@common.plain_errors
def riders(
    text: Annotated[str, typer.Argument(help="A part of the name.")] = "",
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """List the riders."""
    with opened(store, files) as kept:
        for rider in kept.riders(text):
            born = "" if rider.born is None else f", born {rider.born}"
            typer.echo(f"{rider.id[:8]}  {rider.name}{born}")


@session.command("new")
@common.plain_errors
def new_session(
    rider: Annotated[
        str, typer.Option("--rider", help="Id or name; one that is not known yet is added.")
    ],
    discipline: common.Discipline = "road_endurance",
    bicycle: Annotated[str | None, typer.Option(help="What the rider calls the bicycle.")] = None,
    frame: Annotated[str, typer.Option(help="Maker, model and size of a new bicycle.")] = "",
    fitter: Annotated[str | None, typer.Option(help="Who fits; else the studio's.")] = None,
    began: Annotated[str | None, typer.Option(help="As 2026-03-09T14:05; else now.")] = None,
    answers: Annotated[
        Path | None,
        typer.Option(help="A .toml or .json file with the tables answers, before and after."),
    ] = None,
    answer: Annotated[
        list[str] | None, typer.Option("--answer", help="QUESTION=ANSWER; repeat it for several.")
    ] = None,
    before: Annotated[
        list[str] | None,
        typer.Option("--before", help="DIMENSION=VALUE or PART=WORDS of the bicycle as it came."),
    ] = None,
    ask: Annotated[
        bool | None,
        typer.Option("--ask/--no-ask", help="Ask every question; by default on a terminal."),
    ] = None,
    definitions: common.DefinitionsDir = None,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Begin a session and print its id. On a terminal it asks, and keeps each answer at once.

    Whatever was left open is asked again by: livefit session ask ID
    """
    known = common.read_definitions(definitions)
    known.discipline(discipline)
    given = _sections(answers)
    given["answers"] |= pairs(answer, "an answer")
    given["before"] |= pairs(before, "a dimension or part")
    asks = sys.stdin.isatty() if ask is None else ask
    with opened(store, files) as kept:
        who = _rider(kept, rider)
        made = FitSession(
            rider=who,
            bicycle=_bicycle(kept, who, bicycle, discipline, frame),
            began=moment(began, now()),
            fitter=known.studio.fitter if fitter is None else fitter,
            studio=known.studio.name,
            discipline=discipline,
        )
        made = answered(made, given["answers"], known)
        if given["before"]:
            made = measured(made, "before", given["before"], known)
        if given["after"]:
            made = measured(made, "after", given["after"], known)
        kept.add(made)
        typer.echo(made.id)
        if asks:
            ask_all(kept, made.id, known)


def _sections(path: Path | None) -> dict[str, dict[str, Any]]:
    if path is None:
        return {"answers": {}, "before": {}, "after": {}}
    try:
        text = path.read_text(encoding="utf-8-sig")
        document = json.loads(text) if path.suffix.lower() == ".json" else tomllib.loads(text)
    except UnicodeDecodeError as error:
        raise DefinitionError(f"{path}: expected text in UTF-8") from error
    except ValueError as error:
        kind = "JSON" if path.suffix.lower() == ".json" else "TOML"
        raise DefinitionError(f"{path}: expected valid {kind}, found: {error}") from error
    if not isinstance(document, dict):
        raise DefinitionError(f"{path}: expected the tables answers, before and after")
    return read_sections(document, str(path))


def _rider(store: Store, named: str) -> Person:
    """Return the rider who is meant; a name that nobody bears is a new one."""
    from livefit.store.errors import UnknownError

    try:
        return store.rider(named)
    except UnknownError as error:
        if not str(error).startswith("no rider"):
            raise
        return Person(name=named)


def _bicycle(
    store: Store, rider: Person, name: str | None, discipline: str, frame: str
) -> Bicycle | None:
    if name is None:
        return None
    for one in store.bicycles(rider.id):
        if one.name.casefold() == name.casefold():
            return one
    return Bicycle(rider=rider.id, name=name, discipline=discipline, frame=frame)


@session.command("ask")
@common.plain_errors
def ask_on(
    which: SessionId,
    definitions: common.DefinitionsDir = None,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Ask the questions that are still open; each answer is kept at once."""
    known = common.read_definitions(definitions)
    with opened(store, files) as kept:
        ask_all(kept, which, known)


session.command("list")(list_sessions)
session.command("search")(search)
session.command("show")(show)
session.command("edit")(edit)
session.command("add-note", context_settings=SIGNED)(add_note)
session.command("add-adjustment", context_settings=SIGNED)(add_adjustment)
session.command("add-picture")(add_picture)
session.command("add-recording")(add_recording)
session.command("gather")(gather_into)
session.command("compare")(compare)
session.command("close")(close)
session.command("reopen")(reopen)
session.command("follow-up", context_settings=SIGNED)(follow_up)
