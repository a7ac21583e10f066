"""An open fitter's window and a small node that it talks to."""

from __future__ import annotations

import gc
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest

from livefit.dashboard import theme
from livefit.dashboard.fitter_window import FitterWindow
from livefit.dashboard.link import Commander, Receiver
from livefit.dashboard.model import DashboardModel
from livefit.definitions.models import Definitions
from livefit.wire.messages import Mark, Request
from livefit.wire.sockets import ControlServer, Publisher
from tests.dashboard.dashboard_examples import make_pose, make_rows, make_snapshot, make_strokes
from tests.dashboard.estimate_examples import make_estimate, make_way

ANY = "tcp://127.0.0.1:0"
DEADLINE_S = 15.0
SIZE = (960, 540)


class Node:
    """Publishes an invented ride and takes requests, in a thread, until it is stopped."""

    def __init__(self, definitions: Definitions) -> None:
        self.asked: list[tuple[str, dict[str, Any]]] = []
        self.marks: list[Mark] = []
        self.chosen: dict[str, list[list[str]]] = {}
        self.publishing = threading.Event()
        self._definitions = definitions
        self._rows = make_rows(definitions)
        self.ridden = True
        """Whether there is a stroke to estimate from."""
        self._stop = threading.Event()
        self._publisher = Publisher(ANY, cached=("results",), display=True)
        self._control = ControlServer(ANY)
        self.results, self.control = self._publisher.endpoint, self._control.endpoint
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        self._publisher.close()
        self._control.close()

    def _run(self) -> None:
        turn = 0.0
        while not self._stop.is_set():
            self._control.poll(self._answer, 0.01)
            if self.publishing.is_set():
                turn += 5.0
                now = time.monotonic()
                self._publisher.publish(make_pose(turn, sent=now))
                self._publisher.publish(
                    make_snapshot(
                        self._rows, sent=now, marks=list(self.marks), chosen=dict(self.chosen)
                    )
                )
                stroke, turn_of_stroke = divmod(turn, 360.0)
                if turn_of_stroke == 0.0:
                    for message in make_strokes(first=int(stroke), count=1):
                        self._publisher.publish(message)

    def _answer(self, request: Request) -> dict[str, Any]:
        self.asked.append((request.op, request.args))
        if request.op == "clear_baseline":
            raise ValueError("there is no baseline to clear")
        if request.op == "mark":
            part, amount = request.args["part"], request.args["amount"]
            self.marks.append(Mark(number=len(self.marks) + 1, t=None, part=part, amount=amount))
        elif request.op == "unmark":
            self.marks.pop()
        elif request.op == "edit_mark":
            place = [mark.number for mark in self.marks].index(request.args["number"])
            self.marks[place] = self.marks[place].model_copy(update=request.args)
        elif request.op in ("predict", "into_bands"):
            if not self.ridden:
                raise ValueError("nothing can be predicted before the first whole stroke")
            if request.op == "into_bands":
                return make_way(self._definitions)
            return make_estimate(self._definitions, request.args["changes"])
        elif request.op == "choose":
            self.chosen[request.args["screen"]] = request.args["rows"]
        elif request.op == "history":
            return {"rows": [make_past(*pair) for pair in request.args["rows"]]}
        return {}


def make_past(measure: str, event: str) -> dict[str, Any]:
    """Two strokes of the left side, long ago."""
    return {
        "measure": measure, "event": event, "side": "L", "strokes": [-7, -6], "t": [1.0, 2.0],
        "values": [30.0, None], "marks": [0, 0],
    }  # fmt: skip


@dataclass
class Desk:
    """An open window and the node that it listens to."""

    window: FitterWindow
    node: Node
    pictures: Path

    def press(self, key: Qt.Key, modifier: Any = Qt.KeyboardModifier.NoModifier) -> None:
        QTest.keyClick(self.window.surface.widget, key, modifier)

    def type(self, keys: str) -> None:
        QTest.keyClicks(self.window.surface.widget, keys)

    def click(self, what: str) -> None:
        """Click on the middle of a text on screen, the question's first."""
        self.window.view.refresh()
        view = self.window.view
        box = next(b for b in (*view.ask_boxes(), *view.boxes()) if b.text == what)
        at = QPoint(round((box.left + box.right) / 2), round((box.top + box.bottom) / 2))
        button, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
        QTest.mouseClick(self.window.surface.widget, button, none, at)

    def asked(self) -> list[tuple[str, dict[str, Any]]]:
        """What the fitter asked the node for; the window itself asks for past strokes."""
        return [ask for ask in self.node.asked if ask[0] != "history"]

    def until(self, there: Callable[[], object], what: str) -> None:
        until(there, what)

    def notice(self, start: str) -> None:
        until(lambda: (self.window.model.notice or "").startswith(start), f"notice {start!r}")


def until(there: Callable[[], object], what: str) -> None:
    end = time.monotonic() + DEADLINE_S
    while not there():
        if time.monotonic() > end:
            pytest.fail(f"{what} did not happen within {DEADLINE_S:g} s")
        QTest.qWait(5)


@contextmanager
def open_desk(definitions: Definitions, pictures: Path) -> Iterator[Desk]:
    """A window that listens to a node of its own; both are closed at the end."""
    node = Node(definitions)
    model = DashboardModel(definitions, endpoint=node.results)
    window = FitterWindow(
        model, Receiver(node.results), Commander(node.control), picture_dir=pictures
    )
    window.resize(*SIZE)
    window.show()
    window.activateWindow()
    try:
        assert QTest.qWaitForWindowActive(window, int(1000 * DEADLINE_S))
        yield Desk(window, node, pictures)
    finally:
        theme.use("dark")
        window.close()
        node.stop()
        window.deleteLater()
        del window
        QTest.qWait(1)
        gc.collect()
