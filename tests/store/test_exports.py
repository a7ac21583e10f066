"""Exports read again by others: jsonschema, csv, pyarrow and DuckDB, the C3D package of PyPI."""

from __future__ import annotations

import csv
import json
import re
import stat
from dataclasses import replace
from pathlib import Path

import c3d
import duckdb
import jsonschema
import numpy as np
import pytest

from livefit.definitions import Definitions
from livefit.frames import MarkerBlock, StreamInfo
from livefit.session.models import FitSession
from livefit.sources.files import read_recording
from livefit.store import POOLING
from livefit.store.c3d import part_of, write_c3d
from livefit.store.errors import StoreError
from livefit.store.export import json_schema, write_export
from livefit.store.pseudonym import Pseudonyms
from livefit.store.tables import COLUMNS
from simulators import studios
from simulators.studios import simulated_sessions
from tests.recording.recorded_examples import description, frames_of, messages_of, write
from tests.store.store_examples import a_session


def test_a_document_follows_its_schema(tmp_path: Path) -> None:
    (path,) = write_export([a_session()], tmp_path / "out", "json")
    validator = jsonschema.Draft202012Validator(json_schema())
    validator.check_schema(json_schema())
    document = json.loads(path.read_text(encoding="utf-8"))
    assert list(validator.iter_errors(document)) == []
    wrongs: list[dict[str, object]] = [
        {"more": 1}, {"closed": "maybe"}, {"trials": [{}]}, {"id": "short"},
    ]  # fmt: skip
    for wrong in wrongs:
        assert list(validator.iter_errors(document | wrong)) != []
    assert FitSession.model_validate(document).rider.name == "Zoë Probe"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    with pytest.raises(StoreError, match="is there already"):
        write_export([FitSession.model_validate(document)], tmp_path / "out", "json")


