"""Asking at a terminal: question by question, each answer kept as soon as it is given."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

import typer

from livefit.definitions import Definitions, Question, SetUpEntry
from livefit.session.editing import answered, measured, refuse_closed
from livefit.session.models import FitSession

if TYPE_CHECKING:
    from livefit.store.store import Store


def ask_all(store: Store, which: str, known: Definitions) -> None:
    """Ask whatever is still open of a session; whenever it ends, what was answered is kept."""
    found = store.get(which).session
    refuse_closed(found)
    typer.secho(f"{found.rider.name}. Enter leaves it open.", err=True)
    group = ""
    for question in known.questions:
        if question.name not in found.interview and question.name not in found.examination:
            group = _heading(group, question.group)
            _ask_question(store, found.id, question, known)
    set_up = found.set_up_before
    taken = {} if set_up is None else {**set_up.dimensions, **set_up.parts}
    typer.secho("\nThe bicycle as it came; ? says how it is measured", bold=True, err=True)
    for entry in known.set_up:
        if entry.name not in taken:
            _ask_entry(store, found.id, entry, known)


def _heading(before: str, group: str) -> str:
    if group != before:
        typer.secho(f"\n{group}", bold=True, err=True)
    return group


def _ask_question(store: Store, which: str, question: Question, known: Definitions) -> None:
    hint = "" if question.kind == "text" else f" ({question.wants})"
    _until_kept(
        store,
        which,
        f"{question.ask}{hint}",
        lambda said, session: answered(session, {question.name: said}, known),
        question.wants,
    )


def _ask_entry(store: Store, which: str, entry: SetUpEntry, known: Definitions) -> None:
    def taken(said: str, session: FitSession) -> FitSession:
        return measured(session, "before", {entry.name: said}, known)

    unit = "" if entry.unit == "words" else f", {entry.unit}"
    _until_kept(store, which, f"{entry.title}{unit}", taken, entry.how)


def _until_kept(
    store: Store,
    which: str,
    words: str,
    change: Callable[[str, FitSession], FitSession],
    more: str,
) -> None:
    while True:
        said = str(typer.prompt(words, default="", show_default=False, err=True)).strip()
        if not said:
            return
        if said == "?":
            typer.echo(more, err=True)
            continue
        try:
            store.change(which, partial(change, said))
        except ValueError as error:
            typer.secho(str(error), err=True, fg="yellow")
        else:
            return
