"""``livefit touch``: a bicycle measured by touching its points, one after the other."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, cast, get_args

import typer

from livefit.bicycle.axes import Level
from livefit.bicycle.change import ADJUSTED, ONLY
from livefit.bicycle.kept import CalibrationMissingError, CalibrationShelf
from livefit.bicycle.pointer import Calibration
from livefit.cli import common
from livefit.cli.bicycle import stand_in_node, write_sheet
from livefit.cli.children import child
from livefit.cli.demo import free_address
from livefit.cli.pointer import DEFAULT, Directory, Name
from livefit.cli.touch_again import AGAIN, find_by_markers, told_adjustments
from livefit.definitions.models import Definitions
from livefit.session.models import Adjustment
from livefit.session.touched import SetUpError, TouchedBicycle, read_touched, write_touched
from livefit.view import touch_words as words
from livefit.view.simulated_hand import SimulatedHand
from livefit.view.touching import Purpose, TouchModel
from livefit.wire.sockets import ControlClient


@common.plain_errors
def touch(
    only: Annotated[
        str | None,
        typer.Option(help=f"Touch one part alone: {', '.join(ONLY)}. Needs --before."),
    ] = None,
    before: Annotated[
        Path | None,
        typer.Option(help="The measurement to compare with, and to take the rest from."),
    ] = None,
    again: Annotated[
        Path | None,
        typer.Option(help="A bicycle measured before and moved since: three points find it again."),
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Touch every point, and both of each pair.")
    ] = False,
    by_markers: Annotated[
        bool, typer.Option("--by-markers", help="With --again: by three markers on the bicycle.")
    ] = False,
    go_on: Annotated[
        Path | None, typer.Option(help="Touches that were left off: go on with the rest of them.")
    ] = None,
    noted: Annotated[
        list[str] | None,
        typer.Option(help="An adjustment made since, as saddle_height=5; repeatable."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="Where to write; by default bicycle-DATE.json."),
    ] = None,
    drawing: Annotated[
        Path | None, typer.Option(help="Draw every dimension into an SVG file as well.")
    ] = None,
    pointer: Name = DEFAULT,
    level: Annotated[
        str,
        typer.Option(help="What is level: the axles, or gravity with the bicycle as it stands."),
    ] = "axles",
    axle_rise: Annotated[
        float, typer.Option(help="How much higher the front axle is on flat ground, mm.")
    ] = 0.0,
    terminal: Annotated[bool, typer.Option("--terminal", help="No window.")] = False,
    simulated: Annotated[
        bool, typer.Option("--simulated", help="A simulated pointer and bicycle, to try it.")
    ] = False,
    simulate: Annotated[
        list[str] | None,
        typer.Option("--simulate", help="Option of the simulated pointer, as lean=6; repeatable."),
    ] = None,
    node: Annotated[
        str | None,
        typer.Option("--node", help="Control address of a processing node to show it to."),
    ] = None,
    full_screen: Annotated[bool, typer.Option(help="Fill the screen at once.")] = False,
    screen: Annotated[int | None, typer.Option(help="Number of the screen, from 0.")] = None,
    theme: Annotated[str, typer.Option(help="dark or light.")] = "dark",
    directory: Directory = None,
    definitions: common.DefinitionsDir = None,
    frames: common.FramesAt = common.FRAMES,
) -> None:
    """Measure the bicycle with the pointer; stop the cranks first, nobody sits on it."""
    from livefit.dashboard.picture import has_display
    from livefit.dashboard.touch_run import run_touch_window
    from livefit.dashboard.window import WindowError
    from livefit.terminal.touch import run_touch_terminal

    known = common.read_definitions(definitions)
    first, purpose = _purpose(
        known, only, before, again, noted or [], level, axle_rise, everything=everything
    )
    if go_on is not None:
        if first is not None:
            raise ValueError("--go-on stands alone: it is a first measurement that goes on")
        begun = read_touched(go_on)
        touches = begun.all_touches()
        asked = {*purpose.names, *touches}
        purpose = replace(
            purpose,
            names=[point.name for point in known.touch_points if point.name in asked],
            begun=touches,
            level=begun.level,
            axle_rise_mm=begun.axle_rise_mm,
        )
    place = out or go_on or Path(f"bicycle-{datetime.now(UTC).astimezone():%Y%m%d-%H%M%S}.json")
    shelf = CalibrationShelf(directory)
    with ExitStack() as running:
        if simulated or simulate:
            frames = free_address()
            arguments = ["capture", "simulated-pointer", "order=none", *(simulate or [])]
            running.enter_context(
                child([*arguments, "--frames", frames, "--control", free_address()])
            )
        if again is not None and first is not None and by_markers:
            moved, told = find_by_markers(first, known, frames, common.stop_on_signals())
            write_touched(place, moved)
            typer.echo(f"{told} {words.SAVED.format(path=place)}")
            if node is not None:
                stand_in_node(node, moved, known)
            return
        calibration = None if simulated or simulate else _calibration(shelf, known, pointer)
        model = TouchModel(
            purpose, known.pointer(pointer), calibration, today=_now().date(),
            keep=lambda found: None if simulated or simulate else _shelve(shelf, pointer, found),
        )  # fmt: skip
        saving = _Saving(place, known, drawing)
        hand = SimulatedHand(_ask) if simulated or simulate else None
        beside = (lambda _: None) if hand is None else hand.follow
        if terminal or not has_display():
            run_touch_terminal(model, frames, save=saving, beside=beside)
        else:
            try:
                run_touch_window(
                    model, frames, known.screen("fitter"), save=saving, beside=beside,
                    full_screen=full_screen, screen=screen, theme_name=theme,
                )  # fmt: skip
            except WindowError as error:
                raise ValueError(f"{error}; or touch with --terminal") from error
    _end(saving, model, node, known)


def _now() -> datetime:
    return datetime.now(UTC).astimezone()


def _purpose(
    known: Definitions,
    only: str | None,
    before: Path | None,
    again: Path | None,
    noted: list[str],
    level: str,
    axle_rise: float,
    *,
    everything: bool,
) -> tuple[TouchedBicycle | None, Purpose]:
    """What is to be touched, and the measurement it follows."""
    if again is not None and (before is not None or only is not None):
        raise ValueError("--again finds a moved bicycle; measure it with --before afterwards")
    if level not in get_args(Level):
        raise ValueError(f"--level is one of {', '.join(get_args(Level))}, got {level!r}")
    if only is not None and only not in ONLY:
        raise ValueError(f"--only is one of {', '.join(ONLY)}, got {only!r}")
    if only is not None and before is None:
        raise ValueError("--only needs --before FILE: the rest is taken from there")
    first = None
    if before is not None or again is not None:
        first = read_touched(before or again or Path())
        level, axle_rise = first.level, first.axle_rise_mm
    names = [
        point.name
        for point in known.touch_points
        if everything or not point.extra or (first is not None and point.name in first.touches)
    ]
    if only is not None:
        names = [name for name in names if name in ONLY[only]]
    elif again is not None and first is not None:
        names = [name for name in AGAIN if name in first.touches]
    return first, Purpose(
        points=known.touch_points,
        names=names,
        before=first if before is not None else None,
        moved=first if again is not None else None,
        noted=[_adjustment(known, text) for text in noted],
        level=cast(Level, level),
        axle_rise_mm=axle_rise,
    )


def _adjustment(known: Definitions, text: str) -> Adjustment:
    part, equals, amount = text.partition("=")
    if not equals or part not in ADJUSTED:
        raise ValueError(
            f"an adjustment is written PART=AMOUNT with a part of {', '.join(ADJUSTED)}, "
            f"got {text!r}"
        )
    return Adjustment(part=part, amount=float(amount), unit=known.adjustment(part).unit)


def _calibration(shelf: CalibrationShelf, known: Definitions, name: str) -> Calibration | None:
    """The pointer's calibration; without one it is calibrated first."""
    try:
        return shelf.read(known.pointer(name))
    except CalibrationMissingError as error:
        typer.secho(f"{error}, or here: {words.CALIBRATE}", err=True, fg="yellow")
        return None


