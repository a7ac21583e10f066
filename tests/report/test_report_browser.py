"""The page in a real browser: nothing missing, nothing complained of, nothing to push sideways."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from livefit.definitions import Definitions
from livefit.definitions.studio import Studio
from livefit.report import make_report
from livefit.session.models import FitSession
from tests.report.report_cases import CASES
from tests.report.report_pages import needs_poppler, pages_of, section_below

CHROMIUM = next((p for n in ("chromium", "google-chrome") if (p := shutil.which(n))), None)
WIDTHS = (360, 1280)
pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="not installed here: chromium (Debian: chromium)"
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


def opened(browser: Browser, path: Path, width: int) -> tuple[Page, list[str]]:
    """The page at a width, and all that went wrong or was asked for."""
    page = browser.new_page(viewport={"width": width, "height": 800})
    heard: list[str] = []
    page.on("console", lambda message: heard.append(message.text))
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.on("requestfailed", lambda request: heard.append(request.url[:80]))
    page.on(
        "request",
        lambda request: (
            None
            if request.url.startswith(("data:", path.as_uri()))
            else heard.append(request.url[:80])
        ),
    )
    page.goto(path.as_uri())
    return page, heard


@pytest.mark.parametrize("width", WIDTHS)
def test_it_opens_quietly_and_fits(browser: Browser, html: str, tmp_path: Path, width: int) -> None:
    path = tmp_path / "report.html"
    path.write_text(html, encoding="utf-8")
    page, heard = opened(browser, path, width)
    assert heard == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    images = page.evaluate("[...document.images].map(i => i.complete && i.naturalWidth > 0)")
    assert images == [True, True]
    fonts = page.evaluate("document.fonts.ready.then(() => document.fonts.check('16px Report'))")
    assert fonts is True
    page.close()


@pytest.mark.parametrize("case", ["nothing", "no_after", "long_names"])
def test_other_sessions_fit_a_telephone_and_a_desk_too(
    browser: Browser, case: str, session: FitSession, known: Definitions, nowhere: Path,
    tmp_path: Path,
) -> None:  # fmt: skip
    path = tmp_path / "report.html"
    changed = CASES[case](session, known)
    path.write_text(
        make_report(changed, known, Studio(language="de"), user_dir=nowhere).html(),
        encoding="utf-8",
    )
    for width in WIDTHS:
        page, heard = opened(browser, path, width)
        assert heard == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.close()


def test_texts_in_strips_do_not_overlap(browser: Browser, html: str, tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_text(html, encoding="utf-8")
    page, _ = opened(browser, path, 1280)
    overlaps = page.evaluate(
        """() => [...document.querySelectorAll("svg")].flatMap(svg => {
            const boxes = [...svg.querySelectorAll("text")].map(t => t.getBoundingClientRect());
            return boxes.flatMap((a, i) => boxes.slice(i + 1).filter(b =>
                a.left < b.right - 0.5 && b.left < a.right - 0.5 &&
                a.top < b.bottom - 0.5 && b.top < a.bottom - 0.5)
                .map(() => svg.querySelector("title").textContent));
        })"""
    )
    assert overlaps == []
    outside = page.evaluate(
        """() => [...document.querySelectorAll("svg text")].filter(t => {
            const a = t.getBoundingClientRect(), b = t.closest("svg").getBoundingClientRect();
            return a.left < b.left - 1 || a.right > b.right + 1 || a.bottom > b.bottom + 1;
        }).map(t => t.closest("svg").querySelector("title").textContent + ": " + t.textContent)"""
    )
    assert outside == []
    page.close()


@needs_poppler
def test_what_was_changed_is_printed_on_one_page(
    browser: Browser, html: str, tmp_path: Path
) -> None:
    path, printed, numbers = tmp_path / "section.html", tmp_path / "printed.pdf", []
    for lines in range(24, 44, 2):
        path.write_text(section_below(html, "adjustments", lines), encoding="utf-8")
        page, _ = opened(browser, path, 1280)
        page.pdf(path=printed, prefer_css_page_size=True)
        page.close()
        pages = pages_of(printed)
        (number,) = (n for n, text in enumerate(pages) if "What was changed" in text)
        assert "half width of its 95 % interval" in " ".join(pages[number].split())
        assert "Pressure in front" in pages[number]
        numbers.append(number)
    assert {0, 1} <= set(numbers)


@needs_poppler
def test_it_prints_whole_pages(browser: Browser, html: str, tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_text(html, encoding="utf-8")
    page, _ = opened(browser, path, 1280)
    printed = tmp_path / "printed.pdf"
    page.pdf(path=printed, prefer_css_page_size=True)
    page.close()
    pages = pages_of(printed)
    assert 10 <= len(pages) <= 20
    for number, text in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in " ".join(text.split())
