"""``livefit pointer``: the tip of a pointer, found by turning it about a point."""

from __future__ import annotations

import time
from datetime import UTC, date, datetime
from math import inf
from pathlib import Path
from typing import Annotated

import numpy as np
import typer
from rich.console import Console

from livefit.bicycle.kept import CalibrationMissingError, CalibrationShelf
from livefit.bicycle.pointer import Calibration
from livefit.cli import common
from livefit.definitions.bicycle import Pointer
from livefit.sources.files import read_recording
from livefit.view import touch_words as words
from livefit.view.pointer_stream import PointerStream
from livefit.view.turning import TURN_S, Turning
from livefit.wire.sockets import Subscriber

pointer = typer.Typer(help="Calibrate pointers and show what is known of them.")

_WAIT_S = 0.05
_SILENT_S = 20.0

Name = Annotated[
    str, typer.Option("--pointer", help="Name of the pointer, as in configs/pointers.")
]
Directory = Annotated[
    Path | None,
    typer.Option("--directory", help="Where calibrations are, if not in your data directory."),
]
DEFAULT = "hand_pointer"


@pointer.command()
@common.plain_errors
def calibrate(
    where: Annotated[
        str, typer.Argument(help="Address of a stream, or a recording: .c3d, .trc, .csv or .mcap.")
    ] = common.FRAMES,
    name: Name = DEFAULT,
    seconds: Annotated[
        float, typer.Option(min=5.0, max=120.0, help="How long to turn it, live.")
    ] = TURN_S,
    within: Annotated[
        float, typer.Option(min=10.0, help="Give up when no calibration was good for so long, s.")
    ] = 60.0,
    directory: Directory = None,
    definitions: common.DefinitionsDir = None,
) -> None:
    """Find the tip: press it into a small hollow and tilt the pointer to all sides.

    Ends with status 2 and the reason if the calibration is too bad to be used; the one before is
    kept then.
    """
    wanted = common.read_definitions(definitions).pointer(name)
    if "://" in where:
        found = _heard(where, wanted, seconds, within)
    else:
        found = _read(Path(where), wanted).finish(_today())
    if isinstance(found, str):
        raise ValueError(f"not calibrated: {found}")
    path = CalibrationShelf(directory).keep(name, found)
    typer.echo(_told(wanted, found))
    typer.echo(f"Kept in {path}")


@pointer.command("list")
@common.plain_errors
def list_pointers(directory: Directory = None, definitions: common.DefinitionsDir = None) -> None:
    """Show every pointer and its calibration; old ones are flagged."""
    shelf = CalibrationShelf(directory)
    for known in common.read_definitions(definitions).pointers:
        try:
            typer.echo(_told(known, shelf.read(known)))
        except CalibrationMissingError as error:
            typer.echo(f"{known.name}: {error}")


def _told(known: Pointer, found: Calibration) -> str:
    """What is known of a calibration, in a line."""
    days = (_today() - found.day).days
    old = ""
    if found.is_old(_today(), known.age_limit_days):
        old = " OLD: " + words.OLD_CALIBRATION.format(
            day=found.day, days=days, limit=known.age_limit_days
        ).replace(" (C)", "")
    return (
        f"{known.name}: tip {np.linalg.norm(found.tip):.1f} mm from the markers' middle, standard "
        f"error {found.tip_se:.3f} mm, residual {found.residual:.2f} mm ({found.noise:.2f} mm of "
        f"it marker noise), {len(found.markers)} markers, {found.seconds:.0f} s on {found.day}."
        f"{old}"
    )


def _today() -> date:
    return datetime.now(UTC).astimezone().date()


def _read(path: Path, wanted: Pointer) -> Turning:
    recording = read_recording(path, whole=True)
    labels = recording.info.labels
    missing = [name for name in wanted.markers if name not in labels]
    if missing:
        raise ValueError(
            words.STRANGE_LABELS.format(
                wanted=", ".join(wanted.markers), missing=", ".join(missing),
                there=", ".join(labels), pointer=wanted.name,
            )
        )  # fmt: skip
    turning = Turning(wanted, inf)
    columns = [labels.index(name) for name in wanted.markers]
    turning.take(recording.block.t, recording.block.positions[:, columns])
    return turning


def _heard(where: str, wanted: Pointer, seconds: float, within: float) -> Calibration | str:
    """Listen until a calibration is good; else why the last was not."""
    console = Console(stderr=True)
    console.print(words.CALIBRATE, highlight=False)
    stopped = common.stop_on_signals()
    stream, turning = PointerStream(wanted), Turning(wanted, seconds)
    found: Calibration | str = "stopped before there was enough"
    began = heard = time.monotonic()
    with Subscriber(where, ["description", "frames"]) as frames, console.status("") as status:
        while isinstance(found, str) and time.monotonic() - began < within and not stopped():
            for _, message in frames.poll(_WAIT_S):
                taken = stream.take(message)
                if taken is not None:
                    heard = time.monotonic()
                    turning.take(*taken)
            if stream.problem:
                raise ValueError(stream.problem)
            if time.monotonic() - heard > _SILENT_S:
                raise TimeoutError(
                    f"expected frames from {where}, found none for {_SILENT_S:g} s. "
                    "Start the capture process."
                )
            if turning.due:
                found = turning.finish(_today())
            left = turning.left_s
            tried = found if isinstance(found, str) else ""
            status.update(words.CALIBRATING.format(left=left) if left else tried)
    return found
