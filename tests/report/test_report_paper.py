"""The report on paper: whole pages, nothing outside the margins, every number there."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from pypdf import PdfReader

from livefit.report import NoPaperError, pdf_of
from livefit.session.models import FitSession
from tests.report.report_examples import AFTER, BEFORE
from tests.report.report_pages import needs_poppler, pages_of, section_below, words_on_paper

pytestmark = needs_poppler

POINTS_A_MM = 72 / 25.4
A4, LETTER = (595.3, 841.9), (612.0, 792.0)
"""210 x 297 mm (ISO 216) and 8.5 x 11 inches, in points."""
SIDE_MM, TOP_MM, BOTTOM_MM = 18.0, 20.0, 18.0


def written(pdf: bytes, folder: Path) -> Path:
    path = folder / "report.pdf"
    path.write_bytes(pdf)
    return path


def text_of(pdf: Path) -> str:
    """All words of a PDF, as Poppler's pdftotext reads them."""
    return re.sub(r"\s+", " ", " ".join(pages_of(pdf)))


@pytest.mark.parametrize(("paper", "size"), [("pdf", A4), ("german_letter_pdf", LETTER)])
def test_pages_are_whole_and_numbered(
    request: pytest.FixtureRequest, paper: str, size: tuple[float, float], tmp_path: Path
) -> None:
    content: bytes = request.getfixturevalue(paper)
    reader = PdfReader(io.BytesIO(content))
    count = len(reader.pages)
    assert 10 <= count <= 20
    for page in reader.pages:
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(
            size, abs=0.5
        )
    page_word, of = ("Page", "of") if size == A4 else ("Seite", "von")
    on_paper = list(words_on_paper(written(content, tmp_path)))
    for number in range(1, count + 1):
        words = [word for word in on_paper if word.page == number]
        foot = [w.text for w in words if w.top > size[1] - BOTTOM_MM * POINTS_A_MM]
        assert foot[-4:] == [page_word, str(number), of, str(count)]
        inside = [w for w in words if TOP_MM <= w.top / POINTS_A_MM <= size[1] / POINTS_A_MM - 18]
        assert inside, f"page {number} is empty"
        assert min(w.left for w in words) >= SIDE_MM * POINTS_A_MM - 1
        assert max(w.right for w in words) <= size[0] - SIDE_MM * POINTS_A_MM + 1
        assert max(w.bottom for w in inside) <= size[1] - BOTTOM_MM * POINTS_A_MM + 1


def test_no_heading_stands_alone_at_the_end_of_a_page(
    pdf: bytes, html: str, tmp_path: Path
) -> None:
    headings = {
        re.sub(r"\s+", " ", re.sub("<[^>]+>", "", text)).strip()
        for text in re.findall(r"<h[2-4][^>]*>(.*?)</h[2-4]>", html, re.DOTALL)
    }
    assert len(headings) > 15
    for page in pages_of(written(pdf, tmp_path)):
        lines = [line.strip() for line in page.splitlines() if line.strip()]
        body = [line for line in lines if not re.match(r"Page \d+ of \d+|Guidance, not dia", line)]
        assert body[-1] not in headings


def test_what_was_not_measured_stays_on_one_page(html: str, tmp_path: Path) -> None:
    numbers = []
    for lines in (26, 34, 40, 44):
        pages = pages_of(written(pdf_of(section_below(html, "unmeasured", lines)), tmp_path))
        (number,) = (n for n, text in enumerate(pages) if "What was not measured" in text)
        assert "Missing here" in pages[number]
        assert "noted by hand only" in pages[number]
        numbers.append(number)
    assert {0, 1} <= set(numbers)  # With room for it on the first page, and without.


def test_left_and_right_of_a_measure_stay_on_one_page(pdf: bytes, tmp_path: Path) -> None:
    pages = [page for page in pages_of(written(pdf, tmp_path)) if "On a scale" in page]
    assert len(pages) >= 2
    for page in pages:
        starts = [line.split(" ")[0] for line in page.splitlines()]
        assert starts.count("Left") == starts.count("Right") > 0


def test_every_number_and_dimension_is_on_paper(
    pdf: bytes, session: FitSession, tmp_path: Path
) -> None:
    text = text_of(written(pdf, tmp_path))
    first, last = session.trials[0], session.trials[-1]
    counted = 0
    for trial in (first, last):
        for number in trial.numbers:
            if number.mean is not None and number.ci95 is not None:
                half = f"{(number.ci95[1] - number.ci95[0]) / 2:.1f}".replace("0.0", "<0.1")
                mean = f"{number.mean:.1f}"
                shown = mean.lstrip("-") if float(mean) == 0 else mean.replace("-", "−")
                assert f"{shown} ± {half}" in text, number
                counted += 1
    assert counted > 200
    for taken in (*BEFORE.values(), *AFTER.values()):
        if taken.unit == "mm":
            assert f"{taken.value:.1f}" in text
    for wanted in (session.rider.name, "Saddle height: 12 mm up", "licensed clinician"):
        assert wanted in text


def test_the_pdf_is_tagged_and_says_its_language_and_title(pdf: bytes) -> None:
    reader = PdfReader(io.BytesIO(pdf))
    root = reader.root_object
    assert "/StructTreeRoot" in root
    assert str(root["/Lang"]) == "en"
    assert reader.metadata is not None
    assert "Bicycle fit report: Mara" in str(reader.metadata.title)


def test_german_paper_has_commas(german_letter_pdf: bytes, tmp_path: Path) -> None:
    text = text_of(written(german_letter_pdf, tmp_path))
    assert "Sattelhöhe: 12 mm höher" in text
    assert "688,4 mm" in text
    assert "Orientierung, keine Diagnose" in text
    assert not re.search(r"\d\.\d mm", text.replace("27.2 mm", ""))


def test_nothing_is_fetched_for_paper(tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("not for a report")
    page = f'<html><body><p>here</p><object data="{secret.as_uri()}">none</object></body></html>'
    assert "not for a report" not in text_of(written(pdf_of(page), tmp_path))


def test_without_pango_the_way_out_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    import builtins

    real = builtins.__import__

    def without_pango(name: str, *args: object) -> object:
        if name == "weasyprint":
            raise OSError("cannot load library 'libpango-1.0-0'")
        return real(name, *args)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", without_pango)
    with pytest.raises(NoPaperError, match=r"needs the library Pango .*apt-get install.*--html"):
        pdf_of("<p></p>")
