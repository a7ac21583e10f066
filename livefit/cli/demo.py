"""``livefit demo``: a simulated rider, the node and the window, with one command."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Annotated

import typer

from livefit.cli import common
from livefit.cli.children import Child, all_alive, child
from livefit.cli.scripted_fit import FIT_S, LEAST_S, scripted_fit
from livefit.dashboard.link import NEWEST, STROKES
from livefit.node.run import NodeEndpoints
from livefit.sources.base import open_source
from livefit.wire.messages import Message, Snapshot
from livefit.wire.sockets import Subscriber

PATIENCE_S = 30.0
"""How long the processes may take until the first frames."""
_POLL_S = 0.1


@common.plain_errors
def demo(
    headless: Annotated[bool, typer.Option(help="No window: write a picture at the end.")] = False,
    seconds: Annotated[
        float | None, typer.Option(min=3.0, help="End after so many seconds (headless: 20).")
    ] = None,
    fit: Annotated[
        Path | None,
        typer.Option(
            "--fit",
            help="Fit by itself (baseline, saddle up 5 mm twice), without a window, and record it "
            f"in this .mcap file; takes {FIT_S:g} s, or --seconds from {LEAST_S:g} on.",
        ),
    ] = None,
    picture: Annotated[Path, typer.Option(help="Where the picture goes.")] = Path("livefit.png"),
    size: Annotated[str, typer.Option(help="Size of the picture in pixels.")] = "1920x1080",
    rider: Annotated[
        list[str] | None,
        typer.Option("--rider", help="Option of the simulated rider as name=value; repeatable."),
    ] = None,
    discipline: common.Discipline = "road_endurance",
    both_windows: Annotated[
        bool, typer.Option("--both-windows", help="Open the rider's window as well.")
    ] = False,
) -> None:
    """Fit a simulated rider: everything at once, on this machine, with no sensor."""
    from livefit.dashboard.picture import has_display

    width, height = _size(size)
    open_source("simulated", common.source_options(rider or [])).close()
    at = NodeEndpoints(frames=free_address(), results=free_address(), control=free_address())
    source = [
        "capture",
        "simulated",
        *(rider or []),
        "--frames",
        at.frames,
        "--control",
        free_address(),
    ]
    node = ["process", "--frames", at.frames, "--results", at.results, "--control", at.control]
    with ExitStack() as running:
        started = [running.enter_context(child([*node, "--discipline", discipline]))]
        if fit is not None:
            scripted_fit(at, source, fit, seconds or FIT_S, common.stop_on_signals(), started)
            typer.echo(f"{common.CAUTION}\nA simulated fit, recorded: {fit}")
            return
        started.append(running.enter_context(child(source)))
        if headless or not has_display():
            if not headless:
                typer.echo("There is no display here: no window, a picture instead.")
            _picture(at, seconds or 20.0, picture, (width, height), started)
            return
        if both_windows:
            running.enter_context(child(["rider", "--results", at.results]))
        window = ["dashboard", "--results", at.results, "--control", at.control]
        screen = running.enter_context(child(window))
        typer.echo(f"{common.CAUTION}\nClose the window or press Ctrl-C to end.")
        _wait(screen, started, seconds)


def _wait(screen: Child, others: list[Child], seconds: float | None) -> None:
    """Until the window is closed, Ctrl-C, the time is up, or a process ends by itself."""
    stopped = common.stop_on_signals()
    end = time.monotonic() + seconds if seconds else float("inf")
    while screen.poll() is None and not stopped() and time.monotonic() < end:
        all_alive(others)
        time.sleep(_POLL_S)
    if screen.returncode:
        raise ValueError("the window could not be opened; try --headless for a picture")


def _picture(
    at: NodeEndpoints,
    seconds: float,
    path: Path,
    size: tuple[int, int],
    processes: list[Child],
) -> None:
    """Listen as the window would, then draw it."""
    from livefit.dashboard.model import DashboardModel
    from livefit.dashboard.picture import NoGraphicsError, save_picture

    model = DashboardModel(common.read_definitions(None), None, endpoint=at.results)
    stopped = common.stop_on_signals()
    passed = listen(model.apply, at.results, seconds, stopped, processes)
    try:
        written = save_picture(model, path, size)
    except NoGraphicsError as error:
        raise ValueError(str(error)) from error
    typer.echo(f"{common.CAUTION}\nPicture after {passed:.0f} s: {written}")


def listen(
    on_message: Callable[[Message, float], None],
    endpoint: str,
    seconds: float,
    stopped: Callable[[], bool],
    processes: list[Child],
    *,
    patience_s: float = PATIENCE_S,
) -> float:
    """Hand on what a node says for some seconds, counted from its first word of a stream.

    Parameters
    ----------
    on_message
        Takes each message and when it came, s.
    endpoint
        Of the node's results.
    seconds
        How long.
    stopped
        Whether to end now.
    processes
        That must go on running: first the node, then the source.
    patience_s
        How long the stream may take to begin.

    Returns
    -------
    float
        The seconds that passed since the stream began.

    Raises
    ------
    ValueError
        If a process ends by itself, or it is to end before a stream has begun.
    TimeoutError
        If no stream begins.
    """
    asked = time.monotonic()
    began: float | None = None
    silent = processes[0]
    with Subscriber(endpoint, (*NEWEST, STROKES), display=True) as results:
        while not stopped():
            all_alive(processes)
            for _, message in results.poll(_POLL_S):
                now = time.monotonic()
                on_message(message, now)
                if isinstance(message, Snapshot):
                    silent = processes[-1]
                    if began is None and message.stream is not None:
                        began = now
            waited = time.monotonic() - (asked if began is None else began)
            if began is not None and waited >= seconds:
                return waited
            if began is None and waited >= patience_s:
                raise TimeoutError(
                    f"expected frames within {patience_s:g} s, but nothing came from 'livefit "
                    f"{silent.command}'; is the machine busy? Try again"
                )
    if began is None:
        raise ValueError("stopped before the first frame came: there is nothing to draw")
    return time.monotonic() - began


def _size(text: str) -> tuple[int, int]:
    width, times, height = text.lower().partition("x")
    if not (times and width.isdigit() and height.isdigit()):
        raise ValueError(f"a size is written WIDTHxHEIGHT, such as 1920x1080, got {text!r}")
    return int(width), int(height)


def free_address() -> str:
    """An address on this machine that nobody uses."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return f"tcp://127.0.0.1:{probe.getsockname()[1]}"
