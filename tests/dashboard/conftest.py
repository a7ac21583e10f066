"""Screens for the tests: EGL without one, and an X server of our own where there is none."""

from __future__ import annotations

import gc
import logging
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from livefit.dashboard.model import DashboardModel
from livefit.definitions.loader import load_definitions
from livefit.definitions.models import Definitions
from tests.dashboard.dashboard_examples import make_pose, make_rows, make_snapshot

if TYPE_CHECKING:
    from PySide6.QtWidgets import QApplication


@pytest.fixture(scope="session")
def definitions(tmp_path_factory: pytest.TempPathFactory) -> Definitions:
    """The definitions that come with the program, without any of the user's own."""
    return load_definitions(tmp_path_factory.mktemp("no_definitions"))


@pytest.fixture
def riding(definitions: Definitions) -> Callable[[], DashboardModel]:
    """Makes a model that has seen one pose and one snapshot, 50 ms ago."""

    def make() -> DashboardModel:
        model = DashboardModel(definitions, endpoint="tcp://127.0.0.1:5555")
        model.apply_pose(make_pose(sent=100.0), 100.01)
        model.apply_snapshot(make_snapshot(make_rows(definitions), sent=100.0), 100.01)
        model.apply_silence(100.05)
        return model

    return make


@pytest.fixture(autouse=True)
def _vispy_complaints_fail(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    """Vispy logs an error while drawing and goes on; here it fails the test."""
    vispy = logging.getLogger("vispy")
    vispy.addHandler(caplog.handler)
    yield
    vispy.removeHandler(caplog.handler)
    bad = [r.getMessage() for r in caplog.records
           if r.name.startswith("vispy") and r.levelno >= logging.ERROR]  # fmt: skip
    assert not bad


@pytest.fixture(scope="module")
def display(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """A display to open windows on: the present one, or an Xvfb for as long as the tests run."""
    if not sys.platform.startswith("linux"):
        yield
        return
    os.environ.setdefault("QT_QPA_PLATFORM", "xcb")
    if os.environ.get("DISPLAY"):
        yield
        return
    if shutil.which("Xvfb") is None:
        pytest.fail("the window tests need Xvfb: apt-get install xvfb")
    number_file = tmp_path_factory.mktemp("xvfb") / "display"
    with number_file.open("w") as out:
        server = subprocess.Popen(
            ["Xvfb", "-displayfd", str(out.fileno()), "-screen", "0", "1920x1080x24",
             "-nolisten", "tcp"],
            pass_fds=[out.fileno()], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
    try:
        os.environ["DISPLAY"] = f":{_number(number_file, server)}"
        yield
    finally:
        os.environ.pop("DISPLAY", None)
        server.terminate()
        server.wait(10)


@pytest.fixture(scope="module")
def app(display: None) -> Iterator[QApplication]:
    """The one Qt application of the process."""
    from PySide6.QtWidgets import QApplication

    there = QApplication.instance() or QApplication(["livefit"])
    assert isinstance(there, QApplication)
    yield there
    # Before the display goes: Qt ends the process when it loses its connection.
    there.shutdown()
    gc.collect()


def _number(path: Path, server: subprocess.Popen[bytes]) -> str:
    deadline = time.monotonic() + 15
    while time.monotonic() < deadline and server.poll() is None:
        text = path.read_text()
        if text.endswith("\n"):
            return text.strip()
        time.sleep(0.02)
    pytest.fail(f"Xvfb gave no display within 15 s (exit status {server.poll()})")
