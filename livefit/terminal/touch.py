"""Guided touching in a terminal: a line for each thing to do, a bell for each touch."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TextIO

from rich.console import Console

from livefit.view import touch_words as words
from livefit.view.touching import TouchModel
from livefit.wire.sockets import Subscriber

POLL_S = 0.05
KEYS = "  ".join(
    f"{key} {word}" for key, word, does, _ in words.ACTIONS if does not in ("theme", "full_screen")
)


def run_touch_terminal(
    model: TouchModel,
    frames_endpoint: str,
    *,
    save: Callable[[TouchModel], str],
    beside: Callable[[TouchModel], None] = lambda _: None,
    console: Console | None = None,
    keys: Callable[[], str] | None = None,
    until: Callable[[TouchModel], bool] = lambda _: False,
) -> None:
    """Guide until the list is through, Q or Ctrl-C.

    Parameters
    ----------
    model
        What is said.
    frames_endpoint
        Where frames are published.
    save, beside
        Called after each touch, and with each look at the stream.
    console
        Where to write; None for the standard output.
    keys
        What was typed since the last call; None: lines of the standard input.
    until
        Asked after every look.
    """
    out = console or Console()
    typed = keys or (lambda: typed_since(sys.stdin))
    out.print(f"{words.SAFETY}\n[dim]{KEYS}, then Enter[/dim]", highlight=False)
    if model.notice:
        out.print(f"[yellow]{model.notice}[/yellow]", highlight=False)
    said: object = None
    told = measured = 0
    with Subscriber(frames_endpoint, ["description", "frames"]) as frames:
        try:
            while not until(model):
                now = time.monotonic()
                model.pass_time(now)
                for _, message in frames.poll(POLL_S):
                    model.take(message, now)
                for key in typed():
                    if model.press(key.upper()) == "quit":
                        return
                beside(model)
                if model.told != told:
                    out.bell()
                    told = model.told
                if model.measured_times != measured:
                    measured = model.measured_times
                    out.print(f"[dim]{save(model)}[/dim]", highlight=False)
                say = (
                    model.sign,
                    model.instruction,
                    model.problem,
                    model.guide.refused,
                    model.notice,
                )
                if say != said:
                    said = say
                    _say(out, model)
                if model.complete and not model.findings:
                    return
        except KeyboardInterrupt:
            return


def _say(out: Console, model: TouchModel) -> None:
    kind, sign = words.SIGN[model.sign]
    style = {"bad": "red", "care": "yellow", "note": "bright_blue", "done": "green"}[kind]
    count = ""
    if model.turning is None and model.guide.now is not None:
        count = words.COUNT.format(now=model.guide.index + 1, all=len(model.guide.points)) + ": "
    detail = model.problem or model.guide.refused or (model.turning and model.notice) or ""
    out.print(f"[bold {style}]{sign:<22}[/] {count}{model.instruction} {detail}", highlight=False)
    if model.complete:
        for text in model.findings:
            out.print(f"[red]{text}[/red]", highlight=False)


def typed_since(stream: TextIO) -> str:
    """What was typed since the last call, without waiting."""
    if sys.platform == "win32":
        import msvcrt

        keys = ""
        while msvcrt.kbhit():
            keys += msvcrt.getwch()
        return keys.strip()
    import select

    if stream.closed or not select.select([stream], [], [], 0)[0]:
        return ""
    return stream.readline().strip()
