"""``livefit analyse``: a recording from a file."""

from __future__ import annotations

import json
import math
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from livefit.analysis import Analysis, analyse, document
from livefit.analysis.comparison import Trial, compare, comparison_document, trial_document
from livefit.analysis.document import plain
from livefit.checking.findings import Z95
from livefit.cli import common
from livefit.cli.trial_files import marks_words, streams_note
from livefit.definitions import Definitions
from livefit.kernel.measuring import rests_on_mid_plane
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG
from livefit.kernel.results import Difference, ResultRow
from livefit.session.cutting import Part, Places, marker_set_of, parts_of
from livefit.session.ridden import ridden_in
from livefit.session.told import told_in

SIGNS = {"below": "▼", "within": "●", "above": "▲", "unsure": "◆", "unknown": " "}
LEGEND = "▼ below, ● within, ▲ above its band, ◆ not yet sure"
NO_STROKES = 1
"""Exit status when the recording was read but holds no stroke."""


@common.plain_errors
def analyse_file(
    file: Annotated[
        Path, typer.Argument(readable=False, help="Recording: .c3d, .trc, .csv or .mcap.")
    ],
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document.")] = False,
    per_stroke: Annotated[
        bool, typer.Option(help="With --json: add every stroke's values.")
    ] = False,
    discipline: common.Discipline = "road_endurance",
    markers: common.MarkerSet = None,
    seat_tube: common.SeatTube = DEFAULT_SEAT_TUBE_DEG,
    strokes: common.Strokes = None,
    seconds: common.Seconds = None,
    up: Annotated[
        str | None, typer.Option(help="Axis that points up, if the file is wrong: +z, -y, ...")
    ] = None,
    units: Annotated[
        str | None, typer.Option(help="Unit of length, if the file is wrong: mm, cm or m.")
    ] = None,
    definitions: common.DefinitionsDir = None,
) -> None:
    """Angles at exact crank positions over all strokes of a recording."""
    if per_stroke and not as_json:
        raise ValueError("--per-stroke needs --json: the table has no place for single strokes")
    known = common.read_definitions(definitions)
    parts, notes = parts_of(file, up=up, units=units)
    errors = Console(stderr=True)
    with Progress(console=errors, transient=True, disable=not errors.is_terminal) as progress:

        def analysed(part: Part, places: Places) -> Analysis:
            task = progress.add_task(file.name, total=len(part.block))
            return analyse(
                part.info,
                part.block,
                known,
                discipline=discipline,
                window=common.window_of(strokes, seconds, None),
                marker_set=markers or marker_set_of(part),
                seat_tube_deg=seat_tube,
                per_stroke=per_stroke,
                cuts=places.rows,
                restarts=places.restarts,
                progress=lambda done: progress.update(task, completed=done),
            )

        ridden = ridden_in(parts, told_in(file), analysed)
    found, trials = ridden.longest, ridden.trials
    notes += streams_note(parts, "this table is that of the longest, the trials hold all")
    notes += [*_notes_on_sides(found, known), *found.moved]
    if as_json:
        found_document = document(found, name=file.name, notes=notes)
        found_document |= plain(_trials(trials, known))
        typer.echo(json.dumps(found_document, indent=1))
    else:
        _print(Console(), file.name, notes, found, known, _trials_line(file.name, trials, known))
    if not any(side.strokes for side in found.sides.values()):
        why = found.problem or ", ".join(found.refused) or "the recording ends too soon"
        typer.secho(f"livefit: no whole stroke in {file.name}: {why}", err=True, fg="red")
        raise typer.Exit(NO_STROKES)


def _notes_on_sides(found: Analysis, known: Definitions) -> list[str]:
    """What one side alone leaves out."""
    titles = [m.title for m in known.measures if rests_on_mid_plane(m)]
    if len(found.sides) != 1 or not titles:
        return []
    (side,) = found.sides
    return [
        f"side {side} alone was found, so that nobody knows where the mid-plane of the bicycle is: "
        f"of what is measured from it ({', '.join(titles)}) only the range is given"
    ]


