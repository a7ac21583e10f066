"""What the commands share: definitions, errors in one line, stopping, addresses."""

from __future__ import annotations

import functools
import gc
import logging
import signal
import unicodedata
from collections.abc import Callable, Sequence
from pathlib import Path
from threading import Event
from typing import Annotated, ParamSpec, TypeVar

import typer

from livefit.definitions import Definitions, load_definitions
from livefit.kernel.rolling import Rolling
from livefit.wire.sockets import (
    CONTROL_ENDPOINT,
    FRAMES_ENDPOINT,
    RESULTS_ENDPOINT,
    SOURCE_CONTROL_ENDPOINT,
)

P = ParamSpec("P")
R = TypeVar("R")

BAD_INPUT = 2
"""Exit status when something given to a command cannot be used."""

CAUTION = (
    "Guidance, not diagnosis: pain, numbness or injury goes to a licensed clinician. Stop the "
    "cranks before hands, tools or cables come near the drivetrain."
)

DefinitionsDir = Annotated[
    Path | None,
    typer.Option("--definitions", help="Directory with your own measures, bands and marker sets."),
]
Discipline = Annotated[
    str, typer.Option("--discipline", "-d", help="Whose target bands to judge by.")
]
MarkerSet = Annotated[
    str | None,
    typer.Option("--markers", help="Marker set to read the labels by; by default the best fit."),
]
SeatTube = Annotated[
    float, typer.Option("--seat-tube", help="Seat-tube angle of the bicycle, degrees.")
]
Strokes = Annotated[
    int | None, typer.Option("--strokes", min=1, help="Window: the last so many strokes.")
]
Seconds = Annotated[
    float | None, typer.Option("--seconds", min=0.1, help="Window: the last so many seconds.")
]
FramesAt = Annotated[
    str, typer.Option("--frames", help="Address of the frames; #NAME behind it: with keys.")
]
ResultsAt = Annotated[
    str, typer.Option("--results", help="Address of the results; #NAME: with keys.")
]
ControlAt = Annotated[str, typer.Option("--control", help="Address of the node's control socket.")]
SourceControlAt = Annotated[
    str, typer.Option("--control", help="Address of this source's control socket.")
]

FRAMES, RESULTS = FRAMES_ENDPOINT, RESULTS_ENDPOINT
CONTROL, SOURCE_CONTROL = CONTROL_ENDPOINT, SOURCE_CONTROL_ENDPOINT


def printable(text: str) -> str:
    r"""The text with its control characters written out: a file's words cannot steer the terminal.

    >>> printable("a\x1b[31mb")
    'a\\x1b[31mb'
    """
    return "".join(
        c if c in "\n\t" or unicodedata.category(c) != "Cc" else f"\\x{ord(c):02x}" for c in text
    )


def source_options(options: Sequence[str]) -> dict[str, str]:
    """Options of a source from ``name=value`` texts."""
    named = {}
    for option in options:
        name, equals, value = option.partition("=")
        if not equals:
            raise ValueError(f"options of a source are written name=value, got {option!r}")
        named[name] = value
    return named


def half(width: float) -> str:
    """Half an interval to a tenth: never nought, for nothing is known that well.

    >>> half(0.36), half(0.04)
    ('0.4', '<0.1')
    """
    text = f"{width:.1f}"
    return "<0.1" if text == "0.0" else text


def plain_errors(command: Callable[P, R]) -> Callable[P, R]:
    """Turn what a person can mend into one clear line and exit status 2."""

    @functools.wraps(command)
    def guarded(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return command(*args, **kwargs)
        except (ValueError, OSError, TimeoutError) as error:
            typer.secho(f"livefit: {printable(str(error))}", err=True, fg="red")
            raise typer.Exit(BAD_INPUT) from error
        except KeyboardInterrupt:
            raise typer.Exit(130) from None

    return guarded


def read_definitions(directory: Path | None) -> Definitions:
    """Shipped definitions with the user's own over them."""
    if directory is not None and not directory.is_dir():
        raise ValueError(f"expected a directory of definitions, found none at {directory}")
    return load_definitions(directory)


def window_of(strokes: int | None, seconds: float | None, default: int | None) -> Rolling:
    """Window asked for on the command line."""
    if strokes is None and seconds is None:
        return Rolling(strokes=default)
    return Rolling(strokes=strokes, seconds=seconds)


def keep_for_good() -> None:
    """Leave all that is in memory now to no later collection: each would halt the loop for 30 ms.

    For a process that does one thing until it ends.
    """
    gc.collect()
    gc.freeze()


def stop_on_signals() -> Callable[[], bool]:
    """Return a function that says whether Ctrl-C or a request to end has come."""
    stopped = Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stopped.set())
    return stopped.is_set


def log_to_terminal(verbose: bool) -> None:
    """Show warnings, and with `verbose` also what is going on."""
    logging.basicConfig(
        level=logging.INFO if verbose else logging.WARNING,
        format="%(asctime)s %(levelname)s %(message)s",
    )


def chosen_rows(show: list[str] | None, known: Definitions) -> list[tuple[str, str]] | None:
    """Rows asked for as measure:event, checked; None for the program's own choice."""
    if not show:
        return None
    chosen = []
    for text in show:
        measure, colon, event = text.partition(":")
        if not colon:
            raise ValueError(
                f"a row is written measure:event, such as knee_flexion:bdc, got {text!r}"
            )
        listed = known.measure(measure).events
        if known.event(event).name not in listed:
            raise ValueError(
                f"{measure} is not taken at {event}; it is at {', '.join(listed)}. "
                "To take it there too, list the event in a measures.toml of your own"
            )
        chosen.append((measure, event))
    return chosen
