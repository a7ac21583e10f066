"""``livefit gather`` and ``livefit session gather``: recordings into a session's trials."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from livefit.cli import common
from livefit.cli.opening import FilesAt, SessionId, StoreAt, opened
from livefit.private_files import write_private
from livefit.report import read_session
from livefit.session.editing import refuse_closed
from livefit.session.gather import Gathered, Reading
from livefit.session.gather import gather as gather_trials
from livefit.session.models import FitSession, Person, Trial, new_id, one_line

Recording = Annotated[
    Path, typer.Argument(readable=False, help="Recording: .mcap, .c3d, .trc or .csv.")
]
SeatTube = Annotated[float | None, typer.Option("--seat-tube", help="Seat-tube angle, degrees.")]
UNNAMED = "unnamed rider"


@common.plain_errors
def gather(
    file: Recording,
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
    seat_tube: SeatTube = None,
    definitions: common.DefinitionsDir = None,
) -> None:
    """Make a session's trials from a recording: one for each interval between two marks.

    The document holds a rider's data and no frames; only you can read it.
    """
    before = None if into is None else read_session(into)
    if before is not None:
        refuse_closed(before)
    found = _found(file, Reading(discipline, markers, seat_tube), definitions)
    session = _joined(before, found, rider, one_line(file.name))
    text = session.model_dump_json()
    target = out or into
    if target is None:
        typer.echo(text)
        return
    write_private(target, text)
    typer.echo(f"{target}: {_told(found)}, {len(text) / 1e6:.2f} MB")


@common.plain_errors
def gather_into(
    which: SessionId,
    file: Recording,
    discipline: common.Discipline = "road_endurance",
    markers: common.MarkerSet = None,
    seat_tube: SeatTube = None,
    definitions: common.DefinitionsDir = None,
    store: StoreAt = None,
    files: FilesAt = None,
) -> None:
    """Add a recording's trials to a session of the store, and the recording beside it."""
    with opened(store, files) as kept:
        session = kept.get(which).session
        refuse_closed(session)
        _refuse_again(session, file.name)
        found = _found(file, Reading(discipline, markers, seat_tube), definitions)
        with file.open("rb") as source:
            kept.add_file(session.id, "recording", source, file.name)
        kept.change(session.id, lambda known: _with_trials(known, found))
    typer.echo(f"{session.id[:8]}: {_told(found)}")


def _found(file: Path, reading: Reading, definitions: Path | None) -> Gathered:
    found = gather_trials(file, common.read_definitions(definitions), reading)
    for note in found.notes:
        typer.secho(f"livefit: {file.name}: {note}", err=True, fg="yellow")
    return found


def _told(found: Gathered) -> str:
    strokes = [max((row.n for row in trial.numbers), default=0) for trial in found.trials]
    return f"{len(found.trials)} trials of {', '.join(map(str, strokes))} strokes"


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
    _refuse_again(before, name)
    return _with_trials(before, found).model_copy(update={"recordings": [*before.recordings, name]})


def _refuse_again(session: FitSession, name: str) -> None:
    if name in session.recordings and any(name in each.recordings for each in session.trials):
        raise ValueError(
            f"the session has its trials from {name} already; give the session as it was before"
        )


def _with_trials(session: FitSession, found: Gathered) -> FitSession:
    first = max((trial.number for trial in session.trials), default=-1) + 1
    trials = [_numbered(trial, first + k) for k, trial in enumerate(found.trials)]
    return session.model_copy(update={"trials": [*session.trials, *trials]})


def _numbered(trial: Trial, number: int) -> Trial:
    return trial.model_copy(update={"number": number})
