"""A recorded fit into trials: the numbers that were shown, in the intervals between the marks."""

from __future__ import annotations

import math
import stat
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from livefit.cli.gather import gather as gather_command
from livefit.cli.main import app as main_app
from livefit.definitions import load_definitions
from livefit.frames import Channel, MarkerBlock, StreamInfo
from livefit.kernel.rolling import Rolling
from livefit.node.processing import Processing
from livefit.node.requests import answer
from livefit.node.settings import Settings
from livefit.recording.recorder import RecordingRun
from livefit.recording.writing import RecordingWriter
from livefit.session.gather import Gathered, gather
from livefit.session.models import FitSession, Number, Trial
from livefit.store.backup import open_store
from livefit.wire.blocks import describe, pack_block
from livefit.wire.codec import NAMES, encode
from livefit.wire.messages import Frames, Message, Row, Snapshot, Stroke
from simulators import RiderSimulation, Sensor, observe, stream_info
from simulators.schedule import Change

EPOCH_S = 1_772_000_000
RATE_HZ = 100.0
SEAT_TUBE_DEG = 71.0
DEFINITIONS = load_definitions()


@dataclass
class Fit:
    """The real processing and the real recorder, without sockets, on a clock of the test's own."""

    directory: Path
    seed: int = 4
    now: float = 0.0
    strokes: list[Stroke] = field(default_factory=list)

    def __post_init__(self) -> None:
        sensor = Sensor(rate_hz=RATE_HZ, noise_mm=0.5)
        whole = stream_info(sensor)
        info = StreamInfo(
            whole.labels, whole.rate_hz, whole.up, whole.sampling, (Channel("workload", "W"),)
        )
        self.rider, self.sensor = RiderSimulation(seed=self.seed), sensor
        settings = Settings(window=Rolling(strokes=60), seat_tube_deg=SEAT_TUBE_DEG)
        self.processing = Processing(DEFINITIONS, settings)
        self.writer = RecordingWriter(self.directory, "fit")
        self.run = RecordingRun(
            self.writer, {}, clock=lambda: self.now, epoch_ns=lambda: EPOCH_S * 10**9
        )
        self.described = describe(info, stream="ride", source="simulated", precision="f8")
        self.processing.describe(self.described)
        self.say(self.described)

    def say(self, message: Message) -> None:
        self.run.take(NAMES[type(message)], message, encode(message), self.now)

    def ride(self, seconds: float, watts: float = 150.0) -> Snapshot:
        """Frames 50 at a time, a snapshot and the strokes' values after each; the last one."""
        for _ in range(round(2 * seconds)):
            first = round(self.now * RATE_HZ)
            made = observe(self.rider, self.sensor, first=first, count=50)
            block = MarkerBlock(made.numbers, made.t, made.positions, np.full((50, 1), watts))
            self.now += 0.5
            for message in pack_block(block, self.described):
                assert isinstance(message, Frames)
                self.processing.take(message, self.now)
                self.say(message)
            snapshot = self.processing.snapshot(self.now)
            self.say(snapshot)
            for stroke in self.processing.trials.strokes():
                self.strokes.append(stroke)
                self.say(stroke)
            self.run.tick()
        return snapshot

    def ask(self, op: str, **args: object) -> None:
        answer(self.processing, op, dict(args), self.now)
        self.say(self.processing.snapshot(self.now))

    def close(self) -> Path:
        self.run.close()
        return self.writer.path


@dataclass
class Recorded:
    path: Path
    shown: list[Snapshot]
    strokes: list[Stroke]
    gathered: Gathered

    @property
    def trials(self) -> list[Trial]:
        return self.gathered.trials


