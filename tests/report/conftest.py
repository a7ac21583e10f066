"""One report for all tests: it is made, and set for paper, once."""

from __future__ import annotations

from pathlib import Path
from xml.etree.ElementTree import Element

import pytest

from livefit.definitions import Definitions
from livefit.definitions.studio import Studio
from livefit.report import make_report, pdf_of
from livefit.session.models import FitSession
from tests.report.report_examples import definitions, demo_session, draw_picture
from tests.report.report_pages import parsed


@pytest.fixture(scope="session")
def nowhere(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fitter's own directory with nothing in it."""
    return tmp_path_factory.mktemp("nowhere")


@pytest.fixture(scope="session")
def known(nowhere: Path) -> Definitions:
    return definitions(str(nowhere))


@pytest.fixture(scope="session")
def session(nowhere: Path) -> FitSession:
    return demo_session(str(nowhere))


@pytest.fixture(scope="session")
def album(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the session's pictures."""
    folder = tmp_path_factory.mktemp("pictures")
    draw_picture(folder)
    draw_picture(folder, "logo.png")
    return folder


@pytest.fixture(scope="session")
def studio(album: Path) -> Studio:
    return Studio(
        name="Werkstatt am Kanal",
        address=["Kanalstraße 12", "12345 Musterstadt"],
        contact="hallo@example.org",
        logo=album / "logo.png",
    )


@pytest.fixture(scope="session")
def html(
    session: FitSession, known: Definitions, studio: Studio, nowhere: Path, album: Path
) -> str:
    """The demo session's report, compared with itself as if that had been earlier."""
    return make_report(
        session, known, studio, user_dir=nowhere, pictures_dir=album, earlier=session
    ).html()


@pytest.fixture(scope="session")
def page(html: str) -> Element:
    return parsed(html)


@pytest.fixture(scope="session")
def pdf(html: str) -> bytes:
    return pdf_of(html)


@pytest.fixture(scope="session")
def german_letter_pdf(
    session: FitSession, known: Definitions, studio: Studio, nowhere: Path, album: Path
) -> bytes:
    chosen = studio.model_copy(update={"language": "de", "paper": "letter"})
    report = make_report(session, known, chosen, user_dir=nowhere, pictures_dir=album)
    return pdf_of(report.html())