def _trials(trials: list[Trial], known: Definitions) -> dict[str, Any]:
    """The trials between the marks of a recording, and each against the one before."""
    changes = [
        {
            "before": one.number,
            "now": other.number,
            **comparison_document(compare(one.strokes, other.strokes, known)),
        }
        for one, other in pairwise(trials)
    ]
    return {"trials": [trial_document(trial, known) for trial in trials], "changes": changes}


def _trials_line(name: str, trials: list[Trial], known: Definitions) -> str:
    """The trials that a table counts together; empty where there is one."""
    if len(trials) < 2:
        return ""
    told = "; ".join(
        f"{trial.number}" + (f" after {marks_words(trial.marks, known)}" if trial.marks else "")
        for trial in trials
    )
    return (
        f"Trials: {told}. The table counts them together; livefit compare {name} --trials 0 1 "
        "tells them apart."
    )


def _print(
    console: Console, name: str, notes: list[str], found: Analysis, known: Definitions, trials: str
) -> None:
    console.print(
        f"[bold]{name}[/]  {found.frames} frames, {found.duration_s:.1f} s at "
        f"{found.rate_hz:.1f} Hz, {found.lost_frames} lost; marker set {found.marker_set.name}"
    )
    for note in notes:
        console.print(f"  note: {note}")
    missing = {label: share for label, share in found.missing.items() if share > 0}
    if missing:
        shares = ", ".join(f"{label} {100 * share:.1f} %" for label, share in missing.items())
        console.print(f"  missing: {shares}")
    if found.unused:
        console.print(f"  not used: {', '.join(found.unused)}")
    for side, what in found.sides.items():
        crank = what.crank
        where = "above" if crank.spindle[1] > 0 else "below"
        console.print(
            f"  {side}: {what.strokes} strokes, {what.cadence_rpm:.1f} rpm, crank "
            f"{crank.length:.1f} ± {common.half(Z95 * crank.length_se)} mm; spindle "
            f"{crank.spindle[0]:.1f} ± {common.half(Z95 * crank.spindle_se[0])} mm ahead of VM, "
            f"{abs(crank.spindle[1]):.1f} ± {common.half(Z95 * crank.spindle_se[1])} mm {where} it "
            "(± half the 95 % interval)"
        )
    for reason, count in found.refused.items():
        console.print(f"  {count} strokes set aside: {reason}")
    if any(row.n for row in found.rows):
        console.print(_table(found, known))
    if trials:
        console.print(trials, highlight=False)
    console.print(common.CAUTION, style="dim")


def _table(found: Analysis, known: Definitions) -> Table:
    """One line for each measure and event, both sides beside each other."""
    title = known.discipline(found.discipline).title
    table = Table(title=f"mean ± half the 95 % interval (strokes)\n{title}: {LEGEND}")
    for heading in ("measure", "at", "band"):
        table.add_column(heading)
    for heading in ("left", "right", "left − right"):
        table.add_column(heading, justify="right")
    lines: dict[tuple[str, str], dict[str, ResultRow]] = {}
    for row in found.rows:
        if row.n:
            lines.setdefault((row.measure, row.event), {})[row.side] = row
    apart = {(d.measure, d.event): d for d in found.differences}
    previous = ""
    for (measure, event), sides in lines.items():
        row = next(iter(sides.values()))
        title = known.measure(measure).title
        if previous and title != previous:
            table.add_section()
        difference = apart.get((measure, event))
        table.add_row(
            "" if title == previous else f"{title}, {row.unit}",
            known.event(event).title,
            "" if row.band is None else f"{row.band[0]:g} … {row.band[1]:g}",
            _cell(sides.get("L") or sides.get("B")),
            _cell(sides.get("R")),
            "" if difference is None else _difference(difference),
        )
        previous = title
    return table


def _cell(row: ResultRow | None) -> str:
    if row is None:
        return ""
    half = "" if math.isnan(row.low) else f" ± {common.half(row.mean - row.low)}"
    text = f"{row.mean:.1f}{half} ({row.n})"
    return text if row.band is None else f"{SIGNS[row.verdict]} {text}"


def _difference(difference: Difference) -> str:
    half = difference.high - difference.difference
    return f"{difference.difference:+.1f} ± {common.half(half)}"
