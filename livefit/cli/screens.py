"""``livefit dashboard``, ``rider`` and ``watch``: what a node publishes, to look at."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from livefit.cli import common
from livefit.terminal.watch import run_watch

Show = Annotated[
    list[str] | None,
    typer.Option("--show", help="Row to show, as measure:event; repeat it for several."),
]
PictureDir = Annotated[Path | None, typer.Option("--pictures", help="Where saved pictures go.")]


@common.plain_errors
def dashboard(
    show: Show = None,
    pictures: PictureDir = None,
    full_screen: Annotated[bool, typer.Option(help="Fill the screen at once.")] = False,
    screen: Annotated[int | None, typer.Option(help="Number of the screen, from 0.")] = None,
    rate: Annotated[int, typer.Option(min=1, max=60, help="Pictures a second at most.")] = 60,
    definitions: common.DefinitionsDir = None,
    results: common.ResultsAt = common.RESULTS,
    control: common.ControlAt = common.CONTROL,
) -> None:
    """Open the fitter's window: the moving rider and the rolling averages against their bands."""
    from livefit.dashboard.window import WindowError, run_dashboard

    known = common.read_definitions(definitions)
    try:
        status = run_dashboard(
            results,
            control,
            known,
            chosen=common.chosen_rows(show, known),
            picture_dir=pictures,
            full_screen=full_screen,
            screen=screen,
            tick_ms=round(1000 / rate),
        )
    except WindowError as error:
        raise ValueError(str(error)) from error
    raise typer.Exit(status)


@common.plain_errors
def rider(
    show: Show = None,
    full_screen: Annotated[
        bool | None,
        typer.Option(
            "--full-screen/--window", help="Fill the screen; by default if there is a second one."
        ),
    ] = None,
    screen: Annotated[
        int | None, typer.Option(help="Number of the screen, from 0; by default the second.")
    ] = None,
    theme: Annotated[str, typer.Option(help="dark or light.")] = "dark",
    rate: Annotated[int, typer.Option(min=1, max=60, help="Pictures a second at most.")] = 60,
    definitions: common.DefinitionsDir = None,
    results: common.ResultsAt = common.RESULTS,
) -> None:
    """Open the rider's window: few figures, large, in plain words. F or Escape, T and Q work."""
    from livefit.dashboard.window import WindowError, run_rider

    known = common.read_definitions(definitions)
    try:
        status = run_rider(
            results,
            known,
            chosen=common.chosen_rows(show, known),
            full_screen=full_screen,
            screen=screen,
            theme_name=theme,
            tick_ms=round(1000 / rate),
        )
    except WindowError as error:
        raise ValueError(str(error)) from error
    raise typer.Exit(status)


@common.plain_errors
def watch(
    show: Show = None,
    definitions: common.DefinitionsDir = None,
    results: common.ResultsAt = common.RESULTS,
) -> None:
    """Show the rolling averages in the terminal until Ctrl-C."""
    known = common.read_definitions(definitions)
    stopped = common.stop_on_signals()
    run_watch(results, known, chosen=common.chosen_rows(show, known), until=lambda _: stopped())
