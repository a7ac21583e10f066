"""``livefit predict`` on files, good and bad."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from livefit.cli.main import app
from simulators import RiderSimulation, Sensor, observe, stream_info

SENSOR = Sensor(rate_hz=100.0)
SECONDS = 15.0


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner(env={"COLUMNS": "140"}).invoke(app, ["predict", *arguments])
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture(scope="module")
def rides(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """A ride, and one with the saddle 5 mm higher."""
    folder = tmp_path_factory.mktemp("rides")
    simulation = RiderSimulation(seed=11)
    bicycle = simulation.bicycle
    higher = replace(
        simulation,
        bicycle=replace(bicycle, saddle_height_mm=bicycle.saddle_height_mm + 5.0),
        seed=12,
    )
    paths = [saved(ride, folder / name) for ride, name in ((simulation, "a.csv"),
                                                           (higher, "b.csv"))]  # fmt: skip
    return str(paths[0]), str(paths[1])


def saved(simulation: RiderSimulation, path: Path) -> Path:
    info = stream_info(SENSOR)
    block = observe(simulation, SENSOR, count=int(SECONDS * SENSOR.rate_hz))
    names = [f"{label}_{axis}" for label in info.labels for axis in "xyz"]
    lines = ["# units: mm", f"# up: {info.up}", ",".join(["frame", "time", *names])]
    for number, t, positions in zip(block.numbers, block.t, block.positions, strict=True):
        cells = ["" if np.isnan(x) else f"{x:.4f}" for x in positions.ravel()]
        lines.append(",".join([str(number), f"{t:.6f}", *cells]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_change_as_a_table(rides: tuple[str, str]) -> None:
    status, out, err = run(rides[0], "--change", "saddle_height=5", "--change", "saddle_tilt=1")
    assert (status, err) == (0, "")
    assert "Estimate for saddle height 5 mm up" in out
    assert "Knee flexion, deg" in out
    assert "said by published" in out
    assert "saddle tilt does" in out
    assert "minimum-insertion mark" in out
    assert "foot" not in out.lower()
    assert "Foot inclination" in run(rides[0], "--change", "saddle_height=5", "--every")[1]


def test_a_change_as_a_document(rides: tuple[str, str]) -> None:
    learn = f"{rides[0]},{rides[1]},saddle_height=5"
    told = {}
    for name, extra in (("published", ()), ("own", ("--learn", learn))):
        status, out, err = run(rides[0], "--change", "saddle_height=-4", "--json", *extra)
        assert (status, err) == (0, "")
        told[name] = json.loads(out)
    assert told["published"]["changes"] == {"saddle_height": -4.0}
    assert told["published"]["said_by"] == "published"
    assert any(said.startswith("right knee about") for said in told["published"]["said"])
    assert told["published"]["sides"]["L"]["thigh"] == pytest.approx(436.0, abs=4.0)
    widths = []
    for document in told.values():
        [knee] = [row for row in document["rows"] if (row["measure"], row["side"], row["event"]) ==
                  ("knee_flexion", "R", "bdc")]  # fmt: skip
        assert knee["by"] > 0
        widths.append(knee["high"] - knee["low"])
    assert widths[1] < widths[0]


def test_into_bands(rides: tuple[str, str]) -> None:
    wish = "knee_flexion:crank_180=32:35"
    status, out, err = run(rides[0], "--into-bands", wish, "--permit", "saddle_height=-30:18")
    assert (status, err) == (0, "")
    assert "First step: saddle height 5 mm up." in out
    assert "Together: saddle height" in out
    assert "Crank 180°" in out
    status, out, _ = run(rides[0], "--into-bands", wish, "--json")
    document = json.loads(out)
    assert status == 0
    assert document["first"] == {"part": "saddle_height", "amount": 5.0}
    assert document["said"][0] == "First step: saddle height 5 mm up."


def test_the_disciplines_own_band(rides: tuple[str, str]) -> None:
    # 33 to 43 at the bottom: the simulated rider sits at 36.
    for event in ("bdc", "crank_180"):
        status, out, _ = run(rides[0], "--into-bands", f"knee_flexion:{event}")
        assert status == 0
        assert "nothing needs to be changed" in out


def test_no_way_is_an_exit_status(rides: tuple[str, str]) -> None:
    status, out, _ = run(rides[0], "--into-bands", "knee_flexion:bdc=10:12",
                         "--permit", "saddle_height=-5:5")  # fmt: skip
    assert status == 1
    assert "None of the permitted changes" in out
    status, out, _ = run(rides[0], "--change", "saddle_height=100")
    assert status == 1
    assert "leg is too short" in out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "expected either --change PART=AMOUNT or --into-bands"),
        (("--change", "saddle_height=5", "--into-bands", "knee_flexion:bdc"), "got both"),
        (("--change", "saddle_height"), "PART=AMOUNT"),
        (("--change", "saddle_height=five"), "expected a number, got 'five'"),
        (("--change", "saddle=5"), "expected one of saddle_height"),
        (("--change", "saddle_height=1", "--change", "saddle_height=2"), "each part once"),
        (("--into-bands", "knee_flexion"), "measure:event"),
        (("--into-bands", "knee:bdc"), "no measure is named 'knee'"),
        (("--into-bands", "ankle_angle:bdc"), "has no band for ankle_angle at bdc"),
        (("--into-bands", "knee_flexion:bdc=30"), "LOW:HIGH"),
        (("--into-bands", "knee_flexion:bdc", "--permit", "saddle_height=5"), "LEAST:MOST"),
        (("--into-bands", "knee_flexion:bdc", "--permit", "post"), "no adjustment is named"),
        (("--change", "saddle_height=5", "--learn", "a.csv"), "BEFORE,AFTER,PART=AMOUNT"),
    ],
)
def test_what_cannot_be_used_is_one_clear_line(
    rides: tuple[str, str], arguments: tuple[str, ...], said: str
) -> None:
    status, _, err = run(rides[0], *arguments)
    assert status == 2
    assert said in err
    assert err.startswith("livefit: ")


def test_a_file_without_strokes(tmp_path: Path) -> None:
    still = RiderSimulation(seed=3)
    still = replace(still, style=replace(still.style, cadence_rpm=0.0))
    status, _, err = run(str(saved(still, tmp_path / "still.csv")), "--change", "saddle_height=5")
    assert status == 2
    assert "expected a recording with whole strokes, found none" in err
