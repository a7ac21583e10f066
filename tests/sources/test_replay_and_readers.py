"""Recordings read by two readers, and played without loss."""

from __future__ import annotations

import struct
import threading
from pathlib import Path
from typing import Literal

import c3d
import ezc3d
import numpy as np
import pytest

from livefit.frames import MarkerBlock, StreamInfo
from livefit.sources.capture import run_capture
from livefit.sources.files import read_recording
from livefit.sources.reading import Recording, RecordingError
from livefit.sources.recording import SEAM_S, ReplaySource, open_recording
from livefit.wire.messages import Description, Frames
from livefit.wire.sockets import Subscriber
from simulators import RiderSimulation, Sensor, observe, stream_info
from tests.end_to_end.running import free_address


@pytest.fixture
def c3d_file(tmp_path: Path) -> Path:
    """Three markers, 50 frames at 100 Hz; the second is not seen in frames 10 to 19."""
    random = np.random.default_rng(2)
    points = np.ones((4, 3, 50))
    points[:3] = random.normal(0.0, 300.0, size=(3, 3, 50))
    points[:3, 1, 10:20] = np.nan
    file = ezc3d.c3d()
    file["parameters"]["POINT"]["RATE"]["value"] = [100.0]
    file["parameters"]["POINT"]["UNITS"]["value"] = ["mm"]
    file["parameters"]["POINT"]["LABELS"]["value"] = ["R_GT", "R_LE", "R_LM"]
    file["data"]["points"] = points
    path = tmp_path / "trial.c3d"
    file.write(str(path))
    return path


@pytest.mark.filterwarnings("ignore:(No analog|missing parameter):UserWarning:c3d")
def test_c3d_positions_are_those_of_a_second_reader(c3d_file: Path) -> None:
    """The ``c3d`` package reads the same file by code of its own."""
    block = read_recording(c3d_file, up="+z").block
    with c3d_file.open("rb") as handle:
        frames = list(c3d.Reader(handle).read_frames())
    assert len(frames) == len(block) == 50
    for (number, points, _), positions, own in zip(
        frames, block.positions, block.numbers, strict=True
    ):
        assert number == own
        seen = points[:, 3] >= 0
        assert np.array_equal(seen, np.isfinite(positions).all(axis=1))
        assert positions[seen] == pytest.approx(points[seen, :3], abs=1e-3)


@pytest.mark.parametrize("lost", [0.1, 0.5])
def test_a_c3d_that_was_cut_off_is_refused(c3d_file: Path, lost: float) -> None:
    """The header's last frame is word 5 of the format: https://www.c3d.org/docs/C3D_User_Guide.pdf.

    The file ends with its frames, in whole blocks: of 50 frames of 48 bytes, 160 bytes of filling.
    """
    content = c3d_file.read_bytes()
    c3d_file.write_bytes(content[: -160 - int(50 * lost) * 48])
    with pytest.raises(RecordingError, match=rf"cut off: expected 50 .* found {50 - 50 * lost:g};"):
        read_recording(c3d_file, up="+z")


def test_a_c3d_longer_than_its_count_says_so(tmp_path: Path) -> None:
    """The file holds 65,600 frames; the reader's library gives as many as 16 bits count."""
    file = ezc3d.c3d()
    file["parameters"]["POINT"]["RATE"]["value"] = [100.0]
    file["parameters"]["POINT"]["UNITS"]["value"] = ["mm"]
    file["parameters"]["POINT"]["LABELS"]["value"] = ["R_GT"]
    file["data"]["points"] = np.ones((4, 1, 65_600))
    path = tmp_path / "long.c3d"
    file.write(str(path))
    read = read_recording(path, up="+z")
    assert len(read.block) == 65_535
    assert any("65535 frames were read" in note for note in read.notes)


def test_a_c3d_cut_out_of_a_longer_one_is_whole(c3d_file: Path) -> None:
    content = bytearray(c3d_file.read_bytes())
    content[6:10] = struct.pack("<HH", 501, 550)
    c3d_file.write_bytes(content)
    block = read_recording(c3d_file, up="+z").block
    assert (block.numbers[0], block.numbers[-1]) == (501, 550)
    assert block.t[0] == pytest.approx(5.01)


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("trial.c3d", b"", "empty"),
        ("trial.c3d", b"\x02\x00nonsense", "not a C3D file"),
        ("trial.trc", b"hello\n", "not a TRC file"),
        ("trial.csv", b"# units: mm\n", "comments only"),
        ("trial.csv", b"frame,x\n1,2\n", "expected a column 'time'"),
        ("trial.mov", b"", "expected a file ending in"),
    ],
)
def test_bad_files_are_told_apart(name: str, content: bytes, expected: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=expected):
        read_recording(path)


