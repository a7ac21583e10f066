"""The words of a report: complete in each language, and numbers as each language writes them."""

from __future__ import annotations

import re
import string
import tomllib
from datetime import date
from pathlib import Path

import pytest

from livefit.bicycle.dimensions import DIMENSIONS
from livefit.change.words import WAYS
from livefit.definitions import DefinitionError, Definitions, shipped_dir
from livefit.report import document
from livefit.report.names import Names, read_tables
from livefit.report.words import Words, flat

LANGUAGES = sorted(p.suffixes[0][1:] for p in (shipped_dir() / "words").glob("report.*.toml"))


def read(language: str) -> dict[str, str | list[str]]:
    path = shipped_dir() / "words" / f"report.{language}.toml"
    return flat(tomllib.loads(path.read_text(encoding="utf-8")))


def places(text: str | list[str]) -> set[str]:
    """Names in braces."""
    joined = text if isinstance(text, str) else " ".join(text)
    return {name for _, name, _, _ in string.Formatter().parse(joined) if name}


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_word_is_missing_and_all_take_the_same_values(language: str) -> None:
    english, other = read("en"), read(language)
    assert english.keys() - other.keys() == set()
    assert {key for key in english if places(english[key]) != places(other[key])} == set()
    assert {key for key in english if type(english[key]) is not type(other[key])} == set()
    assert not [key for key, text in other.items() if not text and key != "unit.count"]


def test_there_are_two_languages() -> None:
    assert LANGUAGES == ["de", "en"]


@pytest.mark.parametrize("language", [name for name in LANGUAGES if name != "en"])
def test_every_shipped_definition_has_its_title(language: str, known: Definitions) -> None:
    words = read(language)
    for measure in known.measures:
        for key in ("title", "plain", "what", "more", "less"):
            assert f"measure.{measure.name}.{key}" in words
    for event in known.events:
        assert f"event.{event.name}.title" in words
    for part in known.adjustments:
        for key in ("title", "more", "less"):
            assert f"part.{part.name}.{key}" in words
    for discipline in known.disciplines:
        assert f"discipline.{discipline.name}" in words
    for dimension in DIMENSIONS:
        assert f"dimension.{dimension.name}.title" in words
        assert f"dimension.{dimension.name}.sentence" in words


def test_every_key_that_is_asked_for_is_there() -> None:
    folder = Path(document.__file__).parent
    files = [*folder.glob("*.py"), *folder.glob("templates/*")]
    asked = {
        key
        for path in files
        for key in re.findall(
            r'\b(?:w|words|lines|find|count)\("([a-z_]+(?:\.[a-zA-Z_]+)*)"',
            path.read_text(encoding="utf-8"),
        )
    }
    assert len(asked) > 80
    assert asked - read("en").keys() == set()


def test_the_ways_are_those_the_fitter_says(known: Definitions) -> None:
    # The fitter's sentences on screen and the report must not call the same change two things.
    words = read("en")
    for measure in known.measures:
        ways = WAYS[measure.name]
        shorter = (words[f"measure.{measure.name}.more"], words[f"measure.{measure.name}.less"])
        assert all(
            str(word) in way for word, way in zip(shorter, (ways.more, ways.less), strict=True)
        )


def test_numbers_and_dates() -> None:
    english, german = Words("en"), Words("de")
    assert english.quantity(-3.25, "deg") == "−3.2°"
    assert german.quantity(1234.5, "mm") == "1234,5\N{NO-BREAK SPACE}mm"
    assert (english.number(None), english.number(-0.04), german.signed(0.04, "deg")) == (
        "–", "0.0", "0,0°",
    )  # fmt: skip
    assert german.span(30.0, 42.5, "deg") == "30 bis 42,5°"
    assert english.date(date(2026, 3, 14)) == "14 March 2026"
    assert german.date(date(2026, 3, 14)) == "14. März 2026"
    assert Words("en", "comma").number(1.5) == "1,5"
    assert Words("de", "point").number(1.5) == "1.5"


def test_own_words_go_over_the_shipped_ones_and_english_fills_the_gaps(tmp_path: Path) -> None:
    folder = tmp_path / "words"
    folder.mkdir()
    (folder / "report.en.toml").write_text('[head]\ntitle = "Your fit"\n', encoding="utf-8")
    (folder / "report.fr.toml").write_text('decimal = "comma"\n', encoding="utf-8")
    assert Words("en", None, tmp_path)("head.title") == "Your fit"
    french = Words("fr", None, tmp_path)
    assert (french("head.rider"), french.number(0.5)) == ("Rider", "0,5")


def test_a_language_without_words_is_told(tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match=r"written in \(de, en\), got 'xx'.*report\.xx\.toml"):
        Words("xx", None, tmp_path)
    (tmp_path / "words").mkdir()
    (tmp_path / "words" / "report.en.toml").write_text("head = [", encoding="utf-8")
    with pytest.raises(DefinitionError, match=r"report\.en\.toml: expected a readable TOML file"):
        Words("en", None, tmp_path)


def test_questions_and_dimensions_take_the_titles_of_their_files(
    known: Definitions, tmp_path: Path
) -> None:
    (tmp_path / "questions.toml").write_text(
        '[weekly_h]\nask = "Hours a week?"\nunit = "h"\n[bent]\nask = "Bent?"\nunit = "deg"\n',
        encoding="utf-8",
    )
    (tmp_path / "set_up.toml").write_text(
        '[pad_stack]\ntitle = "Pad stack"\nhow = "Height of the pads."\n', encoding="utf-8"
    )
    tables = (read_tables("questions.toml", tmp_path), read_tables("set_up.toml", tmp_path))
    names = {language: Names(Words(language), known, *tables) for language in ("en", "de")}
    assert names["en"].question("weekly_h") == "Hours a week?"
    assert names["de"].question("pain_side") == "Auf welcher Seite?"
    assert names["de"].choice("lower back") == "unterer Rücken"
    assert [names["en"].question_unit(q) for q in ("weekly_h", "bent", "x")] == ["\xa0h", "°", ""]
    assert names["en"].question("left_foot") == "Left foot"
    assert names["en"].dimension("pad_stack") == "Pad stack"
    assert names["en"].dimension_sentence("pad_stack") == "Height of the pads."
    assert names["en"].dimension("saddle_height") == "Saddle height"
    assert names["de"].dimension("saddle_height") == "Sattelhöhe"
    (tmp_path / "set_up.toml").write_text("[", encoding="utf-8")
    with pytest.raises(DefinitionError, match=r"set_up\.toml: expected readable TOML"):
        read_tables("set_up.toml", tmp_path)
