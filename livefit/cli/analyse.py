"""``livefit analyse``: a recording from a file."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from livefit.analysis import Analysis, analyse, document
from livefit.cli import common
from livefit.definitions import Definitions
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG
from livefit.kernel.results import ResultRow
from livefit.sources.files import read_recording

NO_STROKES = 1
"""Exit status when the recording was read but holds no stroke."""


@common.plain_errors
def analyse_file(
    file: Annotated[Path, typer.Argument(help="Recording: .c3d, .trc or .csv.")],
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document.")] = False,
    per_stroke: Annotated[bool, typer.Option(help="Add every stroke's values.")] = False,
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
    known = common.read_definitions(definitions)
    recording = read_recording(file, up=up, units=units)
    errors = Console(stderr=True)
    with Progress(console=errors, transient=True, disable=not errors.is_terminal) as progress:
        task = progress.add_task(file.name, total=len(recording.block))
        found = analyse(
            recording.info,
            recording.block,
            known,
            discipline=discipline,
            window=common.window_of(strokes, seconds, None),
            marker_set=markers,
            seat_tube_deg=seat_tube,
            per_stroke=per_stroke,
            progress=lambda done: progress.update(task, completed=done),
        )
    if as_json:
        typer.echo(
            json.dumps(document(found, name=file.name, notes=list(recording.notes)), indent=1)
        )
    else:
        _print(Console(), file.name, list(recording.notes), found, known)
    if not any(side.strokes for side in found.sides.values()):
        why = found.problem or ", ".join(found.refused) or "the recording ends too soon"
        typer.secho(f"livefit: no whole stroke in {file.name}: {why}", err=True, fg="red")
        raise typer.Exit(NO_STROKES)


def _print(
    console: Console, name: str, notes: list[str], found: Analysis, known: Definitions
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
        console.print(
            f"  {side}: {what.strokes} strokes, {what.cadence_rpm:.1f} rpm, crank "
            f"{crank.length:.1f} ± {crank.length_se:.1f} mm, spindle {crank.spindle[0]:.1f} ± "
            f"{crank.spindle_se[0]:.1f} mm ahead of VM and {crank.spindle[1]:.1f} ± "
            f"{crank.spindle_se[1]:.1f} mm above it"
        )
    for reason, count in found.refused.items():
        console.print(f"  {count} strokes set aside: {reason}")
    console.print(_table(found, known))
    for measure in _judged_apart(found):
        console.print(f"  {measure}")
    console.print(common.CAUTION, style="dim")


def _table(found: Analysis, known: Definitions) -> Table:
    table = Table(title=f"bands: {known.discipline(found.discipline).title}")
    for heading in ("measure", "event", "side"):
        table.add_column(heading)
    for heading in ("crank°", "n", "mean", "sd", "95 % interval", "band"):
        table.add_column(heading, justify="right")
    table.add_column("verdict")
    for row in found.rows:
        if not row.n:
            continue
        measure, event = known.measure(row.measure), known.event(row.event)
        table.add_row(
            measure.title,
            event.title,
            row.side,
            "" if math.isnan(row.crank_deg) else f"{row.crank_deg:.0f}",
            str(row.n),
            f"{row.mean:.1f} {row.unit}",
            "" if math.isnan(row.sd) else f"{row.sd:.1f}",
            "" if math.isnan(row.low) else f"{row.low:.1f} … {row.high:.1f}",
            "" if row.band is None else f"{row.band[0]:g} … {row.band[1]:g}",
            _verdict(row),
        )
    return table


def _verdict(row: ResultRow) -> str:
    if row.band is None:
        return ""
    return {"unsure": "not yet sure", "unknown": "no value"}.get(row.verdict, row.verdict)


def _judged_apart(found: Analysis) -> list[str]:
    """Left against right for the measures that have a band, where they differ for certain."""
    judged = {(row.measure, row.event) for row in found.rows if row.band}
    return [
        f"left − right, {d.measure} at {d.event}: {d.difference:+.1f} {d.unit} "
        f"({d.low:+.1f} … {d.high:+.1f})"
        for d in found.differences
        if (d.measure, d.event) in judged and (d.low > 0 or d.high < 0)
    ]
