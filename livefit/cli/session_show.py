"""``livefit session``: sessions to look at."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import TYPE_CHECKING, Annotated, Literal

import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from livefit.change.replacing import replacing_of
from livefit.cli import common
from livefit.cli.opening import FilesAt, SessionId, StoreAt, day, opened
from livefit.definitions import Definitions
from livefit.session.comparing import changed_dimensions, changed_numbers, standing_for
from livefit.session.left_out import standing
from livefit.session.models import Answer, FitSession, SetUp, Trial

if TYPE_CHECKING:
    from livefit.store.rows import Line

NOTHING = 1
"""Exit status when no session was found."""
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document.")]


@common.plain_errors
def list_sessions(
    rider: Annotated[str | None, typer.Option(help="A part of the rider's name.")] = None,
    bicycle: Annotated[str | None, typer.Option(help="A part of its name or frame.")] = None,
    discipline: Annotated[str | None, typer.Option("--discipline", "-d")] = None,
    fitter: Annotated[str | None, typer.Option(help="A part of the fitter's name.")] = None,
    since: Annotated[str | None, typer.Option(help="First day, as 2026-03-09.")] = None,
    until: Annotated[str | None, typer.Option(help="Last day.")] = None,
    closed: Annotated[
        bool | None, typer.Option("--closed/--open", help="Only those; by default both.")
    ] = None,
    as_json: AsJson = False,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """List sessions, the newest first."""
    from livefit.store.rows import Wanted

    wanted = Wanted(
        rider=rider, bicycle=bicycle, discipline=discipline, fitter=fitter,
        since=day(since), until=day(until), closed=closed,
    )  # fmt: skip
    with opened(store, files) as kept:
        _list(kept.sessions(wanted), as_json)


@common.plain_errors
def search(
    text: Annotated[str, typer.Argument(help="Any part of what was written down.")],
    as_json: AsJson = False,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """List the sessions in which a text occurs: names, answers, notes, outcome."""
    from livefit.store.rows import Wanted

    with opened(store, files) as kept:
        _list(kept.sessions(Wanted(text=text)), as_json)


def _list(lines: list[Line], as_json: bool) -> None:
    if as_json:
        typer.echo(json.dumps([line.__dict__ | {"day": str(line.day)} for line in lines], indent=1))
    elif not lines:
        typer.echo("livefit: no session was found", err=True)
    else:
        table = Table(box=None, pad_edge=False)
        for heading in ("session", "day", "rider", "bicycle", "discipline", "fitter", ""):
            table.add_column(heading)
        for line in lines:
            state = "closed" if line.closed else "open"
            cells = (line.id[:8], str(line.day), line.rider, line.bicycle, line.discipline)
            table.add_row(*map(escape, (*cells, line.fitter, state)))
        Console().print(table)
    if not lines:
        raise typer.Exit(NOTHING)


@common.plain_errors
def show(
    which: SessionId,
    as_json: AsJson = False,
    definitions: common.DefinitionsDir = None,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Show a session."""
    with opened(store, files) as kept:
        found = kept.get(which).session
    if as_json:
        typer.echo(found.model_dump_json(indent=1))
    else:
        _show(Console(), found, common.read_definitions(definitions))


def _show(console: Console, found: FitSession, known: Definitions) -> None:
    born = "" if found.rider.born is None else f", born {found.rider.born}"
    bicycle = "" if found.bicycle is None else f", {found.bicycle.name} {found.bicycle.frame}"
    state = "closed" if found.closed else "open"
    console.print(
        f"[bold]{escape(found.rider.name)}[/]{escape(born + bicycle.rstrip())}; "
        f"{found.began:%Y-%m-%d %H:%M}, {escape(found.discipline)}, {state}",
        highlight=False,
    )
    by = " · ".join(text for text in (found.fitter, found.studio) if text)
    console.print(escape(f"{found.id}  {by}"), style="dim", highlight=False)
    for part, answers in (("Interview", found.interview), ("Examination", found.examination)):
        _show_answers(console, part, answers, known)
    _show_set_up(console, found.set_up_before, found.set_up_after, known)
    for trial in found.trials:
        _show_trial(console, trial, known)
    _show_lines(console, "Notes", found.notes)
    _show_lines(console, "Pictures", [f"{one.name}  {one.title}" for one in found.pictures])
    _show_lines(console, "Recordings", found.recordings)
    _show_lines(console, "Outcome", [found.outcome] if found.outcome else [])
    _show_lines(console, "Follow-up", [f"{one.on}  {one.text}" for one in found.follow_ups])
    console.print(common.CAUTION, style="dim")


def _show_lines(console: Console, title: str, lines: Iterable[str]) -> None:
    for k, line in enumerate(lines):
        if k == 0:
            console.print(f"[bold]{title}[/]")
        shown = escape(line).replace("\n", "\n    ")
        console.print(f"  {shown}", highlight=False)


def _show_answers(
    console: Console, part: str, answers: dict[str, Answer], known: Definitions
) -> None:
    asked = {question.name: question for question in known.questions}
    lines = []
    for name, answer in answers.items():
        question = asked.get(name)
        unit = "" if question is None or not question.unit else f" {question.unit}"
        lines.append(f"{name if question is None else question.ask}  {words(answer)}{unit}")
    _show_lines(console, part, lines)


