"""The commands as a fitter or a script gives them, with their exit status and their one line."""

from __future__ import annotations

import hashlib
import json
import sys
import zipfile
from pathlib import Path

import jsonschema
import pytest
from typer.testing import CliRunner, Result

from livefit.cli.main import app
from livefit.session.models import FitSession
from tests.recording.recorded_examples import description, frames_of, messages_of, write

ANSWERS = """
[answers]
goals = ["comfort"]
inseam = 830
fitted_before = false

[before]
saddle_height = 712
saddle = "Example"

[after]
saddle_height = 717.5
"""


class Desk:
    """Gives commands to a store of its own, with nobody's definitions but the shipped ones."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self.own = directory / "own"
        self.own.mkdir()

    def run(self, *words: str, typed: str | None = None) -> Result:
        place = [] if words[:2] == ("store", "frames") else ["--store", str(self.directory / "s")]
        own = words[:2] in [("session", "new"), ("session", "edit"), ("session", "show"),
                            ("session", "add-adjustment"), ("session", "ask"),
                            ("session", "compare"), ("store", "pseudonymise")]  # fmt: skip
        more = ["--definitions", str(self.own)] if own else []
        return CliRunner().invoke(app, [*words[:2], *place, *more, *words[2:]], input=typed)

    def good(self, *words: str, typed: str | None = None) -> str:
        done = self.run(*words, typed=typed)
        assert done.exit_code == 0, done.output
        return done.stdout

    def bad(self, *words: str, status: int = 2) -> str:
        done = self.run(*words)
        assert done.exit_code == status, done.output
        assert done.stderr.startswith("livefit: ")
        return done.stderr.strip()

    def document(self, which: str) -> dict[str, object]:
        found = json.loads(self.good("session", "show", which, "--json"))
        assert isinstance(found, dict)
        return found


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


@pytest.fixture
def which(desk: Desk) -> str:
    path = desk.directory / "answers.toml"
    path.write_text(ANSWERS)
    return desk.good(
        "session", "new", "--rider", "Zoë Probe", "--bicycle", "red one", "-d", "road_race",
        "--fitter", "F. Itter", "--began", "2026-03-09T14:05+00:00", "--answers", str(path),
        "--answer", "years_riding=12", "--before", "stem=Example 100", "--no-ask",
    ).strip()  # fmt: skip


def test_a_fit_from_the_greeting_to_the_follow_up(desk: Desk, which: str) -> None:
    desk.good("session", "add-note", which[:6], "left shoe slips")
    desk.good("session", "add-adjustment", which, "--why", "knee", "saddle_height", "+5,5")
    picture = desk.directory / "side.png"
    picture.write_bytes(b"png")
    assert desk.good("session", "add-picture", which, str(picture), "--title", "Side") == (
        "side.png\n"
    )
    assert desk.good("session", "add-recording", which, str(picture), "--name", "a.mcap") == (
        "a.mcap\n"
    )
    desk.good("session", "edit", which, "rider.born=1990-02-03", "answers.hours_a_week=6")
    desk.good("session", "close", which, "--outcome", "better")
    desk.good("session", "follow-up", which, "no pain", "--on", "2026-04-01")
    found = desk.document(which)
    assert found["interview"] == {
        "goals": ["comfort"], "fitted_before": False, "years_riding": 12.0, "hours_a_week": 6.0,
    }  # fmt: skip
    assert found["examination"] == {"inseam": 830.0}
    assert (found["outcome"], found["closed"]) == ("better", True)
    assert found["follow_ups"] == [{"on": "2026-04-01", "text": "no pain"}]
    assert found["recordings"] == ["a.mcap"]
    for place in ("set_up_before", "set_up_after"):
        assert str(found[place]).count("2026-03-09") == 1  # The day of the session.
    shown = desk.good("session", "show", which)
    for text in ("Zoë Probe", "712.0", "717.5", "+5.5", "Example 100", "Saddle height +5.5 mm",
                 "left shoe slips", "side.png", "not diagnosis", "What do you want"):  # fmt: skip
        assert text in shown, shown
    assert "+5.5" in desk.good("session", "compare", which)
    for words in (["--rider", "zoe"], ["--since", "2026-03-09"], ["--closed"], ["-d", "road_race"]):
        (line,) = json.loads(desk.good("session", "list", "--json", *words))
        assert line["id"] == which
    assert which[:8] in desk.good("session", "search", "SLIPS")
    assert "no session was found" in desk.bad("session", "search", "nowhere", status=1)
    assert "Zoë Probe, born 1990-02-03" in desk.good("session", "riders")


def test_amounts_and_notes_may_begin_with_a_minus(desk: Desk, which: str) -> None:
    desk.good("session", "add-adjustment", which, "saddle_setback", "-2.5", "--why", "knee")
    desk.good("session", "add-adjustment", which, "--why", "knee", "saddle_setback", "-2.5")
    desk.good("session", "add-adjustment", which, "saddle_tilt", "-0,5")
    desk.good("session", "add-note", which, "- left shoe slips")
    desk.good("session", "follow-up", which, "-1 on the scale", "--on", "2026-04-01")
    found = FitSession.model_validate(desk.document(which))
    made = [(one.part, one.amount, one.why) for one in found.trials[0].adjustments]
    assert made == [("saddle_setback", -2.5, "knee")] * 2 + [("saddle_tilt", -0.5, "")]
    assert found.notes == ["- left shoe slips"]
    assert [one.text for one in found.follow_ups] == ["-1 on the scale"]
    done = desk.run("session", "add-adjustment", which, "saddle_tilt", "-1", "--wy", "knee")
    assert done.exit_code == 2
    assert "--wy" in done.stderr


def test_a_closed_session_stays_as_it_is_until_it_is_reopened(
    desk: Desk, which: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = desk.directory / "a.mcap"
    file.write_bytes(b"x")
    monkeypatch.setenv("VISUAL", "false")
    desk.good("session", "close", which, "--outcome", "better")
    was = desk.document(which)
    for words in (
        ["add-adjustment", which, "saddle_height", "+5"], ["edit", which, "outcome=worse"],
        ["edit", which, "closed=false"], ["edit", which], ["close", which, "--outcome", "worse"],
        ["add-picture", which, str(file)], ["add-recording", which, str(file)],
        ["gather", which, str(file)], ["ask", which],
    ):  # fmt: skip
        said = desk.bad("session", *words).replace("\n", "")
        assert f"{which[:8]} is closed: notes and follow-ups can be added" in said, words
        assert f"livefit session reopen {which[:8]}" in said
    assert desk.document(which) == was
    desk.good("session", "add-note", which, "came by")
    desk.good("session", "follow-up", which, "no pain", "--on", "2026-04-01")
    desk.good("session", "reopen", which[:8])
    desk.good("session", "add-adjustment", which, "saddle_height", "+5")
    now = FitSession.model_validate(desk.document(which))
    assert (now.closed, now.outcome, now.notes) == (False, "better", ["came by"])
    assert [one.amount for one in now.trials[0].adjustments] == [5.0]
    desk.good("session", "close", which)
    assert desk.document(which)["closed"] is True


def test_two_sessions_of_one_rider_are_compared(desk: Desk, which: str) -> None:
    words = ["--bicycle", "red one", "--before", "saddle_height=720", "--no-ask"]
    second = desk.good("session", "new", "--rider", "zoe", *words).strip()
    found = json.loads(desk.good("session", "compare", which, second, "--json"))
    assert found["set_up"] == [
        {"name": "saddle_height", "unit": "mm", "before": 717.5, "after": 720.0, "by": 2.5}
    ]
    first, again = desk.document(which), desk.document(second)
    assert (first["rider"], first["bicycle"]) == (again["rider"], again["bicycle"])
    other = desk.good("session", "new", "--rider", "Max Sample", "--no-ask").strip()
    assert "are of different riders" in desk.bad("session", "compare", which, other)


def test_questions_are_asked_until_they_are_answered(desk: Desk) -> None:
    typed = ["comfort; speed", "", "", "many", "12"] + [""] * 31 + ["?", "71", "712"] + [""] * 50
    done = desk.run("session", "new", "--rider", "Zoë", "--ask", typed="\n".join(typed))
    assert done.exit_code == 0, done.output
    assert "expected a number from 0 to 90 years, found 'many'" in done.stderr
    assert "From the crank axis along the seat tube's line" in done.stderr
    assert "saddle_height: expected 300 to 1000 mm, found 71" in done.stderr
    found = desk.document(done.stdout.split()[0])
    assert found["interview"] == {"goals": ["comfort", "speed"], "years_riding": 12.0}
    set_up = found["set_up_before"]
    assert isinstance(set_up, dict)
    assert set_up["dimensions"]["saddle_height"]["value"] == 712.0


def test_an_interview_that_breaks_off_is_kept_and_goes_on(desk: Desk) -> None:
    done = desk.run("session", "new", "--rider", "Zoë", "--ask", typed="comfort\nfar\n")
    assert done.exit_code == 1  # The input ends, as with Ctrl-D.
    which = done.stdout.split()[0]
    assert desk.document(which)["interview"] == {"goals": ["comfort"], "goal_words": "far"}
    typed = ["a race in May"] + [""] * 80
    done = desk.run("session", "ask", which[:8], typed="\n".join(typed))
    assert done.exit_code == 0, done.output
    assert "What do you want from this fit?" not in done.stderr
    assert desk.document(which)["interview"] == {
        "goals": ["comfort"], "goal_words": "far", "event_ahead": "a race in May",
    }  # fmt: skip


BAD = [
    (["new", "--rider", "A", "-d", "road"], "no discipline is named 'road'"),
    (["new", "--rider", "A", "--answer", "inseam"], "expected an answer as NAME=VALUE"),
    (["new", "--rider", "A", "--answer", "inseam=8"], "expected a number from 500 to 1150 mm"),
    (["new", "--rider", "A", "--began", "noon"], "expected a moment such as 2026-03-09T14:05"),
    (["new", "--rider", "A", "--answers", "none.toml"], "No such file"),
    (["show", "ffff"], "none begins with 'ffff'. See: livefit session list"),
    (["edit", "ffff", "a=b"], "none begins with"),
    (["new-rider", ""], "name"),
    (["new-rider", "A", "--born", "1990"], "expected a day such as 2026-03-09, found '1990'"),
    (["list", "--since", "x"], "expected a day such as 2026-03-09"),
]


@pytest.mark.parametrize(("words", "text"), BAD)
def test_bad_input_gets_one_clear_line(desk: Desk, words: list[str], text: str) -> None:
    said = desk.bad("session", *words)
    assert text in said


def test_a_document_from_elsewhere_cannot_steer_the_terminal(desk: Desk, which: str) -> None:
    """Its words are refused, and what is told of the refusal holds none of them raw."""
    good = desk.directory / "good.zip"
    desk.good("store", "bundle", which, str(good))
    desk.good("store", "delete-session", which, "--yes")
    with zipfile.ZipFile(good) as archive:
        content = {name: archive.read(name) for name in archive.namelist()}
    document, manifest = json.loads(content["session.json"]), json.loads(content["manifest.json"])
    document["rider"]["name"] = "\x1b]0;mine\x07Zoë\x1b[31m"
    document["interview"]["\x1b[2J"] = "x"
    content["session.json"] = json.dumps(document).encode()
    for entry in manifest["files"]:
        if entry["path"] == "session.json":
            entry["size"] = len(content["session.json"])
            entry["sha256"] = hashlib.sha256(content["session.json"]).hexdigest()
    content["manifest.json"] = json.dumps(manifest).encode()
    bad = desk.directory / "bad.zip"
    with zipfile.ZipFile(bad, "w") as archive:
        for name, data in content.items():
            archive.writestr(name, data)
    said = desk.bad("store", "import", str(bad))
    assert "without control characters" in said
    done = desk.run("session", "new", "--rider", "A", "--answer", "\x1b[31m=1", "--no-ask")
    assert (done.exit_code, "\\x1b[31m" in done.stderr) == (2, True)
    assert "\x1b" not in said + done.stderr


def test_more_bad_input(desk: Desk, which: str) -> None:
    for words, text in [
        (["edit", which, "outcome"], "expected FIELD=VALUE, found 'outcome'"),
        (["add-adjustment", which, "saddle", "3"], "no adjustment is named 'saddle'"),
        (["add-adjustment", which, "saddle_height", "up"], "expected a number of mm such as +5"),
        (["add-adjustment", which, "--trial", "4", "saddle_height", "3"], "there is no trial 4"),
    ]:
        assert text in desk.bad("session", *words)
    wrong = desk.directory / "a.json"
    wrong.write_text("{")
    words = ["--rider", "A", "--no-ask", "--answers", str(wrong)]
    assert f"{wrong}: expected valid JSON" in desk.bad("session", "new", *words)
    wrong.write_text('{"answer": {}}')
    assert f"{wrong}: answer: expected the tables" in desk.bad("session", "new", *words)


def test_the_document_in_an_editor(desk: Desk, which: str, monkeypatch: pytest.MonkeyPatch) -> None:
    script = desk.directory / "editor.py"
    monkeypatch.setenv("VISUAL", f"{sys.executable} {script}")

    def editor(text: str) -> None:
        script.write_text(f"import pathlib, sys\npath = pathlib.Path(sys.argv[1])\n{text}")

    editor("path.write_text(path.read_text().replace('F. Itter', 'Someone'))")
    desk.good("session", "edit", which)
    assert desk.document(which)["fitter"] == "Someone"
    assert list((desk.directory / "s").glob("edited_*")) == []
    editor("")
    assert desk.good("session", "edit", which) == ""
    editor("path.write_text('{')")
    said = desk.bad("session", "edit", which)
    assert "expected JSON, found" in said
    (left,) = (desk.directory / "s").glob("edited_*")
    assert str(left) in said.replace("\n", "")
    assert left.read_text() == "{"
    monkeypatch.delenv("VISUAL")
    monkeypatch.delenv("EDITOR", raising=False)
    assert "set EDITOR" in desk.bad("session", "edit", which)


def test_an_editor_that_came_too_late_loses_nothing(
    desk: Desk, which: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    script = desk.directory / "editor.py"
    script.write_text(
        "import pathlib, sqlite3, sys\n"
        "path = pathlib.Path(sys.argv[1])\n"
        "path.write_text(path.read_text().replace('F. Itter', 'Someone'))\n"
        "raw = sqlite3.connect(path.parent / 'store.sqlite')\n"
        "raw.execute('UPDATE session SET revision = 7')\n"
        "raw.commit()\n"
        "raw.close()\n"
    )
    monkeypatch.setenv("VISUAL", f"{sys.executable} {script}")
    said = desk.bad("session", "edit", which)
    assert "was changed by another" in said
    (left,) = (desk.directory / "s").glob("edited_*")
    assert "Someone" in left.read_text()
    assert desk.document(which)["fitter"] == "F. Itter"


def test_the_store_there_and_back(desk: Desk, which: str) -> None:
    out = desk.directory
    assert "1 riders, 1 sessions, 0 files" in desk.good("store", "where")
    assert desk.good("store", "check") == "All is well.\n"
    backup = Path(desk.good("store", "backup").strip())
    assert backup.parent == out / "s" / "backups"
    desk.good("store", "bundle", which, str(out / "b.zip"))
    assert "There is no terminal to ask at" in desk.bad("store", "delete-rider", "zoe")
    said = desk.good("store", "delete-rider", "zoe", "--yes").replace("\n", "")
    assert "Deleted: 1 sessions, 0 files." in said
    assert str(backup) in said
    assert "no rider fits" in desk.bad("store", "delete-rider", "zoe", "--yes")
    assert desk.good("store", "import", str(out / "b.zip")).strip() == which
    assert "is in the store already" in desk.bad("store", "import", str(out / "b.zip"))
    desk.good("store", "delete-session", which[:8], "--yes")
    assert "is not empty" in desk.bad("store", "restore", str(backup))
    desk.good("store", "delete-rider", "zoe", "--yes")
    assert desk.good("store", "restore", str(backup)) == "1 sessions were restored\n"
    (out / "s" / "pictures" / which).mkdir(parents=True)
    (out / "s" / "pictures" / which / "odd.png").touch(0o600)
    done = desk.run("store", "check")
    assert done.exit_code == 1
    assert "unknown: " in done.stdout
    assert "faults in the store" in done.stderr
    desk.good("store", "tidy")


def test_exports_from_the_command_line(desk: Desk, which: str) -> None:
    out = desk.directory
    schema = json.loads(desk.good("store", "export", "--schema"))
    paths = desk.good("store", "export", "--to", str(out / "json")).split()
    jsonschema.validate(json.loads(Path(paths[0]).read_text(encoding="utf-8")), schema)
    assert len(desk.good("store", "export", "--to", str(out / "c"), "--as", "csv").split()) == 5
    assert "say with --to" in desk.bad("store", "export")
    (path,) = desk.good(
        "store", "pseudonymise", which, "--to", str(out / "p"), "--as", "json"
    ).split()
    text = Path(path).read_text(encoding="utf-8")
    for secret in ("Zoë", "red one", "Itter", "Example", which, "2026-03-09"):
        assert secret not in text
    assert (out / "s" / "pseudonym.key").stat().st_mode & 0o777 == 0o600


def test_an_export_that_cannot_be_made_leaves_no_directory(
    desk: Desk, which: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    to = desk.directory / "p"
    assert "none begins with 'ffff'" in desk.bad("store", "export", "ffff", "--to", str(to))
    assert not to.exists()
    monkeypatch.setitem(sys.modules, "pyarrow", None)  # As where it is not installed.
    said = desk.bad("store", "pseudonymise", which, "--to", str(to)).replace("\n", "")
    assert "pip install '.[pooling]'" in said
    assert "--as csv" in said
    assert not to.exists()
    assert len(desk.good("store", "pseudonymise", "--to", str(to), "--as", "csv").split()) == 5


def test_frames_from_the_command_line(desk: Desk) -> None:
    mcap = write(desk.directory, [description(), *messages_of(frames_of(80), description())])
    to = desk.directory / "ride.c3d"
    said = desk.good("store", "frames", str(mcap), str(to), "--from", "0.2", "--seconds", "0.3")
    assert said.replace("\n", "") == f"{to}: 30 frames"
    assert "is there already" in desk.bad("store", "frames", str(mcap), str(to))
