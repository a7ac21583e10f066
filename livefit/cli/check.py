"""``livefit check``: whether a stream is good enough to fit a rider with, and why not."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress

from livefit.checking.document import document
from livefit.checking.findings import Level
from livefit.checking.heard import Arrival, Heard, StreamHeard
from livefit.checking.judge import Wanted, check
from livefit.checking.listening import Listener
from livefit.checking.picture import save
from livefit.cli import common
from livefit.cli.check_table import print_report
from livefit.sources.files import read_recording
from livefit.wire.messages import Frames
from livefit.wire.sockets import Subscriber

STATUS: dict[Level | None, int] = {None: 0, "note": 0, "warning": 1, "fault": 2}
NOTHING = 3
"""Exit status when there was nothing to judge."""
_WAIT_S = 0.05


def check_stream(
    where: Annotated[
        str, typer.Argument(help="Address of a stream, or a recording: .c3d, .trc, .csv or .mcap.")
    ] = common.FRAMES,
    seconds: Annotated[
        float, typer.Option(min=1.0, help="How long to listen; the rider pedals all the while.")
    ] = 20.0,
    measure: Annotated[
        str, typer.Option(help="Whose precision to judge, as measure:event.")
    ] = "knee_flexion:bdc",
    within: Annotated[
        float, typer.Option(help="The precision that is wanted, in degrees or mm.")
    ] = 1.0,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document.")] = False,
    picture: Annotated[
        Path | None, typer.Option(help="Draw stamps, gaps and missing markers into a PNG file.")
    ] = None,
    markers: common.MarkerSet = None,
    up: Annotated[
        str | None, typer.Option(help="Axis that points up, if a file is wrong: +z, -y, ...")
    ] = None,
    units: Annotated[
        str | None, typer.Option(help="Unit of length, if a file is wrong: mm, cm or m.")
    ] = None,
    definitions: common.DefinitionsDir = None,
) -> None:
    """Whether a stream is good enough to fit a rider with, and why not.

    Ends with status 0 if it is, 1 with warnings, 2 with faults, 3 if there was nothing to judge.
    """
    try:
        known = common.read_definitions(definitions)
        wanted = _wanted(measure, within)
        heard = listen(where, seconds) if "://" in where else _read(Path(where), up, units)
        if markers is not None:
            known.marker_set(markers)
            named = tuple(replace(stream, marker_set=markers) for stream in heard.streams)
            heard = replace(heard, streams=named)
        report, pictured = check(heard, known, wanted)
        if picture is not None and pictured is not None:
            save(report, pictured, picture)
    except (ValueError, OSError) as error:
        typer.secho(f"livefit: {error}", err=True, fg="red")
        raise typer.Exit(NOTHING) from error
    if as_json:
        typer.echo(json.dumps(document(report), indent=1))
    else:
        print_report(Console(), report)
    raise typer.Exit(STATUS[report.worst] if report.judged else NOTHING)


def _wanted(measure: str, within: float) -> Wanted:
    name, colon, event = measure.partition(":")
    if not colon:
        raise ValueError(
            f"a measure is written measure:event, such as knee_flexion:bdc, got {measure!r}"
        )
    return Wanted(name, event, within)


def _read(path: Path, up: str | None, units: str | None) -> Heard:
    recording = read_recording(path, up=up, units=units, whole=True)
    block = recording.block
    return Heard(
        source=path.name,
        live=False,
        seconds=float(block.t[-1] - block.t[0]),
        streams=[StreamHeard(recording.info, [Arrival(block)], zeros=recording.zeros)],
        notes=recording.notes,
    )


def listen(where: str, seconds: float) -> Heard:
    """Listen to a stream for so many seconds from its first frame, or until Ctrl-C.

    Raises
    ------
    EndpointError
        When the address cannot be used.
    """
    stopped = common.stop_on_signals()
    errors = Console(stderr=True)
    with (
        Subscriber(where, ["description", "frames"]) as subscriber,
        Progress(console=errors, transient=True, disable=not errors.is_terminal) as progress,
    ):
        task = progress.add_task(where, total=seconds)
        return _listen(
            subscriber, where, seconds, stopped, lambda done: progress.update(task, completed=done)
        )


def _listen(
    subscriber: Subscriber,
    where: str,
    seconds: float,
    stopped: Callable[[], bool],
    progress: Callable[[float], None],
) -> Heard:
    began = now = time.monotonic()
    listener = Listener(where, began)
    refused, waiting = 0, True
    while not stopped() and now - began < seconds:
        messages = subscriber.poll(_WAIT_S)
        now = time.monotonic()
        for _, message in messages:
            if waiting and isinstance(message, Frames):
                waiting, began = False, now
                listener.begin(now)
            listener.take(message, now)
        if subscriber.refused > refused:
            listener.refuse(subscriber.last_refusal or "", subscriber.refused - refused)
            refused = subscriber.refused
        progress(now - began)
    return listener.heard(now)
