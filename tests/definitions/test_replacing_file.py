"""The file that says what putting the markers on anew does, and mistakes in it."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from livefit.definitions import DefinitionError, Definitions, load_definitions

SOUND = """
[knee_flexion]
unit = "deg"
placements = 5
date = 2026-03-09
fitter = "Ada Sample"

[knee_flexion.at]
bdc = {sd = 1.3}
crank_112_5 = {sd = 1.1, freedom = 6.2}
"""


def test_nothing_is_shipped(shipped: Definitions) -> None:
    assert shipped.replacing == []


def test_an_own_one_is_read(tmp_path: Path) -> None:
    (tmp_path / "replacing.toml").write_text(SOUND, encoding="utf-8")
    (found,) = load_definitions(tmp_path).replacing
    assert (found.name, found.placements, found.date) == ("knee_flexion", 5, date(2026, 3, 9))
    assert (found.fitter, found.at["bdc"].sd) == ("Ada Sample", 1.3)
    assert (found.freedom("bdc"), found.freedom("crank_112_5")) == (4.0, 6.2)


@pytest.mark.parametrize(
    ("was", "becomes", "told"),
    [
        ("placements = 5", "placements = 1",
         "knee_flexion.placements: expected greater than or equal to 3, found 1"),
        ("placements = 5", "", "knee_flexion.placements: expected this key, found none"),
        ("sd = 1.3", "sd = -1.3",
         "knee_flexion.at.bdc.sd: expected greater than or equal to 0, found -1.3"),
        ("sd = 1.3", "sd = inf", "knee_flexion.at.bdc.sd: expected a finite number, found inf"),
        ("sd = 1.3", "sd = 1.3, se = 1",
         "knee_flexion.at.bdc.se: expected one of the keys freedom, sd, found this one"),
        ("freedom = 6.2", "freedom = 9",
         "knee_flexion: at.crank_112_5.freedom: expected at most 8, twice the placements less "
         "one (left and right), found 9"),
        ('unit = "deg"', 'unit = "mm"',
         "knee_flexion.unit: expected 'deg', the unit of 'knee_flexion', found 'mm'"),
        ("bdc =", "mean =", "knee_flexion.at.mean: expected an event that 'knee_flexion' lists"),
        ("knee_flexion", "knee", "knee: expected a measure of the markers (knee_flexion, "),
        ("knee_flexion", "cadence", "cadence: expected a measure of the markers (knee_flexion, "),
        ("date = 2026-03-09", 'date = "soon"', "knee_flexion.date: expected a valid date"),
        ("date", "day", "knee_flexion.day: expected one of the keys at, date, fitter, placements"),
    ],
)  # fmt: skip
def test_mistakes_are_told(was: str, becomes: str, told: str, tmp_path: Path) -> None:
    path = tmp_path / "replacing.toml"
    path.write_text(SOUND.replace(was, becomes), encoding="utf-8")
    with pytest.raises(DefinitionError) as caught:
        load_definitions(tmp_path)
    assert any(
        line.strip().startswith(f"{path}: {told}") for line in str(caught.value).splitlines()
    )
