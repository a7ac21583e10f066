"""``livefit bicycle`` and ``livefit transfer``: what is done with a bicycle once it is measured."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from livefit.bicycle.transfer import Transfer, contact_points, transfer
from livefit.cli import common
from livefit.definitions.models import Definitions
from livefit.definitions.parts import BareFrame, Parts, read_frame, read_parts
from livefit.frames import FloatArray
from livefit.private_files import make_private_directory, write_private
from livefit.session.touched import TouchedBicycle, read_set_up, read_touched
from livefit.view import transfer_words as words
from livefit.view.bicycle_sheet import bicycle_sheet
from livefit.wire.sockets import ControlClient


@common.plain_errors
def bicycle(
    file: Annotated[
        Path | None,
        typer.Argument(help="A bicycle written by livefit touch; none: definitions only."),
    ] = None,
    drawing: Annotated[
        Path | None, typer.Option(help="Draw every dimension with its sentence into an SVG file.")
    ] = None,
    show: Annotated[
        bool, typer.Option("--show", help="Stand it under the moving rider in the windows.")
    ] = False,
    take_away: Annotated[
        bool, typer.Option("--take-away", help="Take the bicycle away from the windows.")
    ] = False,
    definitions: common.DefinitionsDir = None,
    control: common.ControlAt = common.CONTROL,
) -> None:
    """Show a measured bicycle: its dimensions, drawn, or under the moving rider."""
    known = common.read_definitions(definitions)
    if take_away:
        with ControlClient(control) as client:
            client.request("bicycle", {})
        typer.echo("The bicycle is taken away.")
        return
    if file is None and drawing is None:
        raise ValueError("expected a bicycle written by livefit touch, or --drawing FILE")
    document = None if file is None else read_touched(file)
    if drawing is not None:
        write_sheet(drawing, known, document)
    if document is not None:
        if show:
            stand_in_node(control, document, known)
        for name, taken in document.set_up.dimensions.items():
            typer.echo(f"{name:24}{taken.value:9.1f} ± {taken.half_width or 0:.1f} {taken.unit}")
        typer.echo(document.stance)
        for finding in document.findings:
            typer.echo(finding)


def write_sheet(path: Path, known: Definitions, document: TouchedBicycle | None) -> None:
    """Write the drawing of every dimension as SVG."""
    if document is None:
        path.write_text(bicycle_sheet(), "utf-8")
    else:
        places = document.geometry(known.touch_points).points
        points = {name: (float(p[0]), float(p[1]), float(p[2])) for name, p in places.items()}
        make_private_directory(path.parent)
        write_private(path, bicycle_sheet(points, document.set_up, document.stance))
    typer.echo(f"Drawn: {path}")


def stand_in_node(endpoint: str, document: TouchedBicycle, known: Definitions) -> None:
    """Show a measured bicycle to the processing node."""
    geometry = document.geometry(known.touch_points)
    crank = geometry.measured.get("crank_length")
    tube = geometry.measured.get("seat_tube_angle")
    with ControlClient(endpoint) as client:
        client.request(
            "bicycle",
            {
                "points": {name: place.tolist() for name, place in geometry.points.items()},
                "rotation": geometry.axes.rotation.ravel().tolist(),
                "origin": geometry.axes.origin.tolist(),
                "seat_tube_deg": None if tube is None else tube.value,
                "crank_mm": None if crank is None else crank.value,
                "crank_se_mm": None if crank is None else crank.se,
            },
        )
    typer.echo("The bicycle stands under the rider.")


@common.plain_errors
def transfer_set_up(
    set_up: Annotated[
        Path, typer.Argument(help="The set-up that fits: a bicycle written by livefit touch.")
    ],
    frame: Annotated[Path, typer.Option("--frame", help="The other frame, in TOML.")],
    parts: Annotated[Path, typer.Option("--parts", help="The parts at hand, in TOML.")],
) -> None:
    """Which parts hold the rider on another frame where this bicycle does, and what is left over.

    configs/examples holds a frame and parts to begin with.
    """
    dimensions = {name: taken.value for name, taken in read_set_up(set_up).dimensions.items()}
    bare, shelf = read_frame(frame), read_parts(parts)
    found = transfer(contact_points(dimensions), bare, shelf)
    for line in _told(found, bare, shelf):
        typer.echo(line)


def _told(found: Transfer, frame: BareFrame, parts: Parts) -> list[str]:
    rear, front = found.rear, found.front
    pile = sum(front.spacers)
    stem = front.stem
    length, angle = found.ideal_stem
    least = max(rear.post.insertion_least_mm, frame.post_insertion_least_mm)
    lines = [
        words.TITLE.format(title=frame.title),
        words.POST.format(
            title=rear.post.title, exposed=rear.exposed_mm, inserted=rear.inserted_mm, least=least,
            clamp=rear.nose_to_clamp_mm,
        ),
        words.STEM.format(
            title=stem.title, length=stem.length_mm,
            angle=-stem.angle_deg if front.turned_over else stem.angle_deg,
            over=words.TURNED_OVER if front.turned_over else "",
            pile=pile, spacers=" + ".join(f"{h:g}" for h in front.spacers) or words.NO_SPACERS,
            most=frame.spacers_most_mm,
        ),
        words.CRANK.format(length=found.crank_mm),
        words.LEFT_SADDLE.format(left=_way(rear.left)),
        *(words.LIMIT[limit] for limit in rear.limits),
        words.LEFT_BAR.format(left=_way(front.left)),
        words.IDEAL.format(length=length, angle=angle, pile=pile),
    ]  # fmt: skip
    if found.crank_left_mm:
        lines.append(words.LEFT_CRANK.format(
            left=abs(found.crank_left_mm),
            word=words.LONGER if found.crank_left_mm > 0 else words.SHORTER,
            way=words.DOWN if found.crank_left_mm > 0 else words.UP,
        ))  # fmt: skip
    return [*lines, words.SAFETY]


def _way(left: FloatArray) -> str:
    """How far something lies from where it should, in words."""
    forward, up = (round(float(value), 1) + 0.0 for value in left)
    parts = []
    if forward:
        parts.append(f"{abs(forward):.1f} mm {words.FORWARD if forward > 0 else words.BACK}")
    if up:
        parts.append(f"{abs(up):.1f} mm {words.HIGH if up > 0 else words.LOW}")
    return words.AND.join(parts) or words.NOTHING_LEFT
