"""What the fitter's window costs: time a picture, delay to the screen, memory over hours.

``python -m tests.benchmarks drawing [--seed N] [--short]``

* Time a picture: a node in this process works on the simulated rider (30 markers, 120 Hz), and
  every sixtieth of a second of the ride the scene takes what it published and is drawn off screen,
  to the last pixel. Beside it the same canvas with nothing on it but its ground, which is what the
  machine takes to clear and to finish a picture. Wanted: below 33 ms at 1920 x 1080 where two cores
  draw in place of a graphics card.
* On a card: the same, but of each picture all is handed to OpenGL and one pixel drawn, and what
  the thread that draws has worked is counted. With a graphics card it has no other work; wanted:
  12 ms in the mean, for 60 pictures a second.
* Delay to the screen: with a display (``xvfb-run`` gives one), the real window listens to the real
  node, and the moment at which a frame has been drawn is compared with the moment at which it was
  sent.
* Memory: two hours of riding go through node, model and scene as fast as they can. The resident
  size of the process and the time a picture takes must be the same at the end as after ten minutes.
"""

from __future__ import annotations

import gc
import os
import time
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from vispy.gloo import FrameBuffer, RenderBuffer

from livefit.dashboard.fitter_view import FitterView
from livefit.dashboard.fitter_window import FitterWindow
from livefit.dashboard.link import Commander, Receiver
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.picture import has_display, offscreen_canvas
from livefit.definitions import load_definitions
from livefit.node.processing import Processing
from livefit.node.requests import answer
from livefit.node.settings import Settings
from livefit.wire.blocks import describe, pack_block
from livefit.wire.messages import Message, Pose
from simulators import RiderSimulation, Sensor, observe, stream_info
from tests.benchmarks.processes import Ride, run_real_node
from tests.benchmarks.ride import part_of
from tests.benchmarks.tables import load_average, table

RATE_HZ = 120.0
PICTURES_HZ = 60
SIZES = ((1280, 720), (1920, 1080), (3840, 2160))
SETTLE_S = 6.0
MEMORY_PICTURES_HZ = 2


def arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--seconds", type=float, default=20.0, help="of riding, for time and delay")
    parser.add_argument("--hours", type=float, default=2.0, help="of riding, for memory")


def main(options: Namespace) -> None:
    seconds = 10.0 if options.short else options.seconds
    print(f"load average {load_average()}")
    rows = [_time_a_picture(options.seed, size, seconds) for size in SIZES]
    print(table(["size", "p50 ms", "p99 ms", "empty p50 ms", "ratio"], rows))
    print()
    print(_on_a_card(options.seed, (1920, 1080), seconds))
    print()
    print(_delay(options.seed, seconds))
    print()
    print(_memory(options.seed, 0.3 if options.short else options.hours))


class WatchedModel(DashboardModel):
    """Says which frame the figure shows."""

    shown: int | None = None

    def apply_pose(self, pose: Pose, now: float) -> None:
        super().apply_pose(pose, now)
        self.shown = pose.frame


class RidingNode:
    """A node without sockets, and the simulated rider's frames for it."""

    def __init__(self, seed: int) -> None:
        self._sensor = Sensor(rate_hz=RATE_HZ, extra=("HF", "FM"))
        self._rider = RiderSimulation(seed=seed)
        self._description = describe(stream_info(self._sensor), stream="ride", source="benchmark")
        self._first = 0
        self.processing = Processing(load_definitions(), Settings())
        self.processing.describe(self._description)

    def ride(self, seconds: float, pictures_hz: int) -> Iterator[tuple[float, list[Message]]]:
        """Time and what is published, picture after picture."""
        count = round(RATE_HZ / pictures_hz)
        for _ in range(round(seconds)):
            block = observe(self._rider, self._sensor, first=self._first, count=int(RATE_HZ))
            self._first += int(RATE_HZ)
            for start in range(0, len(block), count):
                part = part_of(block, start, count)
                now = float(part.t[-1])
                for message in pack_block(part, self._description, sent=now):
                    self.processing.take(message, now)
                yield now, self._published(now)

    def _published(self, now: float) -> list[Message]:
        node = self.processing
        made: list[Message | None] = [node.pose(now), *node.trials.strokes(), node.trials.cycles()]
        if node.changed:
            made.append(node.snapshot(now))
        return [message for message in made if message is not None]


