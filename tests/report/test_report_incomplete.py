"""A session that lacks something still gives a decent report, which says what is lacking."""

from __future__ import annotations

from pathlib import Path

import pytest

from livefit.definitions import Definitions
from livefit.definitions.studio import Studio
from livefit.report import make_report, pdf_of
from livefit.session.models import FitSession
from tests.report.report_cases import CASES, LONG, SAID
from tests.report.report_pages import body_words, needs_poppler, parsed, words_on_paper


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("case", CASES)
def test_it_is_made_and_says_what_is_missing(
    case: str, language: str, session: FitSession, known: Definitions, nowhere: Path
) -> None:
    changed = CASES[case](session, known)
    studio = Studio(language=language)
    text = body_words(parsed(make_report(changed, known, studio, user_dir=nowhere).html()))
    assert "None" not in text
    assert "nan" not in text
    assert "{" not in text
    if language == "en":
        for wanted in SAID[case]:
            assert wanted in text, wanted


@needs_poppler
def test_a_report_of_nothing_is_short_and_long_names_stay_on_the_paper(
    session: FitSession, known: Definitions, nowhere: Path, tmp_path: Path
) -> None:
    pages = {}
    for case in ("nothing", "long_names"):
        changed = CASES[case](session, known)
        if case == "long_names":
            # One trial: the pages of numbers are those of every other report.
            changed = changed.model_copy(
                update={"trials": [changed.trials[-1].model_copy(update={"numbers": []})]}
            )
        report = make_report(changed, known, Studio(name=LONG[:120]), user_dir=nowhere)
        path = tmp_path / f"{case}.pdf"
        path.write_bytes(pdf_of(report.html()))
        words = list(words_on_paper(path))
        pages[case] = words[-1].page
        assert min(word.left for word in words) >= 18 / 25.4 * 72 - 1
        assert max(word.right for word in words) <= (210 - 18) / 25.4 * 72 + 1
    assert pages["nothing"] <= 3


def test_a_trial_that_stands_for_both_is_measured_once(
    session: FitSession, known: Definitions, nowhere: Path
) -> None:
    changed = session.model_copy(update={"before": 2, "after": 2})
    text = body_words(parsed(make_report(changed, known, Studio(), user_dir=nowhere).html()))
    assert "no second trial" in text
    unknown = session.model_copy(update={"before": 77})
    assert "no second trial" in body_words(
        parsed(make_report(unknown, known, Studio(), user_dir=nowhere).html())
    )
