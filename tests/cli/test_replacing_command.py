"""``livefit replacing`` on simulated placements, and ``livefit compare`` across them."""

from __future__ import annotations

import json
import shutil
import stat
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from livefit.cli.main import app
from livefit.definitions import Placements, load_definitions
from livefit.frames import FloatArray
from livefit.recording.writing import RecordingWriter
from livefit.wire.codec import NAMES, encode
from simulators import RiderSimulation, Sensor, Style, observe
from simulators.markers import displaced
from simulators.sensor import placement_offsets
from simulators.truth import MEASURES, View, instants
from tests.node.streams import STARTED, description, messages

SENSOR = Sensor(rate_hz=60.0, noise_mm=0.3)
SECONDS = 22.0
PLACEMENTS = 4
KNEE, TRUNK = ("knee_flexion", "bdc"), ("trunk_inclination", "mean")


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner(env={"COLUMNS": "200"}).invoke(app, list(map(str, arguments)))
    return result.exit_code, result.stdout, " ".join(result.stderr.split())


def placed(number: int, mm: float = 6.0) -> Sensor:
    return replace(SENSOR, placement_mm=mm, placement_seed=number)


def recorded(
    directory: Path, name: str, sensor: Sensor, seed: int, seconds: float, rpm: float = 90.0
) -> Path:
    """A ride of its own, in a file as ``livefit record`` keeps it."""
    rider = RiderSimulation(style=Style(cadence_rpm=rpm), seed=seed)
    frames = observe(rider, sensor, count=int(seconds * sensor.rate_hz))
    with RecordingWriter(directory, name) as writer:
        for message in [description(name, sensor), *messages(frames, name, sensor, 60)]:
            ns = 1_700_000_000 * 10**9 + round(
                1e9 * ((getattr(message, "sent", None) or STARTED) - STARTED)
            )
            writer.add(NAMES[type(message)], encode(message), arrived_ns=ns, sent_ns=ns)
        writer.flush()
    return writer.path


