"""``livefit report``: files that only their owner reads, and errors in one line."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest
from typer.testing import CliRunner

from livefit.cli.main import app
from livefit.session.models import FitSession
from tests.report.report_cases import nothing
from tests.report.report_examples import draw_picture


@pytest.fixture
def kept(session: FitSession, tmp_path: Path) -> Path:
    """A session's document beside its picture."""
    path = tmp_path / "session.json"
    path.write_text(session.model_dump_json())
    draw_picture(tmp_path)
    return path


def run(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["report", *arguments])
    return result.exit_code, result.output


def private(path: Path) -> bool:
    return os.name == "nt" or stat.S_IMODE(path.stat().st_mode) == 0o600


def test_html_in_any_language_with_the_pictures_beside_the_session(
    kept: Path, nowhere: Path
) -> None:
    page = kept.with_name("fit.html")
    code, said = run(
        str(kept), "--html", str(page), "--language", "de", "--earlier", str(kept),
        "--definitions", str(nowhere),
    )  # fmt: skip
    assert (code, "readable only by you" in said) == (0, True)
    text = page.read_text(encoding="utf-8")
    assert '<html lang="de">' in text
    assert "Verglichen mit dem" in text
    assert "data:image/jpeg" in text
    assert private(page)
    assert [p.name for p in kept.parent.iterdir() if p.name.startswith(".")] == []


def test_a_pdf_beside_the_session_by_default(
    session: FitSession, known: object, nowhere: Path, tmp_path: Path
) -> None:
    path = tmp_path / "short.json"
    path.write_text(nothing(session, None).model_dump_json())  # type: ignore[arg-type]
    code, _ = run(str(path), "--paper", "letter", "--definitions", str(nowhere))
    assert code == 0
    made = path.with_suffix(".pdf")
    assert made.read_bytes().startswith(b"%PDF-")
    assert private(made)


def test_an_old_file_is_replaced_and_becomes_private(kept: Path, nowhere: Path) -> None:
    page = kept.with_name("fit.html")
    page.write_text("old")
    page.chmod(0o644)
    assert run(str(kept), "--html", str(page), "--definitions", str(nowhere))[0] == 0
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert private(page)


def test_what_is_wrong_is_said_in_one_line(kept: Path, tmp_path: Path, nowhere: Path) -> None:
    broken = tmp_path / "broken.json"
    broken.write_text('{"version": 1, "discipline": "road_race"}')
    no_json = tmp_path / "no.json"
    no_json.write_text("{")
    html = ["--html", str(tmp_path / "x.html"), "--definitions", str(nowhere)]
    cases = {
        ("gone.json", *html): "No such file",
        (
            str(broken),
            *html,
        ): "document, found a fault at rider: Field required",
        (str(no_json), *html): "expected a session's document, found a fault: Invalid JSON",
        (str(kept), *html, "--paper", "a5"): "a paper is a4 or letter, got 'a5'",
        (str(kept), *html, "--language", "xx"): "expected a language that reports are written in",
        (str(kept), *html, "--pictures", "nowhere"): "expected a folder of pictures, found none at",
        (str(kept), *html, "--earlier", "gone.json"): "No such file",
        (str(kept), "--html", str(tmp_path / "no" / "x.html")): "No such file or directory",
    }
    for arguments, wanted in cases.items():
        code, said = run(*arguments)
        assert code == 2, arguments
        assert said.startswith("livefit: ")
        assert wanted in said
        assert len(said.strip().splitlines()) == 1
    assert not (tmp_path / "x.html").exists()
