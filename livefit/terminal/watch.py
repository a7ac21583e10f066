"""The rolling table in a terminal."""

from __future__ import annotations

import time
from collections.abc import Callable

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from livefit.definitions.models import Definitions
from livefit.view import words
from livefit.view.numbers import format_value
from livefit.view.rows import Cell, RowView
from livefit.view.table import Chosen, TableModel
from livefit.wire.change_messages import Changes
from livefit.wire.messages import Snapshot
from livefit.wire.sockets import Subscriber

REFRESH_S = 0.25
STYLE = {
    "below": "bold bright_blue",
    "within": "bold cyan",
    "above": "bold yellow",
    "unsure": "bold white",
    "unknown": "dim",
}
LEVEL_STYLE = {"note": "bright_blue", "care": "yellow", "bad": "red"}
AGE_STYLE = {"fresh": "cyan", "old": "yellow", "lost": "red", "held": "yellow"}


def run_watch(
    results_endpoint: str,
    definitions: Definitions,
    *,
    chosen: Chosen | None = None,
    console: Console | None = None,
    clock: Callable[[], float] = time.monotonic,
    until: Callable[[TableModel], bool] = lambda _: False,
) -> None:
    """Show the rolling table until Ctrl+C is pressed or ``until`` says so.

    Parameters
    ----------
    results_endpoint
        Where the processing node publishes its results.
    definitions
        Names and words of measures and events.
    chosen
        (measure, event) of each row; None for the default rows.
    console
        Where to write; None for the standard output.
    clock
        A monotonic clock, s.
    until
        Asked after every picture.
    """
    model = TableModel(definitions, chosen, endpoint=results_endpoint)
    with (
        Subscriber(results_endpoint, ("results", "changes"), display=True) as subscriber,
        Live(render(model), console=console, auto_refresh=False) as live,
    ):
        try:
            while not until(model):
                refused = subscriber.refused
                received = subscriber.poll(REFRESH_S)
                if received:
                    model.fault = None
                elif subscriber.refused > refused:
                    model.fault = subscriber.last_refusal
                for message in dict(received).values():
                    if isinstance(message, Snapshot):
                        model.apply_snapshot(message, clock())
                    elif isinstance(message, Changes):
                        model.apply_changes(message)
                model.apply_silence(clock())
                live.update(render(model), refresh=True)
        except KeyboardInterrupt:
            return


def render(model: TableModel) -> RenderableType:
    """What the terminal shows of ``model``."""
    parts: list[RenderableType] = [_header(model)]
    if model.message is not None:
        style = LEVEL_STYLE[model.message.level]
        parts.append(
            Panel(model.message.detail, title=model.message.title, style=style, title_align="left")
        )
    parts.append(_table(model.rows))
    if model.missing:
        names = ", ".join(model.missing)
        parts.append(
            Text(words.MISSING.format(count=len(model.missing), names=names), style="yellow")
        )
    return Group(*parts)


def _header(model: TableModel) -> Text:
    text = Text()
    for readout in model.header:
        mark = "! " if readout.care else ""
        text.append(f"{readout.caption} ", style="dim")
        text.append(f"{mark}{readout.value} {readout.unit}".strip(),
                    style="bold yellow" if readout.care else "bold")  # fmt: skip
        text.append("   ")
    age = model.age
    text.append(f"{words.AGE} ", style="dim")
    text.append(f"{words.AGE_SIGN[age.state]} {age.text} {age.word}", style=AGE_STYLE[age.state])
    return text


def _table(rows: tuple[RowView, ...]) -> Table:
    table = Table(expand=False)
    table.add_column(words.COLUMN_MEASURE)
    table.add_column("")
    for heading in (words.COLUMN_BAND, words.COLUMN_MEAN, words.COLUMN_SPREAD, words.COLUMN_COUNT):
        table.add_column(heading, justify="right")
    table.add_column(words.COLUMN_VERDICT)
    table.add_column(words.COLUMN_CHANGE, justify="right")
    for row in rows:
        for i, cell in enumerate(row.cells):
            last = i == len(row.cells) - 1
            table.add_row(*_cells(row, cell, first=i == 0), end_section=last,
                          style="dim" if row.stale else "")  # fmt: skip
    return table


def _cells(row: RowView, cell: Cell, *, first: bool) -> tuple[RenderableType, ...]:
    name = row.title if first else row.event_words
    band = ""
    if row.band is not None and first:
        band = f"{format_value(row.band[0], 0)} to {format_value(row.band[1], 0)}"
    if len(row.cells) == 1:
        name = f"{row.title}, {row.event_words}"
    verdict = Text(f"{cell.verdict.sign} {cell.verdict.word}", style=STYLE[cell.verdict.key])
    return (
        name, words.SIDE_LETTER[cell.side], band, Text(cell.value_text, style="bold"),
        cell.spread_text.removeprefix("±"), str(cell.n), verdict,
        Text(f"{cell.change_text} {cell.change_note}".strip(),
             style="bold" if cell.change_told else "dim"),
    )  # fmt: skip
