"""Pointer and bicycle by the commands, with a simulated pointer behind real sockets."""

from __future__ import annotations

import re
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
from rich.console import Console
from typer.testing import CliRunner

from livefit.bicycle.kept import CalibrationShelf
from livefit.cli.main import app
from livefit.session.touched import read_touched, write_touched
from livefit.sources.capture import run_capture
from livefit.terminal.touch import run_touch_terminal
from livefit.view.touching import TouchModel
from simulators.pointing_source import open_pointer
from tests.node.streams import shipped as definitions
from tests.view.touch_examples import FAST, new_model, whole

EXAMPLES = Path(__file__).parents[2] / "configs" / "examples"
SHELL = CliRunner(env={"COLUMNS": "200", "NO_COLOR": "1"})


def free() -> str:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return f"tcp://127.0.0.1:{probe.getsockname()[1]}"


@contextmanager
def pointer(**options: str) -> Iterator[str]:
    """A simulated pointer that publishes; its address."""
    stop, frames = threading.Event(), free()
    thread = threading.Thread(
        target=run_capture, args=(open_pointer(FAST | options), frames, free(), stop.is_set)
    )
    thread.start()
    try:
        yield frames
    finally:
        stop.set()
        thread.join()


@pytest.fixture
def measured(tmp_path: Path) -> Path:
    document = whole().document(datetime(2025, 3, 1, tzinfo=UTC))
    assert document is not None
    path = tmp_path / "bicycle.json"
    write_touched(path, document)
    return path


def run(*arguments: str, status: int = 0) -> str:
    result = SHELL.invoke(app, list(arguments))
    assert result.exit_code == status, (result.output, result.exception)
    return result.output


def test_a_pointer_is_calibrated_kept_and_listed(tmp_path: Path) -> None:
    shelf = ["--directory", str(tmp_path / "kept")]
    assert "found none at" in run("pointer", "list", *shelf)
    with pointer(order="none", calibrate="60") as frames:
        told = run("pointer", "calibrate", frames, "--seconds", "6", *shelf)
    assert re.search(r"hand_pointer: tip \d+\.\d mm .* residual 0\.\d\d mm", told)
    found = CalibrationShelf(tmp_path / "kept").read(definitions().pointer("hand_pointer"))
    assert found.tip_se < 0.3
    assert run("pointer", "list", *shelf).startswith("hand_pointer: tip ")
    file = tmp_path / "kept" / "hand_pointer.json"
    file.write_text(file.read_text().replace(f'"{found.day}"', '"2020-01-01"'))
    assert "OLD: The pointer was calibrated on 2020-01-01" in run("pointer", "list", *shelf)

    with pointer(order="none") as frames:
        command = ["pointer", "calibrate", frames, "--seconds", "5", "--within", "10", *shelf]
        assert "not calibrated: expected" in run(*command, status=2)
    assert "2020-01-01" in file.read_text()


def test_touching_in_a_terminal(tmp_path: Path, measured: Path) -> None:
    model = whole()
    assert model.calibration is not None
    names = ("saddle_nose", "saddle_rear")
    saved: list[int] = []

    def save(model: TouchModel) -> str:
        saved.append(len(model.guide.touches))
        return "Saved: here"

    touching = new_model(model.calibration, names, before=read_touched(measured))
    out = Console(record=True, width=160)
    typed = iter(["", "n", "b"])
    with pointer(order="none") as frames:
        from livefit.view.simulated_hand import SimulatedHand
        from livefit.wire.sockets import ControlClient

        def ask(endpoint: str, op: str, args: dict[str, object]) -> object:
            with ControlClient(endpoint, timeout_s=2.0) as client:
                return client.request(op, args)

        began = time.monotonic()
        run_touch_terminal(
            touching, frames, save=save, beside=SimulatedHand(ask).follow, console=out,
            keys=lambda: next(typed, ""), until=lambda _: time.monotonic() - began > 60.0,
        )  # fmt: skip
    text = out.export_text()
    assert touching.complete
    for said in ("Stop the cranks", "Hold still", "1 of 2: Touch the foremost point of the saddle",
                 "Taken: lift the tip", "Saved: here", "All points done"):  # fmt: skip
        assert said in text
    assert saved[-1] == 2


def test_a_moved_bicycle_is_found_by_its_markers(tmp_path: Path, measured: Path) -> None:
    there = open_pointer({"heading": "70", "place": "200", "order": "none"})
    out = tmp_path / "moved.json"
    with pointer(heading="70", place="200", order="none") as frames:
        told = run(
            "touch", "--again", str(measured), "--by-markers", "--out", str(out), "--frames", frames
        )
    assert re.search(r"residual 0\.\d mm, .* turned by 4[45]\.\d°. Saved: ", told)
    for name, touched in read_touched(out).touches.items():
        off = [a - b for a, b in zip(touched.point, there.places[name].tolist(), strict=True)]
        assert max(map(abs, off)) < 3.0, name
    bare = read_touched(measured).model_copy(update={"markers": {}})
    write_touched(measured, bare)
    refused = run("touch", "--again", str(measured), "--by-markers", status=2)
    assert "expected three markers on the bicycle" in refused


def test_a_bicycle_is_shown_drawn_and_carried_over(tmp_path: Path, measured: Path) -> None:
    drawing = tmp_path / "sheet.svg"
    told = run("bicycle", str(measured), "--drawing", str(drawing))
    assert re.search(r"saddle_height +7(19|20)\.\d ± 0\.\d mm", told)
    lean = re.search(r"Taken out: lean (\d\.\d)° to the right", told)
    assert lean is not None
    # Both ends of one axle, 136 mm apart, found to about 0.3 mm each: 0.15 degrees.
    assert abs(float(lean[1]) - 4.0) < 0.5
    assert drawing.stat().st_mode & 0o777 == 0o600
    assert "Saddle setback" in drawing.read_text()
    run("bicycle", "--drawing", str(tmp_path / "all.svg"))
    assert "How far the saddle" in (tmp_path / "all.svg").read_text()
    assert "expected a bicycle written by livefit touch" in run("bicycle", status=2)

    frame, parts = str(EXAMPLES / "frame.toml"), str(EXAMPLES / "parts.toml")
    told = run("transfer", str(measured), "--frame", frame, "--parts", parts)
    assert "seat post  setback 20, 350: " in told
    assert "Left over at the saddle: nothing." in told
    assert re.search(r"Left over at the bar: .* too high", told)
    assert "Never above a minimum-insertion mark" in told
    (tmp_path / "set_up.json").write_text(read_touched(measured).set_up.model_dump_json())
    again = run("transfer", str(tmp_path / "set_up.json"), "--frame", frame, "--parts", parts)
    assert again == told


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--only", "saddle"], "--only needs --before FILE"),
        (["--only", "wheels", "--before", "x"], "--only is one of saddle, bar, cranks"),
        (["--before", "none.json"], "found no such file"),
        (["--again", "a", "--before", "b"], "--again finds a moved bicycle"),
        (["--level", "slope"], "--level is one of axles, gravity"),
        (["--noted", "saddle=5"], "an adjustment is written PART=AMOUNT"),
        (["--pointer", "stick"], "no pointer is named 'stick'"),
    ],
)
def test_what_cannot_be_touched_is_told(arguments: list[str], told: str) -> None:
    assert told in run("touch", "--terminal", *arguments, status=2)
