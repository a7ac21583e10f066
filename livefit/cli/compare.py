"""``livefit compare``: what changed between two recordings, or two trials of one."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from livefit.analysis import analyse
from livefit.analysis.comparison import (
    ComparedRow,
    Comparison,
    Trial,
    compare,
    comparison_document,
    recorded_marks,
    trials_of,
)
from livefit.analysis.comparison_picture import save
from livefit.analysis.document import plain
from livefit.cli import common
from livefit.definitions import Definitions
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG
from livefit.sources.files import read_recording
from livefit.view.words import UNIT_WORD

FORMAT = 1


@dataclass(frozen=True)
class _Named:
    """A trial and what it is called."""

    name: str
    trial: Trial


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
    read: dict[Path, list[Trial]] = {}
    first, second = (_trial(str(text), known, markers, seat_tube, read) for text in texts)
    found = compare(first.trial.strokes, second.trial.strokes, known, pairs)
    names = (first.name, second.name)
    if not found.rows:
        raise ValueError(f"{names[0]} and {names[1]} have no row in common: look at their sides")
    if picture is not None:
        save(found, known, names, picture)
    if as_json:
        document = {"format": FORMAT, "before": names[0], "now": names[1]}
        typer.echo(json.dumps(plain(document | comparison_document(found)), indent=1))
    else:
        _print(Console(), found, names, known)


def _trial(
    text: str,
    known: Definitions,
    markers: str | None,
    seat_tube: float,
    read: dict[Path, list[Trial]],
) -> _Named:
    """The trial that FILE or FILE#NUMBER names; a file without a number is one trial."""
    name, mark, number = text.rpartition("#")
    path = Path(name if mark and number.isdecimal() else text)
    if path not in read:
        recording = read_recording(path)
        found = analyse(
            recording.info, recording.block, known, discipline=known.disciplines[0].name,
            marker_set=markers or recording.marker_set, seat_tube_deg=seat_tube,
        )  # fmt: skip
        read[path] = trials_of(found.strokes, recorded_marks(path))
    there = read[path]
    if not (mark and number.isdecimal()):
        if len(there) > 1:
            raise ValueError(
                f"{path}: has {len(there)} trials, 0 to {len(there) - 1}: say which, "
                f"{path.name}#0 for one"
            )
        return _Named(path.name, there[0])
    if int(number) >= len(there):
        raise ValueError(f"{path}: has the trials 0 to {len(there) - 1}, got {number}")
    return _Named(f"{path.name}#{number}", there[int(number)])


def _print(console: Console, found: Comparison, names: tuple[str, str], known: Definitions) -> None:
    table = Table(title=f"{names[1]} less {names[0]}: means ± half the 95 % interval (strokes)")
    for heading in ("measure", "at", ""):
        table.add_column(heading)
    for heading in ("before", "now", "difference", "hidden below", "at equal cadence"):
        table.add_column(heading, justify="right")
    for row in [*found.rows, *found.loads]:
        measure, side, event = row.key
        titles = {m.name: m.title for m in known.measures}
        style = "bold" if row.judged.told else "dim"
        table.add_row(
            titles.get(measure, measure), known.event(event).title, side.replace("B", ""),
            _mean(row, now=False), _mean(row, now=True), f"[{style}]{_difference(row)}[/]",
            _number(row.judged.smallest), _allowed(row),
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
        console.print(f"Not everywhere allowed for cadence: {reason}.")
    console.print(common.CAUTION, style="dim")


def _mean(row: ComparedRow, *, now: bool) -> str:
    mean = (row.now if now else row.before).mean
    if math.isnan(mean.low):
        return f"{_number(mean.mean)} ({mean.n})"
    return f"{mean.mean:.1f} ± {mean.half_width:.1f} ({mean.n})"


def _difference(row: ComparedRow) -> str:
    change = row.judged.change
    if math.isnan(change.low):
        return "too few strokes"
    unit = UNIT_WORD.get(row.unit, f" {row.unit}")
    return f"{change.by:+.1f} ± {(change.high - change.low) / 2:.1f}{unit}"


def _allowed(row: ComparedRow) -> str:
    allowed = row.allowed
    if allowed is None:
        return ""
    if allowed.why_not:
        return "–"
    return f"{allowed.by:+.1f} ± {(allowed.high - allowed.low) / 2:.1f}"


def _number(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.1f}"
