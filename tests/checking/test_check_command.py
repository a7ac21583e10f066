"""``livefit check`` on files and over a socket: output, document, picture, exit status."""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from threading import Event, Thread
from typing import Any

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from livefit.checking import NAMES, Report, check, document
from livefit.checking.findings import LEVELS, Finding, Sheet
from livefit.checking.picture import BAD, WIDTH, draw
from livefit.cli.main import app
from livefit.frames import FloatArray, MarkerBlock
from livefit.wire.blocks import describe, pack_block
from livefit.wire.sockets import Publisher
from tests.checking.checked_examples import INFO, changed, column, heard, ride, rows, shipped


def run(*arguments: str, columns: int = 130) -> tuple[int, str, str]:
    result = CliRunner(env={"COLUMNS": str(columns)}).invoke(app, ["check", *arguments])
    return result.exit_code, result.stdout, result.stderr


def written(path: Path, block: MarkerBlock) -> Path:
    names = [f"{label}_{axis}" for label in INFO.labels for axis in "xyz"]
    lines = ["# units: mm", f"# up: {INFO.up}", ",".join(["frame", "time", *names])]
    for number, t, positions in zip(block.numbers, block.t, block.positions, strict=True):
        cells = ["" if np.isnan(x) else f"{x:.4f}" for x in positions.ravel()]
        lines.append(",".join([str(number), f"{t:.6f}", *cells]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def hidden(positions: FloatArray, t: FloatArray) -> None:
    positions[(t > 3) & (t < 5), column("R_EL")] = np.nan


@pytest.fixture(scope="module")
def sound_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("checked") / "sound.csv", ride())


@pytest.fixture
def keep_signals() -> Iterator[None]:
    """Listening takes Ctrl-C for itself; the test run gets it back."""
    before = [(number, signal.getsignal(number)) for number in (signal.SIGINT, signal.SIGTERM)]
    yield
    for number, handler in before:
        signal.signal(number, handler)


def test_a_sound_recording(sound_file: Path) -> None:
    status, out, err = run(str(sound_file))
    assert (status, err) == (0, "")
    assert "good enough" in out
    assert "● sound" in out
    assert "▲" not in out
    assert "✖" not in out


def test_a_recording_with_a_warning(tmp_path: Path) -> None:
    status, out, _ = run(str(written(tmp_path / "hidden.csv", changed(hidden))))
    assert status == 1
    assert "▲ warning  missing_marker  R_EL" in out


def test_a_recording_with_a_fault_comes_with_remedies_worst_first(tmp_path: Path) -> None:
    def swapped(positions: FloatArray, t: FloatArray) -> None:
        hidden(positions, t)
        pair = [column("L_LE"), column("L_LM")]
        positions[600:700, pair] = positions[600:700, pair[::-1]]

    status, out, _ = run(str(written(tmp_path / "swapped.csv", changed(swapped))))
    assert status == 2
    assert out.index("✖ fault  labels_swapped") < out.index("▲ warning  missing_marker")
    assert "→ Let the tracking" in out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["no such file.csv"], "cannot be opened"),
        (["ride.doc"], "found '.doc'"),
        (["tcp://nowhere"], "cannot use the address"),
        (["SOUND", "--measure", "knee_flexion"], "measure:event"),
        (["SOUND", "--measure", "knee:bdc"], "no measure is named 'knee'"),
        (["SOUND", "--within", "0"], "above 0"),
        (["SOUND", "--markers", "nonesuch"], "no marker set is named"),
    ],
)
def test_nothing_to_judge(arguments: list[str], says: str, sound_file: Path) -> None:
    status, out, err = run(*[str(sound_file) if a == "SOUND" else a for a in arguments])
    assert (status, out) == (3, "")
    assert says in err


def test_nobody_sends(keep_signals: None) -> None:
    status, out, _ = run("tcp://127.0.0.1:9", "--seconds", "1")
    assert status == 3
    assert "nothing to judge" in out


