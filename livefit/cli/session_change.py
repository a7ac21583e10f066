"""``livefit session``: what is changed of a session, and what is added to it."""

from __future__ import annotations

import os
import secrets
import shlex
import subprocess
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from livefit.cli import common
from livefit.cli.opening import FilesAt, SessionId, StoreAt, day, opened
from livefit.definitions.interview import number_of
from livefit.session.editing import from_text, now, refuse_closed, with_field
from livefit.session.models import Adjustment, FitSession, FollowUp, Trial

if TYPE_CHECKING:
    from livefit.store.files import Kind
    from livefit.store.store import Store

Title = Annotated[str, typer.Option(help="What it shows, in words, for people who cannot see it.")]
AFile = Annotated[Path, typer.Argument(exists=True, dir_okay=False, help="It is copied.")]


@common.plain_errors
def edit(
    which: SessionId,
    fields: Annotated[
        list[str] | None,
        typer.Argument(
            help="FIELD=VALUE, such as outcome=..., answers.inseam=830, before.saddle_height=712, "
            "rider.name=...; none: the whole document in the editor that $EDITOR names."
        ),
    ] = None,
    definitions: common.DefinitionsDir = None,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Change an open session. If another changed it meanwhile, nothing is written or lost."""
    known = common.read_definitions(definitions)
    with opened(store, files) as kept:
        loaded = kept.get(which)
        refuse_closed(loaded.session)
        if not fields:
            _edit_in_editor(kept, which)
            return
        changed = loaded.session
        for field in fields:
            path, equals, value = field.partition("=")
            if not equals:
                raise ValueError(f"expected FIELD=VALUE, found {field!r}")
            changed = with_field(changed, path.strip(), value, known)
        kept.save(loaded, changed)


def _edit_in_editor(store: Store, which: str) -> None:
    editor = os.environ.get("VISUAL") or os.environ.get("EDITOR")
    if not editor:
        raise ValueError("set EDITOR to the editor you want, or give FIELD=VALUE")
    loaded = store.get(which)
    # In the store's own directory, which nobody else can look into.
    path = store.files.directory / f"edited_{loaded.session.id[:8]}_{secrets.token_hex(3)}.json"
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    before = loaded.session.model_dump_json(indent=1)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(before)
    status = subprocess.run([*shlex.split(editor), str(path)], check=False).returncode
    after = path.read_text(encoding="utf-8")
    if after == before:
        path.unlink()
        typer.echo("Nothing was changed.", err=True)
        return
    try:
        if status:
            raise ValueError(f"the editor ended with status {status}; nothing was written")
        store.save(loaded, from_text(after, loaded.session))
    except ValueError as error:
        raise ValueError(f"{error}\nWhat you wrote is in {path}") from error
    path.unlink()


@common.plain_errors
def add_note(
    which: SessionId,
    text: Annotated[str, typer.Argument(help="What to note.")],
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Add a note."""
    _change(
        store,
        files,
        which,
        lambda one: one.model_copy(update={"notes": [*one.notes, text]}),
        even_closed=True,
    )


@common.plain_errors
def add_adjustment(
    which: SessionId,
    part: Annotated[str, typer.Argument(help="Name of an adjustment, such as saddle_height.")],
    amount: Annotated[str, typer.Argument(help="As +5 or -2.5, in its unit.")],
    why: Annotated[str, typer.Option(help="What for.")] = "",
    trial: Annotated[
        int | None, typer.Option(help="Number of the trial that rode with it; else the last.")
    ] = None,
    definitions: common.DefinitionsDir = None,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Add an adjustment; with no trial yet, to a new trial 0 that has no numbers."""
    unit = common.read_definitions(definitions).adjustment(part).unit
    value = number_of(amount)
    if value is None:
        raise ValueError(
            f"{part}: expected a number of {unit} such as +5 or -2.5, found {amount!r}"
        )
    made = Adjustment(part=part, amount=value, unit=unit, why=why, at=now())

    def adjusted(one: FitSession) -> FitSession:
        trials = one.trials or [Trial(number=0)]
        wanted = trials[-1].number if trial is None else trial
        if wanted not in [each.number for each in trials]:
            there = ", ".join(str(each.number) for each in trials)
            raise ValueError(f"there is no trial {wanted}; expected one of: {there}")
        return one.model_copy(
            update={
                "trials": [
                    each.model_copy(update={"adjustments": [*each.adjustments, made]})
                    if each.number == wanted
                    else each
                    for each in trials
                ]
            }
        )

    _change(store, files, which, adjusted)


@common.plain_errors
def add_picture(
    which: SessionId,
    file: AFile,
    title: Title = "",
    name: Annotated[str | None, typer.Option(help="What to call it; else as it is.")] = None,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Copy a picture beside the store."""
    _add_file(store, files, which, "picture", file, name, title)


@common.plain_errors
def add_recording(
    which: SessionId,
    file: AFile,
    name: Annotated[str | None, typer.Option(help="What to call it; else as it is.")] = None,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Copy a recording beside the store; the one you give stays where it is."""
    _add_file(store, files, which, "recording", file, name, "")


def _add_file(
    store: str | None,
    files: Path | None,
    which: str,
    kind: Kind,
    file: Path,
    name: str | None,
    title: str,
) -> None:
    with opened(store, files) as kept, file.open("rb") as source:
        refuse_closed(kept.get(which).session)
        added = kept.add_file(which, kind, source, name or file.name, title)
    typer.echo(added.name)


@common.plain_errors
def close(
    which: SessionId,
    outcome: Annotated[str | None, typer.Option(help="How it ended, in words.")] = None,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Close a session: notes and follow-ups can still be added, nothing else changed."""

    def closed(one: FitSession) -> FitSession:
        words = one.outcome if outcome is None else outcome
        return one.model_copy(update={"closed": True, "outcome": words})

    _change(store, files, which, closed)


@common.plain_errors
def reopen(which: SessionId, store: StoreAt = None, files: FilesAt = None) -> None:
    """Open a closed session again, to change it; until it is closed its report is a draft."""
    _change(
        store,
        files,
        which,
        lambda one: one.model_copy(update={"closed": False}),
        even_closed=True,
    )


@common.plain_errors
def follow_up(
    which: SessionId,
    text: Annotated[str, typer.Argument(help="What the rider said afterwards.")],
    on: Annotated[str | None, typer.Option(help="The day, as 2026-03-09; else today.")] = None,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Add what the rider said afterwards."""
    said = FollowUp(on=day(on) or date.today(), text=text)
    _change(
        store,
        files,
        which,
        lambda one: one.model_copy(update={"follow_ups": [*one.follow_ups, said]}),
        even_closed=True,
    )


def _change(
    store: str | None,
    files: Path | None,
    which: str,
    change: Callable[[FitSession], FitSession],
    *,
    even_closed: bool = False,
) -> None:
    def changed(one: FitSession) -> FitSession:
        if not even_closed:
            refuse_closed(one)
        return FitSession.model_validate(change(one).model_dump())

    with opened(store, files) as kept:
        kept.change(which, changed)