@pytest.fixture(scope="module")
def fit(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """Three trials, with a mark taken back in the second and a band edited in the third."""
    live = Fit(tmp_path_factory.mktemp("fit"))
    shown = [live.ride(26)]
    live.ask("mark", part="saddle_height", amount=5.0, note="hips rock less")
    live.ride(10)
    live.ask("mark", part="saddle_tilt", amount=1.0)
    live.ride(3)
    live.ask("unmark")
    shown.append(live.ride(13))
    live.ask("mark", part="bar_reach", amount=-10.0)
    live.ride(10, watts=200.0)
    live.ask("set_band", measure="knee_flexion", event="bdc", low=10.0, high=20.0)
    shown.append(live.ride(14, watts=200.0))
    path = live.close()
    return Recorded(path, shown, live.strokes, gather(path, DEFINITIONS))


Key = tuple[str, str, str]


def by_key(rows: list[Number] | list[Row]) -> dict[Key, Number | Row]:
    return {(row.measure, row.side, row.event): row for row in rows}


def test_one_trial_for_each_interval(fit: Recorded) -> None:
    first, second, third = fit.trials
    assert [trial.number for trial in fit.trials] == [0, 1, 2]
    assert first.adjustments == []
    (up,), (shorter,) = second.adjustments, third.adjustments
    assert (up.part, up.amount, up.unit, up.why) == ("saddle_height", 5.0, "mm", "hips rock less")
    assert (shorter.part, shorter.amount, shorter.unit) == ("bar_reach", -10.0, "mm")
    assert up.mark == 1
    assert shorter.mark == 3
    assert {trial.sides for trial in fit.trials} == {"both"}
    assert {tuple(trial.recordings) for trial in fit.trials} == {("fit.mcap",)}


def test_times_are_those_of_the_wall_clock(fit: Recorded) -> None:
    first, second, third = fit.trials
    assert second.adjustments[0].at is not None
    assert second.adjustments[0].at.timestamp() == pytest.approx(EPOCH_S + 26, abs=0.51)
    assert third.adjustments[0].at is not None
    assert third.adjustments[0].at.timestamp() == pytest.approx(EPOCH_S + 52, abs=0.51)
    for trial, begin, lasted in ((first, 0, 26), (second, 26, 26), (third, 52, 24)):
        assert trial.began is not None
        assert trial.seconds is not None
        assert begin - 0.01 <= trial.began.timestamp() - EPOCH_S <= begin + 2.0
        assert lasted - 3.0 <= trial.seconds <= lasted + 1.0


def test_numbers_are_those_of_the_strokes_that_were_published(fit: Recorded) -> None:
    """Witness: plain sums over the strokes' messages, by the mark in force at the end."""
    published: dict[tuple[int, Key], list[float]] = defaultdict(list)
    for stroke in fit.strokes:
        number = {0: 0, 1: 1, 2: 1, 3: 2}[stroke.marks]
        for measure, value in zip(stroke.measures, stroke.values, strict=True):
            if value is not None:
                published[number, (measure, stroke.side, stroke.event)].append(value)
    compared = 0
    for trial in fit.trials:
        for key, row in by_key(trial.numbers).items():
            values = published[trial.number, key]
            assert len(values) - row.n <= len(values) // 2
            counted = values[len(values) - row.n :]
            mean = math.fsum(counted) / len(counted)
            assert row.mean == pytest.approx(mean, rel=1e-13, abs=1e-12)
            if row.n > 1:
                assert row.sd == pytest.approx(float(np.std(counted, ddof=1)), rel=1e-9)
            compared += 1
    assert compared > 300


def test_numbers_are_the_shown_ones_bit_for_bit(fit: Recorded) -> None:
    """Of the trial that was not followed by a mark, where no stroke was set aside.

    Rows over whole strokes, for those at a crank angle show a quick value before its final one.
    """
    same = 0
    rows = by_key(fit.shown[2].rows)
    for key, row in by_key(fit.trials[2].numbers).items():
        shown = rows[key]
        if key[2] in ("maximum", "minimum", "range", "mean") and shown.n == row.n:
            own = row.model_dump()
            for name in ("ci95", "band"):
                own[name] = None if own[name] is None else list(own[name])
            assert own == shown.model_dump(include=set(Number.model_fields))
            same += 1
    assert same > 20


def test_a_band_edited_in_an_interval_judges_it(fit: Recorded) -> None:
    rows = [by_key(trial.numbers)["knee_flexion", "R", "bdc"] for trial in fit.trials]
    assert rows[2].band == (10.0, 20.0)
    assert rows[2].verdict == "above"
    assert rows[0].band == rows[1].band != rows[2].band


def test_the_seat_tube_is_the_one_the_node_was_told(fit: Recorded) -> None:
    found = {row.crank_deg for row in fit.trials[0].numbers if row.event == "seat_tube"}
    assert found == {90.0 + SEAT_TUBE_DEG}


def test_workload_cadence_and_cranks(fit: Recorded) -> None:
    """The stroke under way at a mark, half a second of 24, belongs to what was before."""
    watts = [trial.workload_w for trial in fit.trials]
    assert watts == pytest.approx([150.0, 150.0, 200.0], abs=1.5)
    for trial in fit.trials:
        assert trial.cadence_rpm == pytest.approx(90.0, abs=1.0)
        assert [crank.side for crank in trial.cranks] == ["L", "R"]
        for crank in trial.cranks:
            assert crank.length_mm == pytest.approx(172.5, abs=0.4)


def test_cycles_and_pose_agree_with_the_numbers(fit: Recorded) -> None:
    """At bottom dead centre a cycle is what the row there says; foot markers go round the axis."""
    for trial in fit.trials:
        rows = by_key(trial.numbers)
        for cycle in trial.cycles:
            assert len(cycle.mean) == len(cycle.sd) == 37
        for side in ("L", "R"):
            (knee,) = (c for c in trial.cycles if (c.measure, c.side) == ("knee_flexion", side))
            assert knee.mean[18] == pytest.approx(rows["knee_flexion", side, "bdc"].mean, abs=0.3)
        assert trial.pose is not None
        assert len(trial.pose.positions) == 36
        toe = trial.pose.labels.index("R_VM")
        high, low = trial.pose.positions[0][toe], trial.pose.positions[18][toe]
        assert high is not None
        assert low is not None
        assert high[1] - low[1] == pytest.approx(2 * 172.5, abs=60.0)


def test_restarted_averages_count_from_there(tmp_path: Path) -> None:
    live = Fit(tmp_path)
    live.ride(20)
    live.ask("restart_window")
    shown = live.ride(15)
    (trial,) = gather(live.close(), DEFINITIONS).trials
    ridden = max(row.n for row in shown.rows)
    assert max(row.n for row in trial.numbers) <= ridden
    assert trial.seconds is not None
    assert trial.seconds < 16.0


def test_a_change_that_was_not_ridden_is_kept(tmp_path: Path) -> None:
    live = Fit(tmp_path)
    live.ride(16)
    live.ask("mark", part="saddle_height", amount=3.0)
    live.ask("mark", part="saddle_setback", amount=2.0)
    last = gather(live.close(), DEFINITIONS).trials[-1]
    assert [(a.part, a.amount) for a in last.adjustments] == [
        ("saddle_height", 3.0),
        ("saddle_setback", 2.0),
    ]
    assert last.numbers == []


def test_a_mark_before_the_crank_is_found_has_nothing_before_it(tmp_path: Path) -> None:
    live = Fit(tmp_path)
    live.ride(0.5)
    live.ask("mark", part="saddle_height", amount=3.0)
    shown = live.ride(14)
    (trial,) = gather(live.close(), DEFINITIONS).trials
    assert [a.amount for a in trial.adjustments] == [3.0]
    assert max(row.n for row in trial.numbers) == max(row.n for row in shown.rows)


def test_strokes_while_the_rider_settles_are_set_aside(tmp_path: Path) -> None:
    """A table of one ride, whose saddle comes down over its first strokes."""
    sensor = Sensor(rate_hz=RATE_HZ, noise_mm=0.2)
    rider = RiderSimulation(seed=3)
    height = rider.saddle[0].last
    sunk = rider.changed("saddle_height_mm", Change(0.0, height - 25.0, 20.0))
    made = observe(sunk, sensor, count=6000)
    path = tmp_path / "ride.csv"
    header = "time," + ",".join(f"{n}_{a}" for n in stream_info(sensor).labels for a in "xyz")
    table = np.column_stack([made.t, made.positions.reshape(6000, -1)])
    np.savetxt(path, table, delimiter=",", header=f"# units: mm\n{header}", comments="", fmt="%.5f")
    (trial,) = gather(path, DEFINITIONS).trials
    assert trial.began is None
    row = by_key(trial.numbers)["knee_flexion", "R", "bdc"]
    whole = max(r.n for r in trial.numbers)
    assert whole / 2 - 1 <= row.n < whole


runner = CliRunner()
app = typer.Typer()
app.command()(gather_command)


def test_the_document_is_small_and_private(fit: Recorded, tmp_path: Path) -> None:
    """Three trials of a fit, without frames, far below 2 MB; once more into the same session."""
    out = tmp_path / "session.json"
    done = runner.invoke(app, [str(fit.path), "-o", str(out), "--rider", "Ada Example"])
    assert done.exit_code == 0, done.output
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    assert out.stat().st_size < 2_000_000
    session = FitSession.model_validate_json(out.read_bytes())
    assert session.rider.name == "Ada Example"
    assert session.trials == fit.trials
    again = runner.invoke(app, [str(fit.path), "--into", str(out)])
    assert again.exit_code == 2
    assert "has its trials from fit.mcap already" in again.output
    other = tmp_path / "other.mcap"
    other.write_bytes(fit.path.read_bytes())
    assert runner.invoke(app, [str(other), "--into", str(out)]).exit_code == 0
    grown = FitSession.model_validate_json(out.read_bytes())
    assert [trial.number for trial in grown.trials] == [0, 1, 2, 3, 4, 5]
    assert grown.recordings == ["fit.mcap", "other.mcap"]


def test_a_document_that_is_closed_takes_no_trials(fit: Recorded, tmp_path: Path) -> None:
    out = tmp_path / "session.json"
    assert runner.invoke(app, [str(fit.path), "-o", str(out)]).exit_code == 0
    session = FitSession.model_validate_json(out.read_bytes())
    closed = session.model_copy(update={"closed": True, "recordings": [], "trials": []})
    out.write_text(closed.model_dump_json())
    refused = runner.invoke(app, [str(fit.path), "--into", str(out)])
    assert refused.exit_code == 2
    assert "is closed" in refused.output
    assert FitSession.model_validate_json(out.read_bytes()) == closed


def test_what_is_no_session_is_refused(fit: Recorded, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.json"
    wrong.write_text('{"a shopping list": 1}')
    done = runner.invoke(app, [str(fit.path), "--into", str(wrong)])
    assert done.exit_code == 2
    assert "expected a session's document" in done.output


def test_from_the_store_to_the_report(fit: Recorded, tmp_path: Path) -> None:
    """A session of the store takes the trials and the recording, and its report has the numbers."""
    at = ["--store", str(tmp_path / "store")]

    def livefit(*words: str) -> str:
        done = runner.invoke(main_app, [*words, *at])
        assert done.exit_code == 0, done.output
        return done.stdout.strip()

    made = livefit("session", "new", "--rider", "Ada Example", "--no-ask")
    assert "3 trials" in livefit("session", "gather", made[:8], str(fit.path))
    with open_store(at[1]) as store:
        kept = store.get(made).session
        assert kept.trials == fit.trials
        assert kept.recordings == ["fit.mcap"]
        copy = store.files.path(made, "recording", "fit.mcap")
        assert copy.read_bytes() == fit.path.read_bytes()
    page = tmp_path / "fit.html"
    livefit("report", made[:8], "--html", str(page))
    knee = next(n for n in fit.trials[0].numbers if (n.measure, n.event) == ("knee_flexion", "bdc"))
    assert knee.mean is not None
    assert f"{knee.mean:.1f}" in page.read_text(encoding="utf-8")
    again = runner.invoke(main_app, ["session", "gather", made[:8], str(fit.path), *at])
    assert again.exit_code == 2
    assert "has its trials from fit.mcap already" in again.output


def test_fifteen_seconds_with_their_frames_are_small(tmp_path: Path) -> None:
    """250 Hz and float32 would be the usual; here 100 Hz in float64, snapshots twice a second."""
    live = Fit(tmp_path)
    live.ride(15)
    assert live.close().stat().st_size < 2_000_000
