"""Questions, dimensions of a set-up and the studio: the fitter's own over the shipped ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from livefit.bicycle.dimensions import DIMENSIONS
from livefit.definitions import DefinitionError, Definitions, load_definitions

QUESTION = """
[sleep]
part = "interview"
group = "History"
ask = "How many hours do you sleep?"
kind = "number"
unit = "h"
low = 0
high = 24
"""
ENTRY = """
[mirror_height]
group = "Bar"
title = "Mirror height"
unit = "mm"
how = "From the level to the mirror's middle."
low = 0
high = 2000
"""


def fault_of(directory: Path) -> str:
    with pytest.raises(DefinitionError) as caught:
        load_definitions(directory)
    return "\n".join(str(caught.value).splitlines()[1:-1]).strip()


def test_what_is_shipped_covers_a_fit(shipped: Definitions) -> None:
    groups = {(question.part, question.group) for question in shipped.questions}
    assert {("interview", "Goals"), ("interview", "Pain and injury"),
            ("examination", "Legs"), ("examination", "Flexibility")} <= groups  # fmt: skip
    entries = {entry.name: entry for entry in shipped.set_up}
    touched = {dimension.name: dimension for dimension in DIMENSIONS}
    for name in entries.keys() & touched.keys():
        assert entries[name].unit == touched[name].unit, name
        assert entries[name].title == touched[name].title, name
    assert len(entries.keys() & touched.keys()) >= 8
    for side in ("left", "right"):
        for what in ("fore_aft", "lateral", "rotation", "wedge"):
            assert f"cleat_{what}_{side}" in entries
    assert {name for name, entry in entries.items() if entry.unit == "words"} >= {
        "frame", "saddle", "seat_post", "stem", "bar", "pedals", "shoes",
    }  # fmt: skip
    for entry in entries.values():
        assert entry.how.endswith(".")
    assert any(question.personal for question in shipped.questions)
    assert not set(entries) & {question.name for question in shipped.questions}


def test_own_questions_and_dimensions_are_added_and_replace(
    tmp_path: Path, shipped: Definitions
) -> None:
    (tmp_path / "questions.toml").write_text(QUESTION + QUESTION.replace("sleep", "inseam"))
    (tmp_path / "set_up.toml").write_text(ENTRY)
    known = load_definitions(tmp_path)
    assert known.question("sleep").wants == "a number from 0 to 24 h"
    assert known.question("inseam").group == "History"
    assert [one.name for one in known.questions] == [
        *(one.name for one in shipped.questions), "sleep",
    ]  # fmt: skip
    assert known.set_up_entry("mirror_height").check(500) == 500
    with pytest.raises(DefinitionError, match="no question is named 'x'"):
        known.question("x")


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("unit = \"h\"\n", "", ": unit, low and high belong to the kind 'number'"),
        ('"number"', '"text"', ": unit, low and high belong to the kind 'number'"),
        ('"number"', '"choice"', ": choices belong to the kinds 'choice' and 'choices'"),
        ("high = 24", "high = -1", ": low must be below high, found 0.0 and -1.0"),
        ('"interview"', '"talk"', ".part: expected 'interview' or 'examination', found 'talk'"),
        ("ask =", "aks =", ".ask: expected this key, found none"),
        ("high = 24", 'high = 24\nchoices = ["a;b"]', ": choices belong to the kinds"),
    ],
)  # fmt: skip
def test_faults_in_a_question(tmp_path: Path, old: str, new: str, text: str) -> None:
    path = tmp_path / "questions.toml"
    assert old in QUESTION
    path.write_text(QUESTION.replace(old, new))
    assert fault_of(tmp_path).startswith(f"{path}: sleep{text}")


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("high = 2000", "", ": low and high belong to every unit but 'words'"),
        ('"mm"', '"words"', ": low and high belong to every unit but 'words'"),
        ('"mm"', '"cm"', ".unit: expected 'mm', 'deg', 'kg', 'count' or 'words', found 'cm'"),
        ("low = 0", "low = 3000", ": low must be below high"),
    ],
)
def test_faults_in_a_dimension(tmp_path: Path, old: str, new: str, text: str) -> None:
    path = tmp_path / "set_up.toml"
    path.write_text(ENTRY.replace(old, new))
    assert fault_of(tmp_path).startswith(f"{path}: mirror_height{text}")


def test_the_studio_is_overridden_key_by_key(tmp_path: Path, shipped: Definitions) -> None:
    (tmp_path / "studio.toml").write_text('name = "Studio Sample"\nlogo = "logo.png"\n')
    studio = load_definitions(tmp_path).studio
    assert studio.name == "Studio Sample"
    assert studio.logo == tmp_path / "logo.png"
    assert (studio.paper, studio.decimal) == (shipped.studio.paper, shipped.studio.decimal)
    assert shipped.studio.logo is None


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ('paper = "a5"', "paper: expected 'a4' or 'letter', found 'a5'"),
        ('language = "English"', "language: expected a language such as en or de, found"),
        ('nmae = "x"', "nmae: expected one of the keys address, contact, decimal"),
        ("name = 3", "name: expected a valid string, found 3"),
    ],
)
def test_faults_in_the_studio(tmp_path: Path, line: str, text: str) -> None:
    path = tmp_path / "studio.toml"
    path.write_text(line)
    assert fault_of(tmp_path).startswith(f"{path}: {text}")
