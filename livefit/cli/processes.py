"""``livefit capture`` and ``livefit process``: the two processes behind a screen."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from livefit.cli import common
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG
from livefit.node.run import NodeEndpoints, run_node
from livefit.node.settings import DEFAULT_STROKES, Settings
from livefit.sources.base import open_source
from livefit.sources.capture import run_capture

Verbose = Annotated[bool, typer.Option("--verbose", "-v", help="Say what is going on.")]


@common.plain_errors
def capture(
    source: Annotated[
        str, typer.Argument(help="Name of a source, such as simulated or recording.")
    ],
    options: Annotated[
        list[str] | None,
        typer.Argument(help="Its options as name=value, such as path=ride.trc speed=1 loop=yes."),
    ] = None,
    frames: common.FramesAt = common.FRAMES,
    control: common.SourceControlAt = common.SOURCE_CONTROL,
    verbose: Verbose = False,
) -> None:
    """Publish marker frames from a source until it ends or Ctrl-C."""
    common.log_to_terminal(verbose)
    named = common.source_options(options or [])
    stopped = common.stop_on_signals()
    run_capture(
        open_source(source, named),
        frames,
        control,
        stopped,
        lossless=named.get("speed") == "0",
        side=named.get("side", "both"),
    )


@common.plain_errors
def replay(
    file: Annotated[
        Path, typer.Argument(readable=False, help="Recording: .mcap, .c3d, .trc or .csv.")
    ],
    speed: Annotated[
        float, typer.Option(min=0.0, help="1: as it was; 0: as fast as it is taken.")
    ] = 1.0,
    from_s: Annotated[float, typer.Option("--from", min=0.0, help="Begin so many s in.")] = 0.0,
    loop: Annotated[bool, typer.Option("--loop", help="Begin again at the end.")] = False,
    frames: common.FramesAt = common.FRAMES,
    control: common.SourceControlAt = common.SOURCE_CONTROL,
    verbose: Verbose = False,
) -> None:
    """Publish a recording's frames as if they came live, until it ends or Ctrl-C."""
    options = [f"path={file}", f"speed={speed:g}", f"from={from_s!r}"]
    options += ["loop=yes"] if loop else []
    capture("recording", options, frames, control, verbose)


@common.plain_errors
def process(
    discipline: common.Discipline = "road_endurance",
    strokes: common.Strokes = None,
    seconds: common.Seconds = None,
    markers: common.MarkerSet = None,
    seat_tube: common.SeatTube = DEFAULT_SEAT_TUBE_DEG,
    stayed: Annotated[
        bool | None,
        typer.Option(
            "--markers-stayed/--markers-moved",
            help="Whether a new stream finds the rider's markers as they were, or put on anew: "
            "what changed across it then counts that, where livefit replacing has measured it. "
            "By default the distances between the markers tell.",
        ),
    ] = None,
    definitions: common.DefinitionsDir = None,
    frames: common.FramesAt = common.FRAMES,
    results: common.ResultsAt = common.RESULTS,
    control: common.ControlAt = common.CONTROL,
    verbose: Verbose = False,
) -> None:
    """Turn marker frames into rolling averages and publish them until Ctrl-C."""
    common.log_to_terminal(verbose)
    settings = Settings(
        window=common.window_of(strokes, seconds, DEFAULT_STROKES),
        discipline=discipline,
        seat_tube_deg=seat_tube,
        marker_set=markers,
        markers_stayed=stayed,
    )
    known = common.read_definitions(definitions)
    common.keep_for_good()
    run_node(known, settings, NodeEndpoints(frames, results, control), common.stop_on_signals())
