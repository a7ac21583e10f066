"""``livefit analyse`` on files, good and bad."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from livefit.cli.main import app
from simulators.rider import RiderSimulation
from simulators.sensor import observe, stream_info
from simulators.settings import Sensor
from simulators.truth import truth_at

SENSOR = Sensor(rate_hz=100.0, noise_mm=0.5)
SECONDS = 15.0


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner(env={"COLUMNS": "160"}).invoke(app, ["analyse", *arguments])
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture(scope="module")
def simulation() -> RiderSimulation:
    return RiderSimulation(seed=11)


@pytest.fixture(scope="module")
def csv_file(simulation: RiderSimulation, tmp_path_factory: pytest.TempPathFactory) -> Path:
    info = stream_info(SENSOR)
    block = observe(simulation, SENSOR, count=int(SECONDS * SENSOR.rate_hz))
    path = tmp_path_factory.mktemp("rides") / "ride.csv"
    names = [f"{label}_{axis}" for label in info.labels for axis in "xyz"]
    lines = ["# units: mm", f"# up: {info.up}", ",".join(["frame", "time", *names])]
    for number, t, positions in zip(block.numbers, block.t, block.positions, strict=True):
        cells = ["" if np.isnan(x) else f"{x:.4f}" for x in positions.ravel()]
        lines.append(",".join([str(number), f"{t:.6f}", *cells]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def analysed(csv_file: Path) -> dict[str, Any]:
    status, out, err = run(str(csv_file), "--json", "--per-stroke")
    assert (status, err) == (0, "")
    found: dict[str, Any] = json.loads(out)
    return found


def test_rows_agree_with_the_simulated_truth(
    analysed: dict[str, Any], simulation: RiderSimulation
) -> None:
    for measure in ("knee_flexion", "hip_angle", "ankle_angle"):
        for side in ("L", "R"):
            [row] = [
                r
                for r in analysed["rows"]
                if (r["measure"], r["side"], r["event"]) == (measure, side, "bdc")
            ]
            assert row["crank_deg"] == 180.0
            assert row["unit"] == "deg"
            _, truth = truth_at(simulation, measure, side, 180.0, 0.0, SECONDS)
            assert row["mean"] == pytest.approx(truth.mean(), abs=0.3)
            assert row["ci95"][0] < row["mean"] < row["ci95"][1]


def test_the_document_says_what_it_rests_on(analysed: dict[str, Any]) -> None:
    assert analysed["frames"] == SECONDS * SENSOR.rate_hz
    assert analysed["rate_hz"] == pytest.approx(100.0, rel=1e-3)
    for side in ("L", "R"):
        found = analysed["sides"][side]
        assert found["crank_mm"] == pytest.approx(172.5, abs=0.3)
        assert found["cadence_rpm"] == pytest.approx(90.0, abs=2.0)
        assert analysed["strokes"]["found"][side] >= 18
    keys = {"measure", "side", "event", "crank_deg", "unit", "n", "mean", "sd", "se", "ci95"}
    assert all(keys | {"band", "verdict"} <= set(row) for row in analysed["rows"])


def test_strokes_listed_give_the_mean_of_their_row(analysed: dict[str, Any]) -> None:
    key = ("knee_flexion", "L", "bdc")
    values = [
        s["value"]
        for s in analysed["per_stroke"]
        if (s["measure"], s["side"], s["event"]) == key and s["value"] is not None
    ]
    [row] = [r for r in analysed["rows"] if (r["measure"], r["side"], r["event"]) == key]
    assert row["n"] == len(values)
    assert row["mean"] == pytest.approx(float(np.mean(values)), abs=1e-9)
    assert row["sd"] == pytest.approx(float(np.std(values, ddof=1)), abs=1e-9)


def test_the_table_has_cautions_and_verdicts(csv_file: Path) -> None:
    status, out, _ = run(str(csv_file), "--discipline", "road_race")
    assert status == 0
    assert "Knee flexion" in out
    assert "licensed clinician" in out


def test_cranks_are_as_sure_as_the_table_says_its_rows_are(
    csv_file: Path, analysed: dict[str, Any]
) -> None:
    """Half a 95 % interval of a normal error is 1.96 standard errors."""
    _, out, _ = run(str(csv_file))
    said = re.findall(
        r"([LR]): .* crank ([\d.]+) ± ([\d.]+) mm; spindle \S+ ± ([\d.]+) .* \S+ ± ([\d.]+) mm",
        " ".join(out.split()).replace(" R: ", "\nR: "),
    )
    assert [side for side, *_ in said] == ["L", "R"]
    for side, length, *halves in said:
        crank = analysed["sides"][side]
        assert float(length) == pytest.approx(crank["crank_mm"], abs=0.051)
        errors = [crank["crank_se_mm"], *crank["spindle_se_mm"]]
        assert [float(half) for half in halves] == pytest.approx(
            [1.96 * error for error in errors], abs=0.051
        )
    assert "half the 95 % interval" in out.split("measure")[0]


def test_one_side_alone_says_what_it_leaves_out(csv_file: Path, tmp_path: Path) -> None:
    lines = csv_file.read_text(encoding="utf-8").splitlines()
    rows = [line.split(",") for line in lines[2:]]
    kept = [k for k, name in enumerate(rows[0]) if not name.startswith("R_")]
    left = tmp_path / "left.csv"
    cells = [",".join(row[k] for k in kept) for row in rows]
    left.write_text("\n".join([*lines[:2], *cells]) + "\n", encoding="utf-8")
    status, out, _ = run(str(left), "--json")
    assert status == 0
    found = json.loads(out)
    assert any("side L alone" in n and "Knee from the mid-plane" in n for n in found["notes"])
    knee = {r["event"]: r["n"] for r in found["rows"] if r["measure"] == "knee_lateral"}
    assert knee.pop("range") > 10
    assert set(knee.values()) == {0}
    assert "alone" not in run(str(csv_file), "--json")[1]


def test_strokes_are_listed_in_the_document_only(csv_file: Path) -> None:
    status, out, err = run(str(csv_file), "--per-stroke")
    assert (status, out) == (2, "")
    assert "--per-stroke needs --json" in err


@pytest.mark.parametrize(
    ("content", "arguments", "expected"),
    [
        ("", [], "ride.csv"),
        ("nonsense\n1,2,3\n", [], "ride.csv"),
        ("# units: mm\nframe,time,R_GT_x,R_GT_y,R_GT_z\n1,0.0,a,2,3\n", [], "ride.csv"),
        (None, ["--discipline", "sledging"], "sledging"),
        (None, ["--markers", "feathers"], "feathers"),
        (None, ["--seat-tube", "nan"], "seat-tube"),
        (None, ["--definitions", "/nowhere"], "/nowhere"),
    ],
)
def test_bad_input_gets_one_line(
    content: str | None, arguments: list[str], expected: str, csv_file: Path, tmp_path: Path
) -> None:
    path = csv_file
    if content is not None:
        path = tmp_path / "ride.csv"
        path.write_text(content, encoding="utf-8")
    status, _, err = run(str(path), *arguments)
    assert status == 2
    assert err.startswith("livefit: ")
    assert expected in err
    assert "Traceback" not in err


def test_a_recording_without_strokes_says_so(csv_file: Path, tmp_path: Path) -> None:
    lines = csv_file.read_text(encoding="utf-8").splitlines()
    short = tmp_path / "short.csv"
    short.write_text("\n".join(lines[:40]) + "\n", encoding="utf-8")
    status, _, err = run(str(short))
    assert status == 1
    assert "no whole stroke" in err