def test_csv_says_what_the_documents_say(tmp_path: Path) -> None:
    session = a_session("=1+1", interview={"under_treatment": True, "pain_now": ["neck", "hand"]})
    write_export([session], tmp_path, "csv")
    assert {path.name for path in tmp_path.iterdir()} == {f"{name}.csv" for name in COLUMNS}
    with (tmp_path / "answers.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["question"], row["number"], row["yes_no"], row["words"]) for row in rows] == [
        ("under_treatment", "", "yes", ""),
        ("pain_now", "", "", "neck"),
        ("pain_now", "", "", "hand"),
        ("inseam", "830.0", "", ""),
    ]
    with (tmp_path / "sessions.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["name"] == "'=1+1"  # No formula for a spreadsheet.
    assert row["began"] == "2026-03-09T14:05:00+00:00"


def test_parquet_and_csv_say_the_same(tmp_path: Path) -> None:
    sessions = [*simulated_sessions(5), a_session()]
    write_export(sessions, tmp_path / "a", "csv")
    write_export(sessions, tmp_path / "b", "parquet")
    with duckdb.connect() as database:
        for name in COLUMNS:
            rows = database.execute(f"FROM read_parquet('{tmp_path}/b/{name}.parquet')").fetchall()
            with (tmp_path / "a" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
                head, *texts = csv.reader(file)
            assert head == list(COLUMNS[name])
            assert len(rows) == len(texts) > 0
            for row, text in zip(rows, texts, strict=True):
                for value, cell in zip(row, text, strict=True):
                    if isinstance(value, bool):
                        assert cell == ("yes" if value else "no")
                    elif isinstance(value, float):
                        assert float(cell) == value
                    else:
                        assert cell == ("" if value is None else str(value))


def pooled(directory: Path, known: Definitions, count: int) -> dict[str, list[FitSession]]:
    """Write what two studios would give away, and return what they know."""
    true = {name: simulated_sessions(count, studio=name) for name in ("north", "south")}
    for k, (name, sessions) in enumerate(true.items()):
        names = Pseudonyms(bytes([k]) * 32, known)
        place = directory / "pool" / name
        write_export([names.session(one) for one in sessions], place, "parquet")
    return true


def queries() -> dict[str, str]:
    """The queries of the document, by their first line."""
    text = POOLING.read_text(encoding="utf-8")
    blocks = re.findall(r"^```sql\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
    return {block.splitlines()[0].removeprefix("-- "): block for block in blocks}


def test_the_pool_says_what_the_studios_know(
    tmp_path: Path, shipped: Definitions, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each query of the document, beside numpy on the true sessions and the simulator's truth."""
    true = pooled(tmp_path, shipped, 80)
    whole = [one for sessions in true.values() for one in sessions]
    for path in (tmp_path / "pool").rglob("*.parquet"):
        assert b"Rider" not in path.read_bytes()
        assert b"example.org" not in path.read_bytes()
    monkeypatch.chdir(tmp_path)
    asked = queries()
    assert len(asked) == 5
    with duckdb.connect() as database:
        database.execute(next(block for block in asked.values() if "CREATE VIEW" in block))
        found = {
            name: database.execute(block).fetchall()
            for name, block in asked.items()
            if "CREATE VIEW" not in block
        }
    mm = np.array([height(one, "after") - height(one, "before") for one in whole])
    deg = np.array([knee(one, 1) - knee(one, 0) for one in whole])
    ((count, slope, correlation),) = found["degrees for each mm of saddle"]
    assert count == 160
    assert slope == pytest.approx(np.polyfit(mm, deg, 1)[0], rel=1e-9)
    assert correlation == pytest.approx(np.corrcoef(mm, deg)[0, 1], rel=1e-9)
    # Four standard errors of a slope whose residuals are the difference of two trials' noise.
    error = 4 * np.sqrt(2) * studios.NOISE_DEG / np.sqrt(((mm - mm.mean()) ** 2).sum())
    # The trial before was noisy too, and how far the saddle went was chosen by it (regression to
    # the mean): the bias is the noise's share, below 0.02 deg per mm here.
    assert abs(slope - studios.DEG_PER_MM) < error + 0.02
    for discipline, riders, ratio in found["saddle height over inseam"]:
        of = [one for one in whole if one.discipline == discipline]
        true_ratio = [height(one, "after") / inseam(one) for one in of]
        assert riders == len(of) >= 10
        assert ratio == pytest.approx(np.quantile(true_ratio, [0.1, 0.5, 0.9]), rel=1e-9)
    for over, riders, share in found["pain by flexion"]:
        of = [one for one in whole if (knee(one, 0) > 40) == over]
        hurts = ["knee, front" in str(one.interview["pain_now"]) for one in of]
        assert (riders, share) == (len(of), pytest.approx(np.mean(hurts)))
        chance = studios.PAIN[over]
        assert abs(share - chance) < 4 * np.sqrt(chance * (1 - chance) / riders)
    assert len(found["pain by flexion"]) == 2
    assert sorted(row[2] for row in found["studios"]) == pytest.approx(
        sorted(np.mean([knee(one, 1) for one in sessions]) for sessions in true.values())
    )


def height(session: FitSession, when: str) -> float:
    set_up = session.set_up_before if when == "before" else session.set_up_after
    assert set_up is not None
    return set_up.dimensions["saddle_height"].value


def knee(session: FitSession, trial: int) -> float:
    mean = session.trials[trial].numbers[0].mean
    assert mean is not None
    return mean


def inseam(session: FitSession) -> float:
    found = session.examination["inseam"]
    assert isinstance(found, float)
    return found


def test_frames_of_a_recording_as_c3d(tmp_path: Path) -> None:
    block = frames_of(60)
    lost = np.delete(np.arange(60), [7, 8, 30])
    kept = MarkerBlock(block.numbers[lost], block.t[lost], block.positions[lost])
    mcap = write(tmp_path, [description(), *messages_of(kept, description())])
    recording = read_recording(mcap, up="+z")
    path = tmp_path / "ride.c3d"
    assert write_c3d(recording.info, recording.block, path) == 60
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    with path.open("rb") as file:
        with pytest.warns(UserWarning, match="No analog data found"):
            reader = c3d.Reader(file)
        assert [label.strip() for label in reader.point_labels] == ["R_CA", "R_VM", "R_LM"]
        assert (reader.point_rate, reader.point_scale < 0) == (100.0, True)
        frames = {number: points for number, points, _ in reader.read_frames()}
    assert len(frames) == 60
    for k, number in enumerate(sorted(frames)):
        points = frames[number]
        wanted = block.positions[k].copy()
        if k not in lost:
            wanted[:] = np.nan
        seen = points[:, 3] >= 0
        assert (seen == np.isfinite(wanted[:, 0])).all()
        np.testing.assert_array_equal(points[seen, :3], wanted[seen].astype(np.float32))
    again = read_recording(path)
    assert again.info.up == "+z"
    np.testing.assert_allclose(again.block.positions[lost], kept.positions, rtol=1e-6)


def test_a_recording_that_is_too_long_and_one_that_leaps(tmp_path: Path) -> None:
    """More than the 65,535 frames that the C3D header can count (c3d.org, "Header section")."""
    info = StreamInfo(labels=("A",), rate_hz=200.0, up="+y")
    numbers = np.arange(70_000, dtype=np.int64)
    positions = np.zeros((70_000, 1, 3)) + numbers[:, None, None] % 1000 + 1.0
    block = MarkerBlock(numbers, numbers / 200.0, positions)
    with pytest.raises(StoreError, match=r"65535 frames at most, which is 328 s, found 70000"):
        write_c3d(info, block, tmp_path / "long.c3d")
    part = part_of(block, from_s=100.0, seconds=200.0)
    assert write_c3d(info, part, tmp_path / "long.c3d") == 40_000
    again = read_recording(tmp_path / "long.c3d", up="+y")
    np.testing.assert_array_equal(again.block.positions, positions[20_000:60_000])
    leap = replace(block, numbers=numbers * 20)
    with pytest.raises(StoreError, match="70000 frames are numbered over 1399981"):
        write_c3d(info, leap, tmp_path / "leap.c3d")
    with pytest.raises(StoreError, match="there is no frame"):
        write_c3d(
            info, MarkerBlock(numbers[:0], positions[:0, 0, 0], positions[:0]), tmp_path / "x"
        )


def test_exports_never_write_over(tmp_path: Path) -> None:
    (tmp_path / "answers.csv").write_text("mine")
    with pytest.raises(StoreError, match=r"answers.csv is there already"):
        write_export([a_session()], tmp_path, "csv")
    assert (tmp_path / "answers.csv").read_text() == "mine"
