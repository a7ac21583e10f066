"""The table in the terminal."""

from __future__ import annotations

import io
import threading
import time

from rich.console import Console

from livefit.definitions.models import Definitions
from livefit.terminal.watch import render, run_watch
from livefit.view.table import TableModel
from livefit.wire.sockets import Publisher
from tests.dashboard.dashboard_examples import make_health, make_rows, make_snapshot


def text(model: TableModel) -> str:
    console = Console(file=io.StringIO(), width=120, color_system=None)
    console.print(render(model))
    out = console.file
    assert isinstance(out, io.StringIO)
    return out.getvalue()


def test_the_table_says_value_band_and_verdict(definitions: Definitions) -> None:
    model = TableModel(definitions)
    health = make_health(missing={"R_LM": 0.34})
    model.apply_snapshot(make_snapshot(make_rows(definitions), health=health), 100.0)
    lines = text(model).splitlines()
    left = next(line for line in lines if "Knee flexion" in line)
    right = lines[lines.index(left) + 1]
    assert left.replace("│", " ").split() == [
        "Knee", "flexion", "L", "30", "to", "40", "36°", "0.4°", "15", "●", "within",
    ]  # fmt: skip
    assert right.replace("│", " ").split()[-5:] == ["42°", "0.4°", "15", "▲", "above"]
    assert "right ankle 34 %" in lines[-1]


def test_without_data_it_says_so(definitions: Definitions) -> None:
    shown = text(TableModel(definitions, endpoint="tcp://127.0.0.1:5555"))
    assert "No data yet" in shown
    assert "tcp://127.0.0.1:5555" in shown
    assert shown.count("no data") >= 14


def test_it_follows_what_is_published(definitions: Definitions) -> None:
    console = Console(file=io.StringIO(), width=120, force_terminal=False)
    stop = threading.Event()
    end = time.monotonic() + 20.0
    seen: list[str] = []

    def enough(model: TableModel) -> bool:
        seen.append(model.rows[0].cells[0].value_text)
        return seen[-1] == "36°" or time.monotonic() > end

    with Publisher("tcp://127.0.0.1:0", cached=("results",), display=True) as publisher:

        def publish() -> None:
            while not stop.wait(0.02):
                snapshot = make_snapshot(make_rows(definitions), sent=time.monotonic())
                publisher.publish(snapshot)

        thread = threading.Thread(target=publish)
        thread.start()
        try:
            run_watch(publisher.endpoint, definitions, console=console, until=enough)
        finally:
            stop.set()
            thread.join()
    assert seen[-1] == "36°"
