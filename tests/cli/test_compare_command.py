"""``livefit compare``, and the trials that ``livefit analyse`` finds in a recording."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from scipy import stats
from typer.testing import CliRunner

from livefit.cli.main import app
from livefit.recording.writing import RecordingWriter
from livefit.wire.codec import NAMES, encode
from livefit.wire.messages import Mark, Message, Snapshot
from simulators import RiderSimulation, Style, observe
from tests.node.comparing_rides import SENSOR, ride
from tests.node.streams import STARTED, block, description, messages, processing

EPOCH_NS = 1_700_000_000 * 10**9
MARK = Mark(number=2, t=42.0, part="saddle_height", amount=10.0)


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner(env={"COLUMNS": "180"}).invoke(app, list(arguments))
    return result.exit_code, result.stdout, result.stderr


def written(directory: Path, name: str, sent: list[Message]) -> Path:
    with RecordingWriter(directory, name) as writer:
        for message in sent:
            t = getattr(message, "sent", None) or STARTED
            ns = EPOCH_NS + round(1e9 * (t - STARTED))
            writer.add(NAMES[type(message)], encode(message), arrived_ns=ns, sent_ns=ns)
        writer.flush()
    return writer.path


def results(marks: list[Mark]) -> Snapshot:
    """What the node said last."""
    told = processing().snapshot(STARTED + 80.0)
    return told.model_copy(update={"marks": marks, "stream": "one"})


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ride with the saddle 10 mm up from 40 s on; the mark came at 42 s."""
    frames = messages(ride(), "one", SENSOR, 20)
    early = Mark(number=1, t=None, part="bar_reach", amount=5.0)
    sent = [description("one", SENSOR), *frames, results([early, MARK])]
    return written(tmp_path_factory.mktemp("rides"), "ride", sent)


@pytest.fixture(scope="module")
def compared(recorded: Path) -> dict[str, Any]:
    status, out, err = run("compare", f"{recorded}#0", f"{recorded}#1", "--json")
    assert (status, err) == (0, "")
    found: dict[str, Any] = json.loads(out)
    return found


def row(rows: list[dict[str, Any]], measure: str, side: str) -> dict[str, Any]:
    return next(r for r in rows if (r["measure"], r["side"]) == (measure, side))


def test_trials_of_one_recording_are_compared(compared: dict[str, Any], recorded: Path) -> None:
    """The truth: a higher saddle straightens the knee and points the foot."""
    assert (compared["before"], compared["now"]) == ("ride.mcap#0", "ride.mcap#1")
    for side in "LR":
        assert row(compared["rows"], "knee_flexion", side)["by"] < -1.0
        assert row(compared["rows"], "ankle_angle", side)["told"]
    status, out, _ = run("compare", str(recorded), "--trials", "0", "1", "--json")
    assert status == 0
    assert json.loads(out) == compared


def test_means_are_those_of_the_strokes_analyse_lists(
    compared: dict[str, Any], recorded: Path
) -> None:
    status, out, _ = run("analyse", str(recorded), "--json", "--per-stroke")
    assert status == 0
    found = json.loads(out)
    knee = row(compared["rows"], "knee_flexion", "L")
    own = [v for v in found["per_stroke"]
           if (v["measure"], v["side"], v["event"]) == ("knee_flexion", "L", "bdc")]  # fmt: skip
    tops = {v["stroke"]: v["t"] for v in found["per_stroke"]
            if (v["measure"], v["side"], v["event"]) == ("hip_angle", "L", "tdc")}  # fmt: skip
    sides = [np.array([v["value"] for v in own if (tops.get(v["stroke"], 0.0) > 42.0) == late])
             for late in (False, True)]  # fmt: skip
    for part, values in zip(("before", "now"), sides, strict=True):
        counted = values[knee[part]["aside"] :]
        assert knee[part]["n"] == len(counted)
        assert knee[part]["mean"] == pytest.approx(counted.mean(), abs=1e-9)
    test = stats.ttest_ind(sides[1][knee["now"]["aside"] :], sides[0], equal_var=False)
    assert (test.pvalue < 0.001) == knee["told"]
    assert [trial["number"] for trial in found["trials"]] == [0, 1]
    marks = [trial["marks"] for trial in found["trials"]]
    assert [[mark["amount"] for mark in each] for each in marks] == [[5.0], [10.0]]
    [changes] = found["changes"]
    assert changes["rows"] == compared["rows"]
    assert len(found["rows"]) == 142


def test_cadence_is_shown_and_allowed_for(compared: dict[str, Any]) -> None:
    assert {load["measure"] for load in compared["loads"]} == {"cadence"}
    allowed = row(compared["rows"], "knee_flexion", "L")["at_equal_load"]
    [load] = allowed["loads"]
    assert (load["name"], load["unit"]) == ("cadence", "rpm")
    expected = row(compared["rows"], "knee_flexion", "L")["by"] - load["slope"] * load["by"]
    assert allowed["by"] == pytest.approx(expected)
    assert allowed["why_not"] == ""


def test_two_recordings_are_compared(recorded: Path, tmp_path: Path) -> None:
    other = written(tmp_path, "other", [description(), *messages(block(), size=20)])
    status, out, err = run("compare", f"{recorded}#0", str(other), "--show", "knee_flexion:bdc")
    assert (status, err) == (0, "")
    assert "other.mcap less ride.mcap#0" in out
    assert "Knee flexion" in out
    assert "Hip angle" not in out


def test_a_picture_is_drawn(recorded: Path, tmp_path: Path) -> None:
    path = tmp_path / "compared.png"
    status, _, _ = run("compare", str(recorded), "--trials", "0", "1", "--picture", str(path))
    assert status == 0
    with Image.open(path) as image:
        assert image.size[0] == 1600
        assert len(image.getcolors(1 << 20) or []) > 10


def test_a_picture_that_cannot_be_written_says_what_to_do(recorded: Path, tmp_path: Path) -> None:
    path = tmp_path / "none" / "compared.png"
    status, _, err = run("compare", str(recorded), "--trials", "0", "1", "--picture", str(path))
    assert status == 2
    assert err.startswith(f"livefit: {path}: the picture cannot be written: No such file")
    assert "give a PNG file in a folder that is there" in err


def test_what_cannot_be_compared_is_said(recorded: Path, tmp_path: Path) -> None:
    for arguments, said in (
        ([str(recorded)], "give two recordings"),
        ([str(recorded), str(recorded)], "has 2 trials, 0 to 1: say which, ride.mcap#0 for one"),
        ([f"{recorded}#0", f"{recorded}#7"], "has the trials 0 to 1, got 7"),
        ([f"{tmp_path}/none.mcap", f"{recorded}#0"], "cannot be opened"),
    ):
        status, _, err = run("compare", *arguments)
        assert status == 2
        assert said in err.replace("\n", "")


def test_without_a_slope_on_cadence_that_is_said(recorded: Path, tmp_path: Path) -> None:
    """60 and 90 turns a minute: no slope within a trial reaches so far."""
    slow = observe(RiderSimulation(style=Style(cadence_rpm=60.0)), SENSOR, count=2500)
    path = written(tmp_path, "slow", [description("one", SENSOR),
                                      *messages(slow, "one", SENSOR, 20)])  # fmt: skip
    status, out, _ = run("compare", str(path), f"{recorded}#0")
    assert status == 0
    assert "Not everywhere allowed for: cadence differs more between the trials" in out