def words(answer: Answer) -> str:
    """Return an answer in words.

    Examples
    --------
    >>> words(True), words(830.0), words(["neck", "hand"])
    ('yes', '830', 'neck, hand')
    """
    if isinstance(answer, bool):
        return "yes" if answer else "no"
    if isinstance(answer, list):
        return ", ".join(answer)
    return answer if isinstance(answer, str) else f"{answer:g}"


def _show_set_up(
    console: Console, before: SetUp | None, after: SetUp | None, known: Definitions
) -> None:
    titles = {entry.name: entry.title for entry in known.set_up}
    dimensions = changed_dimensions(before, after)
    if dimensions:
        table = Table(title="Set-up", title_justify="left", box=None, pad_edge=False)
        for heading in ("", "before", "after", "change"):
            table.add_column(heading, justify="right" if heading else "left")
        for one in dimensions:
            table.add_row(
                escape(f"{titles.get(one.name, one.name)}, {one.unit}"),
                _value(one.before), _value(one.after), _value(one.by, sign=True),
            )  # fmt: skip
        console.print(table)
    for title, set_up in (("Parts before", before), ("Parts after", after)):
        parts = set_up.parts if set_up is not None else {}
        lines = [f"{titles.get(name, name)}: {text}" for name, text in parts.items()]
        _show_lines(console, title, lines)


def _show_trial(console: Console, trial: Trial, known: Definitions) -> None:
    parts = [f"Trial {trial.number}"]
    parts += [trial.name] if trial.name else []
    parts += [f"{trial.seconds:.0f} s"] if trial.seconds is not None else []
    parts += [f"{trial.cadence_rpm:.0f} rpm"] if trial.cadence_rpm is not None else []
    parts += [f"{trial.workload_w:.0f} W"] if trial.workload_w is not None else []
    parts += [f"{len(trial.numbers)} numbers"] if trial.numbers else []
    titles = {one.name: one.title for one in known.adjustments}
    lines = [
        f"{titles.get(one.part, one.part)} {one.amount:+g} {one.unit}"
        + (f": {one.why}" if one.why else "")
        for one in trial.adjustments
    ]
    console.print(f"[bold]{escape(', '.join(parts))}[/]", highlight=False)
    for line in [*lines, *([trial.notes] if trial.notes else [])]:
        console.print(f"  {escape(line)}", highlight=False)


def _value(value: float | None, *, sign: bool = False, half: float | None = None) -> str:
    if value is None:
        return ""
    text = f"{value:+.1f}" if sign else f"{value:.1f}"
    return text if half is None else f"{text} ± {common.half(half)}"


@common.plain_errors
def compare(
    first: SessionId,
    second: Annotated[
        str | None, typer.Argument(help="A later session of the same rider; none: within one.")
    ] = None,
    as_json: AsJson = False,
    definitions: common.DefinitionsDir = None,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Set-up and numbers, before and after: of two sessions as they ended, or within one."""
    known = common.read_definitions(definitions)
    with opened(store, files) as kept:
        one = kept.get(first).session
        other = one if second is None else kept.get(second).session
    if one.rider.id != other.rider.id:
        raise ValueError(
            f"{one.id[:8]} and {other.id[:8]} are of different riders; expected two of the same"
        )
    end: Literal["before", "after"] = "before" if second is None else "after"
    was = one.set_up_before if second is None else standing(one)
    is_now = other.set_up_after if second is None else standing(other)
    dimensions = changed_dimensions(was, is_now)
    begun, ended = standing_for(one, end), standing_for(other, "after")
    replacing = {} if second is None else replacing_of(known)
    numbers = [] if begun is None or ended is None else changed_numbers(begun, ended, replacing)
    if as_json:
        document = {
            "set_up": [change.__dict__ | {"by": change.by} for change in dimensions],
            "numbers": [change.__dict__ for change in numbers],
        }
        typer.echo(json.dumps(document, indent=1))
        return
    console = Console()
    console.print(f"[bold]{escape(one.rider.name)}[/]", highlight=False)
    _show_set_up(console, was, is_now, known)
    table = Table(title="Numbers", title_justify="left", box=None, pad_edge=False)
    for heading in ("", "at", "side", "before", "after", "change"):
        table.add_column(heading, justify="left" if heading in ("", "at", "side") else "right")
    titles = {measure.name: measure.title for measure in known.measures}
    for change in numbers:
        table.add_row(
            escape(f"{titles.get(change.measure, change.measure)}, {change.unit}"),
            escape(change.event), change.side, _value(change.before), _value(change.after),
            _value(change.by, sign=True, half=change.half_width),
        )  # fmt: skip
    if numbers:
        console.print(table)
    if second is not None:
        counted = any(change.anew for change in numbers)
        caution = (
            "The ± counts that the markers were put on anew, where that was measured."
            if counted
            else "The ± counts the strokes only, not that the markers were put on anew."
        )
        console.print(caution, style="dim")
