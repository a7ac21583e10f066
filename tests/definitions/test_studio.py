"""The studio's own file: what it may hold, and how mistakes in it are told."""

from __future__ import annotations

from pathlib import Path

import pytest

from livefit.definitions import DefinitionError, Studio, load_definitions


def test_the_shipped_one_names_nobody(tmp_path: Path) -> None:
    assert load_definitions(tmp_path).studio == Studio()


def test_an_own_one_takes_its_place(tmp_path: Path) -> None:
    (tmp_path / "studio.toml").write_text(
        'name = "At the canal"\naddress = ["1 Quay", "Town"]\nlogo = "logo.png"\n'
        'paper = "letter"\nlanguage = "de"\ndecimal = "point"\n',
        encoding="utf-8",
    )
    studio = load_definitions(tmp_path).studio
    assert studio.address == ["1 Quay", "Town"]
    assert studio.logo == tmp_path / "logo.png"
    assert (studio.paper, studio.language, studio.decimal) == ("letter", "de", "point")


def test_an_address_in_one_text_and_a_logo_without_a_name(tmp_path: Path) -> None:
    text = 'address = """1 Quay\nTown"""\nlogo = ""\n'
    (tmp_path / "studio.toml").write_text(text, encoding="utf-8")
    studio = load_definitions(tmp_path).studio
    assert (studio.address, studio.logo) == (["1 Quay", "Town"], None)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('paper = "a5"', r"studio\.toml: paper: expected 'a4' or 'letter', found 'a5'"),
        ('owner = "x"', r"studio\.toml: owner: expected one of the keys address, "),
        ("name = ", r"studio\.toml: expected valid TOML, found: "),
        ('language = "../x"', r"studio\.toml: language: "),
    ],
)
def test_mistakes_are_told(text: str, told: str, tmp_path: Path) -> None:
    (tmp_path / "studio.toml").write_text(text, encoding="utf-8")
    with pytest.raises(DefinitionError, match=told):
        load_definitions(tmp_path)
