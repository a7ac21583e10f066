"""``livefit compare``: what changed between two recordings, or two trials of one."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from livefit.analysis.comparison import ComparedRow, Comparison, compare, comparison_document
from livefit.analysis.comparison_picture import save
from livefit.analysis.document import plain
from livefit.change.placed import STAYED_MM, farthest_off
from livefit.cli import common
from livefit.cli.trial_files import NamedTrial, TrialFiles, marks_words
from livefit.definitions import Definitions, Placements
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG
from livefit.view.words import SIDE_WORD, UNIT_WORD

FORMAT = 1


@common.plain_errors
def compare_trials(
    before: Annotated[
        str, typer.Argument(help="Recording, or FILE#2 for its trial 2; trials count from 0.")
    ],
    now: Annotated[str | None, typer.Argument(help="The same of the later trial.")] = None,
    trials: Annotated[
        tuple[int, int] | None, typer.Option(help="Two trials of the one recording.")
    ] = None,
    show: Annotated[
        list[str] | None, typer.Option(help="A row, measure:event; may be repeated.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document.")] = False,
    stayed: Annotated[
        bool | None,
        typer.Option(
            "--markers-stayed/--markers-moved",
            help="Whether the rider's markers stayed on from one trial to the other, or were put "
            "on anew. By default they stay within one stream of a recording; otherwise the "
            "distances between them tell.",
        ),
    ] = None,
    picture: Annotated[Path | None, typer.Option(help="Draw the differences: a PNG file.")] = None,
    markers: common.MarkerSet = None,
    seat_tube: common.SeatTube = DEFAULT_SEAT_TUBE_DEG,
    definitions: common.DefinitionsDir = None,
) -> None:
    """What changed between two trials, how sure that is, and what is due to cadence."""
    known = common.read_definitions(definitions)
    pairs = common.chosen_rows(show, known)
    if (now is None) == (trials is None):
        raise ValueError(
            "give two recordings, FILE FILE or FILE#0 FILE#1, or one with --trials 0 1"
        )
    texts = [before, now] if now is not None else [f"{before}#{k}" for k in trials or ()]
    files = TrialFiles(known, markers, seat_tube)
    first, second = (files.find(text) for text in texts)
    anew, why = _markers(first, second, stayed)
    found = compare(first.trial.strokes, second.trial.strokes, known, pairs, anew=anew)
    names = (first.name, second.name)
    if not found.rows:
        raise ValueError(f"{names[0]} and {names[1]} have no row in common: look at their sides")
    changed, notes = files.changed(first, second), [*files.notes, *_one_sided(first, second)]
    if picture is not None:
        try:
            save(found, known, names, picture)
        except OSError as error:
            raise ValueError(
                f"{picture}: the picture cannot be written: {error.strerror or error}; give a "
                "PNG file in a folder that is there and that you may write in"
            ) from error
    if as_json:
        document = {
            "format": FORMAT, "before": names[0], "now": names[1], "markers_why": why,
            "changed": [mark.model_dump() for mark in changed], "notes": notes,
        }  # fmt: skip
        typer.echo(json.dumps(plain(document | comparison_document(found)), indent=1))
    else:
        console = Console()
        for note in notes:
            console.print(f"note: {note}", highlight=False)
        _print(console, found, names, known)
        if changed:
            console.print(f"Changed in between: {marks_words(changed, known)}.", highlight=False)
        console.print(f"Markers: {_assumed(found, why, known)}", highlight=False)
        console.print(common.CAUTION, style="dim")


def _print(console: Console, found: Comparison, names: tuple[str, str], known: Definitions) -> None:
    table = Table(title=f"{names[1]} less {names[0]}: means ± half the 95 % interval (strokes)")
    for heading in ("measure", "at", ""):
        table.add_column(heading)
    measured = any(row.anew is not None for row in found.rows)
    other = ["if markers stayed" if found.anew else "if markers anew"] if measured else []
    loads = {load.name: "" for row in found.rows if row.allowed for load in row.allowed.loads}
    equal = f"at equal {', '.join(loads) or 'cadence'}"
    for heading in ("before", "now", "difference", "hidden below", *other, equal):
        table.add_column(heading, justify="right")
    for row in [*found.rows, *found.loads]:
        measure, side, event = row.key
        titles = {m.name: m.title for m in known.measures}
        style = "bold" if row.judged.told else "dim"
        table.add_row(
            titles.get(measure, measure), known.event(event).title, side.replace("B", ""),
            _mean(row, now=False), _mean(row, now=True), f"[{style}]{_difference(row)}[/]",
            _number(row.judged.smallest), *([_other(row)] if measured else []), _allowed(row),
        )  # fmt: skip
    console.print(table)
    for row in found.rows:
        if row.judged.told:
            console.print(f"{known.event(row.key[2]).title}: {row.words}.", highlight=False)
    unsettled = [row for row in found.rows if row.now.state != "settled"]
    if unsettled:
        console.print(
            f"{len(unsettled)} of {len(found.rows)} rows had not settled in {names[1]}: see --json"
        )
    reasons = {row.allowed.why_not for row in found.rows if row.allowed and row.allowed.why_not}
    for reason in sorted(reasons):
        console.print(f"Not everywhere allowed for: {reason}.")


def _markers(first: NamedTrial, second: NamedTrial, stayed: bool | None) -> tuple[bool, str]:
    """Whether the markers are taken to have been put on anew, and why."""
    if stayed is not None:
        return not stayed, "as you said"
    same = first.path.resolve() == second.path.resolve()
    if same and first.trial.streams & second.trial.streams:
        return False, "as within one recording; --markers-moved if they were put on anew"
    farthest = farthest_off(first.lengths, second.lengths)
    if farthest is None:
        return True, "as these recordings do not tell; --markers-stayed if they stayed on"
    (side, segment), by = farthest
    told = f"the distances between them agree within {abs(by):.1f} mm"
    if abs(by) <= STAYED_MM:
        return False, f"as {told}; --markers-moved if they were put on anew"
    told = f"{SIDE_WORD[side]}, {segment}, {abs(by):.0f} mm {'more' if by > 0 else 'less'}"
    return True, f"as they lie otherwise ({told}); --markers-stayed if they stayed on"


def _one_sided(first: NamedTrial, second: NamedTrial) -> list[str]:
    """Which side was ridden in one of two trials alone."""
    found = []
    for one, other in ((first, second), (second, first)):
        sides = [{side for _, side, _ in each.trial.strokes.keys} for each in (one, other)]
        alone = [SIDE_WORD[side] for side in ("L", "R") if side in sides[0] - sides[1]]
        if alone:
            found.append(f"{' and '.join(alone)} only in {one.name}: not compared")
    return found


def _assumed(found: Comparison, why: str, known: Definitions) -> str:
    """What was taken to have become of the markers, and what of it counts."""
    measured = [row for row in found.rows if row.anew is not None]
    taken = "taken to have been put on anew" if found.anew else "taken to have stayed on"
    told = f"{taken}, {why}."
    if not measured:
        never = "What putting them on anew does was never measured: livefit replacing measures it."
        return f"{told} {never}" + (" The strokes alone are counted." if found.anew else "")
    names = {row.key[0] for row in measured}
    rest = len(found.rows) - len(measured)
    but = f" In {rest} of {len(found.rows)} rows it was not measured." if rest else ""
    return f"{told} {measured_words(p for p in known.replacing if p.name in names)}{but}"


def measured_words(placements: Iterable[Placements]) -> str:
    """From how many placements, when and by whom it was measured what putting them on anew does."""
    told = sorted(
        {
            f"{one.date} from {one.placements} placements"
            + (f" by {one.fitter}" if one.fitter else "")
            for one in placements
        }
    )
    return f"What putting them on anew does was measured on {' and on '.join(told)}."


def _mean(row: ComparedRow, *, now: bool) -> str:
    mean = (row.now if now else row.before).mean
    if math.isnan(mean.low):
        return f"{_number(mean.mean)} ({mean.n})"
    return f"{mean.mean:.1f} ± {common.half(mean.half_width)} ({mean.n})"


def _difference(row: ComparedRow) -> str:
    change = row.judged.change
    if math.isnan(change.low):
        return "too few strokes"
    unit = UNIT_WORD.get(row.unit, f" {row.unit}")
    return f"{change.by:+.1f} ± {common.half((change.high - change.low) / 2)}{unit}"


def _other(row: ComparedRow) -> str:
    """What would be hidden, were it otherwise with the markers."""
    return "" if row.markers.other is None else _number(row.markers.other.smallest)


def _allowed(row: ComparedRow) -> str:
    allowed = row.allowed
    if allowed is None:
        return ""
    if allowed.why_not:
        return "–"
    return f"{allowed.by:+.1f} ± {common.half((allowed.high - allowed.low) / 2)}"


def _number(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.1f}"