def numbered(tmp_path: Path, numbers: list[int], ending: str, *, step_s: float = 0.02) -> Path:
    """One marker, rows numbered like this."""
    rows = [(n, f"{step_s * i:.3f}", i, 2 * i, 900) for i, n in enumerate(numbers)]
    if ending == "csv":
        lines = ["# units: mm", "frame,time,R_GT_x,R_GT_y,R_GT_z"]
        lines += [",".join(map(str, row)) for row in rows]
    else:
        lines = ["PathFileType\t4", "DataRate\tUnits", "50\tmm", "Frame#\tTime\tR_GT", "", ""]
        lines += ["\t".join(map(str, row)) for row in rows]
    path = tmp_path / f"ride.{ending}"
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize("ending", ["csv", "trc"])
def test_frames_numbered_in_steps_are_not_lost(ending: str, tmp_path: Path) -> None:
    """Every fourth frame of a trial at 200 Hz is 50 frames a second, and one of them is lost."""
    read = read_recording(numbered(tmp_path, [1, 5, 9, 17, 21], ending), up="+z")
    assert read.block.numbers.tolist() == [0, 1, 2, 4, 5]
    assert any("in steps of 4" in note for note in read.notes)


@pytest.mark.parametrize("ending", ["csv", "trc"])
def test_frames_numbered_one_by_one_keep_their_numbers(ending: str, tmp_path: Path) -> None:
    read = read_recording(numbered(tmp_path, [4, 6, 7, 10], ending), up="+z")
    assert read.block.numbers.tolist() == [4, 6, 7, 10]
    assert not any("in steps" in note for note in read.notes)


@pytest.mark.parametrize("side", ["left", "both"])
@pytest.mark.parametrize(("unit", "per_mm"), [("mm", 1.0), ("cm", 0.1), ("m", 0.001)])
def test_a_unit_that_is_not_said_is_guessed(
    unit: str, per_mm: float, side: Literal["left", "both"], tmp_path: Path
) -> None:
    sensor = Sensor(rate_hz=60.0, side=side)
    block = observe(RiderSimulation(), sensor, count=120)
    labels = stream_info(sensor).labels
    header = ",".join(["time", *(f"{label}_{axis}" for label in labels for axis in "xyz")])
    rows = [
        ",".join(f"{x:.6g}" for x in (t, *(per_mm * p.ravel())))
        for t, p in zip(block.t, block.positions, strict=True)
    ]
    path = tmp_path / "ride.csv"
    path.write_text("\n".join([header, *rows]) + "\n")
    read = read_recording(path, up="+z")
    assert read.block.positions == pytest.approx(block.positions, rel=1e-4, abs=0.1)
    assert any(f": {unit} was guessed" in note for note in read.notes)


@pytest.mark.parametrize("ending", ["csv", "trc"])
def test_times_in_milliseconds_are_refused(ending: str, tmp_path: Path) -> None:
    path = numbered(tmp_path, [1, 2, 3, 4], ending, step_s=20.0)
    with pytest.raises(RecordingError, match=r"times in seconds .* are the times in milliseconds"):
        read_recording(path, up="+z")


class Clock:
    """Time that passes only while somebody waits."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


def recording(frames: int = 100) -> Recording:
    info = StreamInfo(labels=("R_CA", "R_VM"), rate_hz=100.0, up="+z")
    block = MarkerBlock(
        np.arange(5, 5 + frames),
        0.01 * np.arange(frames, dtype=np.float64),
        np.ones((frames, 2, 3)),
    )
    return Recording(Path("ride.csv"), info, block)


def test_replay_is_paced_and_leaves_a_gap_at_the_seam() -> None:
    clock = Clock()
    source = ReplaySource(recording(), speed=2.0, loop=True, clock=clock, sleep=clock.sleep)
    numbers: list[int] = []
    times: list[float] = []
    while len(numbers) < 150:
        block = source.read(0.02)
        if block is not None:
            numbers += block.numbers.tolist()
            times += block.t.tolist()
    steps = np.diff(numbers)
    assert steps.max() == SEAM_S * 100.0
    assert np.diff(times)[steps.argmax()] == pytest.approx(SEAM_S, abs=0.011)
    assert (np.diff(times) > 0).all()
    assert clock.now - 100.0 == pytest.approx(times[-1] / 2.0, abs=0.02)


def test_replay_ends_and_refuses_to_be_changed() -> None:
    source = ReplaySource(recording(), speed=0.0)
    block = source.read(0.0)
    assert block is not None
    assert len(block) == 100
    with pytest.raises(EOFError, match="played to its end"):
        source.read(0.0)
    with pytest.raises(ValueError, match=r"cannot do 'source\.saddle'"):
        source.control("source.saddle", {})


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({}, "needs path=FILE"),
        ({"path": "x.trc", "colour": "red"}, "no option colour"),
        ({"path": "x.trc"}, "cannot be opened"),
    ],
)
def test_options_of_a_replay_are_checked(options: dict[str, str], expected: str) -> None:
    with pytest.raises(ValueError, match=expected):
        open_recording(options)


def test_flat_out_replay_loses_nothing() -> None:
    frames_at, control_at = free_address(), free_address()
    source = ReplaySource(recording(20_000), speed=0.0)
    done = threading.Event()
    thread = threading.Thread(
        target=run_capture,
        args=(source, frames_at, control_at, done.is_set),
        kwargs={"lossless": True},
    )
    received = 0
    with Subscriber(frames_at, ["description", "frames"]) as subscriber:
        thread.start()
        described = False
        while received < 20_000:
            messages = subscriber.poll(5.0)
            assert messages, f"{received} of 20000 frames came, then nothing for 5 s"
            for _, message in messages:
                described |= isinstance(message, Description)
                if isinstance(message, Frames):
                    assert message.first == received + 5
                    received += message.count
        done.set()
        thread.join(10)
    assert described
    assert not thread.is_alive()