def _shelve(shelf: CalibrationShelf, name: str, found: Calibration) -> None:
    shelf.keep(name, found)


def _ask(endpoint: str, op: str, args: dict[str, Any]) -> object:
    with ControlClient(endpoint, timeout_s=1.0) as client:
        return client.request(op, args)


@dataclass
class _Saving:
    """Writes what was touched so far, after each touch.

    Attributes
    ----------
    place
        The file.
    known
        What is known of the points.
    drawing
        Where every dimension is drawn as well.
    document
        What was written last.
    """

    place: Path
    known: Definitions
    drawing: Path | None
    document: TouchedBicycle | None = None

    def __call__(self, model: TouchModel) -> str:
        try:
            self.document = model.document(_now())
            if self.document is None:
                return ""
            write_touched(self.place, self.document)
            if self.drawing is not None and model.complete:
                write_sheet(self.drawing, self.known, self.document)
        except (OSError, ValueError) as error:
            return words.NOT_SAVED.format(error=error)
        return words.SAVED.format(path=self.place)


def _end(saving: _Saving, model: TouchModel, node: str | None, known: Definitions) -> None:
    """Say what came of it, and show the bicycle to the node."""
    document = saving.document
    if document is None:
        raise SetUpError(model.problem or "nothing was measured: too few points were touched")
    if model.purpose.moved is not None:
        typer.echo(model.notice)
    for name, taken in document.set_up.dimensions.items():
        typer.echo(f"{name:24}{taken.value:9.1f} ± {taken.half_width or 0:.1f} {taken.unit}")
    for line in told_adjustments(document, known):
        typer.echo(line)
    typer.echo(words.SAVED.format(path=saving.place))
    if not document.set_up.dimensions:
        typer.echo(words.TOO_FEW.format(path=saving.place))
        return
    if node is not None:
        stand_in_node(node, document, known)