def _time_a_picture(seed: int, size: tuple[int, int], seconds: float) -> list[str | float]:
    node = RidingNode(seed)
    model = DashboardModel(load_definitions())
    baseline: dict[str, Any] = {}
    taken, empty = [], []
    with offscreen_canvas(size) as canvas:
        view = FitterView(canvas, model)
        for now, messages in node.ride(SETTLE_S + seconds, PICTURES_HZ):
            if not baseline and now > SETTLE_S:
                baseline = answer(node.processing, "set_baseline", {}, now)
            began = time.perf_counter()
            for message in messages:
                model.apply(message, now)
            model.apply_silence(now)
            view.refresh()
            if now > SETTLE_S:
                canvas.render(alpha=False)
                taken.append(1e3 * (time.perf_counter() - began))
    with offscreen_canvas(size) as canvas:
        for _ in range(60):
            began = time.perf_counter()
            canvas.render(alpha=False)
            empty.append(1e3 * (time.perf_counter() - began))
    least = float(np.median(empty))
    middle = float(np.median(taken))
    return [f"{size[0]} x {size[1]}", middle, float(np.percentile(taken, 99)), least,
            middle / least]  # fmt: skip


def _on_a_card(seed: int, size: tuple[int, int], seconds: float) -> str:
    node = RidingNode(seed)
    model = DashboardModel(load_definitions())
    spent = []
    with offscreen_canvas(size) as canvas:
        canvas.set_current()
        canvas.push_fbo(FrameBuffer(color=RenderBuffer(size[::-1])), (0, 0), size)
        canvas.context.set_scissor(0, 0, 1, 1)
        canvas.context.set_state(scissor_test=True)
        view = FitterView(canvas, model)
        for now, messages in node.ride(SETTLE_S + seconds, PICTURES_HZ):
            began = time.thread_time()
            for message in messages:
                model.apply(message, now)
            model.apply_silence(now)
            view.refresh()
            applied = time.thread_time()
            canvas.on_draw(None)
            if now > SETTLE_S:
                spent.append((1e3 * (applied - began), 1e3 * (time.thread_time() - applied)))
    scene, handed = np.mean(spent, axis=0).tolist()
    return table(
        ["on a card, 1920 x 1080", "scene ms", "OpenGL ms", "together", "p99 ms"],
        [["the thread that draws", scene, handed, scene + handed,
          float(np.percentile(np.sum(spent, axis=1), 99))]],
    )  # fmt: skip


def _delay(seed: int, seconds: float) -> str:
    if not has_display():
        return "delay to the screen: no display here; run this under xvfb-run"
    from PySide6.QtCore import QEvent, QObject
    from PySide6.QtWidgets import QApplication

    app = QApplication.instance() or QApplication(["livefit"])
    drawn: dict[int, float] = {}
    with Ride(seed, RATE_HZ, SETTLE_S + seconds) as ride:
        middle = ride.start(run_real_node)
        model = WatchedModel(load_definitions())
        window = FitterWindow(
            model,
            Receiver(middle.results),
            Commander("tcp://127.0.0.1:9"),
            picture_dir=Path.cwd(),
        )
        window.resize(1920, 1080)
        painting: list[int] = []

        class Watch(QObject):
            def eventFilter(self, _: QObject, event: QEvent) -> bool:
                if event.type() == QEvent.Type.Paint and model.shown is not None:
                    painting.append(model.shown)
                return False

        watch = Watch()
        window.surface.widget.installEventFilter(watch)
        window.show()
        ride.begin()
        while not ride.over():
            app.processEvents()
            now = time.monotonic()
            for frame in painting:
                drawn.setdefault(frame, now)
            painting.clear()
            time.sleep(0.0005)
        window.close()
        sent = ride.sent()
    settled = {k: at for k, at in drawn.items() if k > SETTLE_S * RATE_HZ}
    delays = [1e3 * (at - float(sent[k])) for k, at in settled.items()]
    pictures = len(settled) / seconds
    return table(
        ["delay to the screen, 1920 x 1080", "p50 ms", "p99 ms", "pictures a second"],
        [["frame sent to frame drawn", *np.percentile(delays, [50, 99]).tolist(), pictures]],
    )


def _memory(seed: int, hours: float) -> str:
    node = RidingNode(seed)
    model = DashboardModel(load_definitions())
    rows: list[list[str | float]] = []
    spent: list[float] = []
    with offscreen_canvas((1280, 720)) as canvas:
        view = FitterView(canvas, model)
        due = 600.0
        for now, messages in node.ride(3600 * hours, MEMORY_PICTURES_HZ):
            began = time.perf_counter()
            for message in messages:
                model.apply(message, now)
            model.apply_silence(now)
            view.refresh()
            canvas.render(alpha=False)
            spent.append(1e3 * (time.perf_counter() - began))
            if now >= due:
                gc.collect()
                rows.append([f"{now / 60:.0f} min", _resident_mb(), float(np.median(spent))])
                spent.clear()
                due += max(600.0, 600.0 * hours)
    return table(["after riding", "resident MB", "a picture, ms"], rows)


def _resident_mb() -> float:
    """Pages in memory, see proc_pid_statm(5)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20