@pytest.fixture(scope="module")
def rides(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The same rider, the markers put on anew before each ride; and one more without that."""
    directory = tmp_path_factory.mktemp("rides")
    found = [recorded(directory, f"p{k}", placed(k), 10 + k, SECONDS) for k in range(PLACEMENTS)]
    return [*found, recorded(directory, "again", placed(0), 30, SECONDS)]


@pytest.fixture(scope="module")
def own(rides: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fitter's own directory, with what was measured from the placements."""
    directory = tmp_path_factory.mktemp("own")
    status, out, err = run(
        "replacing", *map(str, rides[:PLACEMENTS]), "--definitions", str(directory),
        "--fitter", 'Ada "the hand" Sample', "--date", "2026-03-09",
    )  # fmt: skip
    assert (status, err) == (0, "")
    assert "From 4 placements the spread itself is poorly known" in out
    return directory


def by_name(directory: Path) -> dict[str, Placements]:
    return {one.name: one for one in load_definitions(directory).replacing}


def true_knee(number: int, side: str) -> float:
    """Mean knee flexion at the bottom of the true strokes, markers as that placement has them."""
    rider = RiderSimulation(seed=10 + number)
    t = instants(rider, side, 180.0, 2.0, SECONDS)
    moved = displaced(rider.joints(t), rider.toe_out, placement_offsets(placed(number)))
    nowhere: FloatArray = np.full((len(t), 3), np.nan)
    return float(MEASURES["knee_flexion"](View(rider.positions(t) + moved, side, nowhere)).mean())


def test_the_spread_is_that_of_the_simulated_placements(own: Path) -> None:
    """Beside the truth: knee angles of displaced markers by the law of cosines, NumPy's SD."""
    means = np.array([[true_knee(k, side) for side in "LR"] for k in range(PLACEMENTS)])
    expected = np.sqrt(means.var(axis=0, ddof=1).mean())
    found = by_name(own)["knee_flexion"]
    assert found.at["bdc"].sd == pytest.approx(expected, abs=0.15)
    assert expected > 0.5
    assert (found.placements, found.date.isoformat()) == (PLACEMENTS, "2026-03-09")
    assert found.fitter == 'Ada "the hand" Sample'
    assert 3.0 < (found.at["bdc"].freedom or 0.0) <= 6.0


def test_the_file_holds_every_measure_of_the_markers_and_is_for_its_owner_alone(own: Path) -> None:
    path = own / "replacing.toml"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    measures = {m.name for m in load_definitions(own).measures} - {"cadence"}
    assert set(by_name(own)) == measures
    assert "p0.mcap" not in path.read_text(encoding="utf-8")


def compared(*arguments: str) -> dict[str, Any]:
    status, out, err = run("compare", *arguments, "--json")
    assert (status, err) == (0, "")
    found: dict[str, Any] = json.loads(out)
    return found


def test_two_placements_are_compared_with_what_was_measured(own: Path, rides: list[Path]) -> None:
    """The same rider on the same bicycle: nothing is told, where the strokes alone tell plenty."""
    anew = compared(str(rides[0]), str(rides[2]), "--definitions", str(own))
    assert anew["markers"] == "anew"
    assert anew["markers_why"].startswith("as they lie otherwise (")
    assert not any(row["told"] for row in anew["rows"])
    assert all(row["smallest"] == row["anew_smallest"] for row in anew["rows"])
    alone = compared(
        str(rides[0]), str(rides[2]), "--definitions", str(own), "--markers-stayed"
    )  # fmt: skip
    assert (alone["markers"], alone["markers_why"]) == ("stayed", "as you said")
    assert sum(row["told"] for row in alone["rows"]) > 4
    for one, other in zip(anew["rows"], alone["rows"], strict=True):
        assert one["by"] == other["by"]
        assert one["ci95"] == other["anew_ci95"]
        assert one["smallest"] > other["smallest"]
    assert anew["loads"][0]["smallest"] == alone["loads"][0]["smallest"]


def test_markers_that_were_left_on_are_found_to_be(own: Path, rides: list[Path]) -> None:
    found = compared(str(rides[0]), str(rides[4]), "--definitions", str(own))
    assert found["markers"] == "stayed"
    assert found["markers_why"].startswith("as the distances between them agree within 0.")


def test_what_was_assumed_is_said(own: Path, rides: list[Path], tmp_path: Path) -> None:
    names = (str(rides[0]), str(rides[2]))
    status, out, _ = run("compare", *names, "--definitions", str(own))
    told = " ".join(out.split())
    assert status == 0
    assert "Markers: taken to have been put on anew, as they lie otherwise (" in told
    assert "was measured on 2026-03-09 from 4 placements by Ada" in told
    assert "markers stayed" in told
    _, out, _ = run("compare", *names, "--definitions", str(tmp_path), "--markers-moved")
    told = " ".join(out.split())
    assert "Markers: taken to have been put on anew, as you said. What putting them on anew" in told
    assert "never measured: livefit replacing measures it. The strokes alone are counted." in told
    shutil.copy(own / "replacing.toml", tmp_path)
    text = (tmp_path / "replacing.toml").read_text(encoding="utf-8")
    kept = text[text.index("[knee_flexion]") : text.index("[hip_angle]")]
    (tmp_path / "replacing.toml").write_text(kept, encoding="utf-8")
    _, out, _ = run("compare", *names, "--definitions", str(tmp_path))
    assert "In 10 of 14 rows it was not measured." in " ".join(out.split())


def test_what_was_measured_before_is_not_lost(own: Path, rides: list[Path]) -> None:
    path = own / "replacing.toml"
    before = path.read_bytes()
    names = [str(ride) for ride in rides[1:4]]
    status, _, err = run("replacing", *names, "--definitions", str(own))
    assert status == 2
    assert "is there already: --overwrite measures anew, --no-write only shows" in err
    status, out, _ = run("replacing", *names, "--definitions", str(own), "--no-write", "--all")
    assert (status, path.read_bytes()) == (0, before)
    assert out.count("Hip angle, deg") == 8
    status, _, _ = run("replacing", *names, "--definitions", str(own), "--overwrite")
    assert (status, by_name(own)["knee_flexion"].placements) == (0, 3)
    path.write_bytes(before)


def test_markers_left_on_and_another_cadence_are_noticed(rides: list[Path], tmp_path: Path) -> None:
    slow = recorded(tmp_path, "slow", placed(1), 11, SECONDS, rpm=78.0)
    names = [str(ride) for ride in (rides[0], slow, rides[4])]
    status, out, _ = run("replacing", *names, "--definitions", str(tmp_path), "--no-write")
    assert status == 0
    told = " ".join(out.split())
    assert "Cadence differs by 12 rpm between them: that moves angles too" in told
    assert "The markers lie alike in p0.mcap and again.mcap, within 0." in told
    assert "slow.mcap" not in told.partition("lie alike in")[2]


def test_what_cannot_be_measured_is_said(rides: list[Path], tmp_path: Path) -> None:
    names = [str(ride) for ride in rides]
    short = str(recorded(tmp_path, "short", SENSOR, 1, 3.0))
    for arguments, said in (
        (names[:1], "expected 3 placements or more, each ridden after the markers were taken off "
         "and put on again, got 1"),
        ([names[0], names[1], f"{names[0]}#0"], "p0.mcap is given twice, and between two trials "
         "of one recording the bicycle was changed: expected 3 placements or more"),
        ([names[0], names[1], short], "no row has 5 strokes or more in 3 of the trials: p0.mcap: "),
        ([*names[:3], "--session", "1234"], "give recordings, or --session ID"),
        ([], "give recordings, or --session ID"),
        ([*names[:3], "--date", "soon"], "expected a day such as 2026-03-09, found 'soon'"),
        ([f"{names[0]}#1", *names[1:3]], "has the trials 0 to 0, got 1"),
    ):  # fmt: skip
        status, _, err = run("replacing", *arguments, "--definitions", str(tmp_path))
        assert status == 2
        assert said in err
        assert not (tmp_path / "replacing.toml").exists()


def test_the_trials_of_a_session_do_as_well(own: Path, rides: list[Path], tmp_path: Path) -> None:
    at = ["--store", str(tmp_path / "store")]
    status, out, _ = run("session", "new", "--rider", "Ada Sample", "--no-ask", *at)
    assert status == 0
    session = out.split()[-1]
    for ride in rides[:PLACEMENTS]:
        assert run("session", "gather", session, str(ride), *at)[0] == 0
    into = ["--definitions", str(tmp_path)]
    status, out, err = run("replacing", "--session", session, *at, *into)
    assert (status, err) == (0, "")
    assert "trial 3: " in out
    ours, theirs = by_name(tmp_path), by_name(own)
    assert ours["knee_flexion"].at["bdc"].sd == pytest.approx(
        theirs["knee_flexion"].at["bdc"].sd, abs=0.1
    )
    run("session", "add-adjustment", session, "saddle_height", "+5", "--trial", "2", *at)
    asked = ["replacing", "--session", session, "--no-write", *at, *into]
    status, _, err = run(*asked)
    assert status == 2
    assert "before trial 2 the bicycle was changed, saddle height +5 mm: expected the bi" in err
    status, _, err = run(*asked, "--trial", "0", "--trial", "1", "--trial", "7")
    assert "there is no trial 7 in it; expected of: 0, 1, 2, 3" in err
    status, _, err = run(*asked, "--trial", "0", "--trial", "1")
    assert "and put on again, got 2" in err


def test_two_sessions_count_what_was_measured(own: Path, rides: list[Path], tmp_path: Path) -> None:
    """Welch's interval is wider by twice the variance between placements."""
    at = ["--store", str(tmp_path / "store")]
    made = []
    for ride in rides[1:3]:
        _, out, _ = run("session", "new", "--rider", "Ada Sample", "--no-ask", *at)
        made.append(out.split()[-1])
        assert run("session", "gather", made[-1], str(ride), *at)[0] == 0
    found = {}
    for name, directory in (("measured", own), ("not", tmp_path)):
        asked = ["session", "compare", *made, *at, "--definitions", str(directory)]
        _, out, _ = run(*asked, "--json")
        rows = json.loads(out)["numbers"]
        found[name] = {(r["measure"], r["event"], r["side"]): r for r in rows}
        _, out, _ = run(*asked)
        counted = "counts that the markers were put on anew" in " ".join(out.split())
        assert counted == (name == "measured")
    knee = ("knee_flexion", "bdc", "L")
    assert found["measured"][knee]["half_width"] > 2 * found["not"][knee]["half_width"]
    assert found["measured"][knee]["by"] == found["not"][knee]["by"]
    load = ("cadence", "mean", "R")
    assert found["measured"][load] == found["not"][load]