def test_the_document(sound_file: Path) -> None:
    status, out, _ = run(str(sound_file), "--json", "--measure", "hip_angle:tdc", "--within", "2")
    found: dict[str, Any] = json.loads(out)
    assert status == 0
    assert found.keys() == {
        "format", "source", "live", "seconds", "frames", "verdict", "notes", "looked_at",
        "findings",
    }  # fmt: skip
    assert (found["format"], found["source"], found["live"]) == (1, "sound.csv", False)
    assert found["frames"] == len(ride())
    assert found["verdict"] in {"sound", "note"}
    for look in found["looked_at"]:
        assert look.keys() == {"what", "value", "verdict"}
        assert look["verdict"] in {"sound", *LEVELS}
    assert any(f["name"] == "precision" and "hip" in f["text"].lower() for f in found["findings"])
    for finding in found["findings"]:
        assert finding.keys() == {"name", "level", "subject", "text", "remedy", "numbers"}
        assert finding["name"] in NAMES
        assert finding["level"] in LEVELS
        assert finding["text"]
        assert finding["remedy"]
        assert all(x is None or isinstance(x, float) for x in finding["numbers"].values())


def test_a_number_that_does_not_exist_is_null() -> None:
    finding = Finding("noise", "note", None, "a", "b", {"x": float("nan"), "y": 1.0})
    report = Report("here", False, 1.0, 1, (), (finding,))
    assert document(report)["findings"][0]["numbers"] == {"x": None, "y": 1.0}


def test_many_subjects_become_one_finding() -> None:
    sheet = Sheet()
    for k, share in enumerate((0.1, 0.4, 0.2, 0.3)):
        sheet.find("missing_marker", "warning", f"{share}", "b", subject=f"M{k}", share=share)
    [finding] = sheet.findings
    assert finding.subject == "M1 and 3 others"
    assert finding.text == "0.4 So it is with M3, M2 and M0."
    assert finding.numbers["M3 share"] == 0.3


def test_the_picture(tmp_path: Path) -> None:
    def at_the_top(positions: FloatArray, t: FloatArray) -> None:
        positions[(t * 1.5) % 1.0 < 0.1, column("R_GT")] = np.nan

    block = changed(at_the_top)
    kept = rows(block, np.flatnonzero((block.t < 6.0) | (block.t > 6.3)))
    path = tmp_path / "check.png"
    status, _, _ = run(str(written(tmp_path / "hidden.csv", kept)), "--picture", str(path))
    assert status in (1, 2)
    with Image.open(path) as image:
        assert image.width == WIDTH
        pixels = np.asarray(image)
    red = (pixels == BAD).all(axis=2)
    # The band of frames, 1340 px for 14 s, is broken for 0.3 s: 28 px wide and 44 px high.
    assert red.sum() > 28 * 44
    report, pictured = check(heard(ride()), shipped())
    assert pictured is not None
    sound = np.asarray(draw(report, pictured))
    assert not (sound == BAD).all(axis=2).any()


def test_live_over_a_socket(keep_signals: None) -> None:
    description = describe(INFO, stream="live", source="a test")
    stop, ready = Event(), Event()
    address: list[str] = []

    def send() -> None:
        with Publisher("tcp://127.0.0.1:*", cached=["description"]) as publisher:
            address.append(publisher.endpoint)
            publisher.publish(description)
            ready.set()
            while not publisher.listeners("frames") and not stop.is_set():
                publisher.serve()
                stop.wait(0.005)
            began = time.monotonic()
            for k in range(len(ride())):
                if stop.wait(max(began + k / INFO.rate_hz - time.monotonic(), 0.0)):
                    return
                sent = time.monotonic()
                [one] = pack_block(rows(ride(), slice(k, k + 1)), description, sent=sent)
                publisher.publish(one)

    sender = Thread(target=send)
    sender.start()
    try:
        assert ready.wait(10.0)
        status, out, _ = run(address[0], "--seconds", "8", "--json")
    finally:
        stop.set()
        sender.join(10.0)
    found = json.loads(out)
    assert found["live"]
    # A busy machine may delay messages; nothing else may be wrong with the stream.
    assert {f["name"] for f in found["findings"] if f["level"] != "note"} <= {"latency", "stall"}
    assert status in (0, 1, 2)
    assert 700 <= found["frames"] <= 820
