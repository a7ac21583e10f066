"""``livefit record``: everything that is said during a fit, kept in a file."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer
from platformdirs import user_data_path

from livefit.cli import common
from livefit.recording.recorder import KEEP_FREE, Progress, run_recorder
from livefit.recording.repair import repair

FULL = 1
"""Exit status when the recording ended because the disk is nearly full."""
_LINE_EVERY_S = 60.0


@common.plain_errors
def record(
    into: Annotated[
        Path | None,
        typer.Option("--into", readable=False, help="Directory for the file; made for you alone."),
    ] = None,
    repair_file: Annotated[
        Path | None,
        typer.Option(
            "--repair",
            readable=False,
            help="Make a proper copy of a recording that was cut off, beside it or into the "
            "directory given with --into, and end.",
        ),
    ] = None,
    keep_free_mb: Annotated[
        float, typer.Option(min=0.0, help="Megabytes to leave free on the disk.")
    ] = KEEP_FREE / 1e6,
    frames: common.FramesAt = common.FRAMES,
    results: common.ResultsAt = common.RESULTS,
    control: common.ControlAt = common.CONTROL,
) -> None:
    """Record frames and results until Ctrl-C. It is a rider's health data: it stays here.

    Ends with status 1 if the disk became nearly full.
    """
    if repair_file is not None:
        _repair(repair_file, into)
        return
    directory = into or user_data_path("livefit") / "recordings"
    shown = _Shown()
    stop = common.stop_on_signals()
    end = run_recorder(
        frames,
        results,
        directory,
        stop,
        control_endpoint=control,
        keep_free=round(1e6 * keep_free_mb),
        on_progress=shown.show,
    )
    shown.end(end)
    if not end.frames:
        typer.secho(
            f"livefit: no frame was heard at {frames}: start the capture process, or give its "
            "address with --frames",
            err=True,
            fg="yellow",
        )
    if end.full:
        free = f"only {keep_free_mb:g} MB are left on the disk of {directory}"
        typer.secho(
            f"livefit: the recording ended because {free}. What was recorded until then is whole",
            err=True, fg="red",
        )  # fmt: skip
        raise typer.Exit(FULL)


def _repair(path: Path, into: Path | None) -> None:
    made, found = repair(path, into)
    typer.echo(f"{path.name}: {found.damage or 'nothing is missing'}")
    typer.echo(f"{made}: {found.seconds:.1f} s; {path.name} was left as it is")


class _Shown:
    """Says how the recording is: on one line of a terminal, or now and then on a new one."""

    def __init__(self) -> None:
        self._terminal = sys.stderr.isatty()
        self._next_s = 0.0

    def show(self, progress: Progress) -> None:
        if self._terminal:
            typer.echo(f"\r{words(progress)}\x1b[K", nl=False, err=True)
        elif progress.seconds >= self._next_s:
            self._next_s = progress.seconds + _LINE_EVERY_S
            typer.echo(words(progress), err=True)

    def end(self, progress: Progress) -> None:
        typer.echo(f"{chr(10) if self._terminal else ''}{progress.path}", err=True)
        typer.echo(words(progress), err=True)


def words(progress: Progress) -> str:
    """Return how a recording is, in one line.

    Examples
    --------
    >>> words(Progress(Path("a.mcap"), 754.2, 150_600, 12, 2_100, 0, 61_000_000, 93_600.0))
    '12:34  150600 frames, 12 lost, 2100 values of strokes, 61.0 MB; the disk has room for 26 h'
    """
    minutes, seconds = divmod(int(progress.seconds), 60)
    parts = [f"{progress.frames} frames", f"{progress.lost} lost"]
    parts += [f"{progress.strokes} values of strokes", f"{progress.size / 1e6:.1f} MB"]
    if progress.refused:
        parts.append(f"{progress.refused} unreadable messages left out")
    text = f"{minutes:02d}:{seconds:02d}  {', '.join(parts)}"
    if progress.left_s is None:
        return text
    hours, minutes = divmod(int(progress.left_s // 60), 60)
    room = f"{hours} h" if hours >= 2 else f"{60 * hours + minutes} min"
    return f"{text}; the disk has room for {room}"
