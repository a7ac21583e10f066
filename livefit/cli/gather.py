"""``livefit session gather``: recordings into a session's trials."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Annotated

import typer
from pydantic import ValidationError

from livefit.cli import common
from livefit.session.gather import Gathered, Reading
from livefit.session.gather import gather as gather_trials
from livefit.session.models import FitSession, Person, Trial, new_id

UNNAMED = "unnamed rider"


@common.plain_errors
def gather(
    file: Annotated[Path, typer.Argument(help="Recording: .mcap, .c3d, .trc or .csv.")],
    into: Annotated[
        Path | None, typer.Option("--into", help="Session (JSON) that the trials are added to.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="Where the session goes; by default where it was."),
    ] = None,
    rider: Annotated[str, typer.Option("--rider", help="Name for a new session.")] = UNNAMED,
    discipline: common.Discipline = "road_endurance",
    markers: common.MarkerSet = None,
    seat_tube: Annotated[
        float | None, typer.Option("--seat-tube", help="Seat-tube angle, degrees.")
    ] = None,
    definitions: common.DefinitionsDir = None,
) -> None:
    """Make a session's trials from a recording: one for each interval between two marks.

    The document holds a rider's data and no frames; only you can read it.
    """
    known = common.read_definitions(definitions)
    found = gather_trials(file, known, Reading(discipline, markers, seat_tube))
    for note in found.notes:
        typer.secho(f"livefit: {file.name}: {note}", err=True, fg="yellow")
    session = _joined(_session(into), found, rider, file.name)
    text = session.model_dump_json()
    target = out or into
    if target is None:
        typer.echo(text)
        return
    _write(target, text)
    strokes = [max((row.n for row in trial.numbers), default=0) for trial in found.trials]
    typer.echo(
        f"{target}: {len(found.trials)} trials of {', '.join(map(str, strokes))} strokes, "
        f"{len(text) / 1e6:.2f} MB"
    )


def _session(path: Path | None) -> FitSession | None:
    if path is None:
        return None
    try:
        return FitSession.model_validate_json(path.read_bytes())
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"])) or "the whole"
        raise ValueError(
            f"{path}: expected a session document, but {where}: {first['msg']}"
        ) from error


def _joined(before: FitSession | None, found: Gathered, rider: str, name: str) -> FitSession:
    if before is None:
        times = [trial.began for trial in found.trials if trial.began is not None]
        began = min(times, default=datetime.now().astimezone())
        before = FitSession(
            id=new_id(),
            rider=Person(id=new_id(), name=rider),
            began=began,
            discipline=found.discipline,
            trials=[],
        )
    elif name in before.recordings:
        raise ValueError(
            f"the session has its trials from {name} already; give the session as it was before"
        )
    first = max((trial.number for trial in before.trials), default=-1) + 1
    trials = [_numbered(trial, first + k) for k, trial in enumerate(found.trials)]
    return before.model_copy(
        update={
            "trials": [*before.trials, *trials],
            "recordings": [*before.recordings, name],
        }
    )


def _numbered(trial: Trial, number: int) -> Trial:
    return trial.model_copy(update={"number": number})


def _write(path: Path, text: str) -> None:
    """Write a file that only its owner can read, whole or not at all."""
    with NamedTemporaryFile("w", dir=path.parent, encoding="utf-8", delete=False) as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    Path(file.name).replace(path)
