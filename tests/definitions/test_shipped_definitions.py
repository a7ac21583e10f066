"""The shipped files: that all of them load, and that they claim no more than they can show."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from livefit.definitions import Band, Definitions, find_faults, shipped_dir

LANDMARKS = ["AC", "EL", "US", "ASIS", "PSIS", "GT", "LE", "LM", "CA", "VM"]
FILES = sorted(
    path
    for pattern in ("events.toml", "measures.toml", "markers/*.toml", "bands/*.toml")
    for path in shipped_dir().glob(pattern)
)

# The bands as printed in the papers. Swart & Holliday (2019) Curr Sports Med Rep 18(12):490-496:
# dynamic, at the bottom, 33-43 deg at low and 30-40 deg at high intensity. Ferrer-Roca et al.
# (2012) J Strength Cond Res 26(11), as quoted by Millour et al. (2020): 30-40 deg with the crank
# in line with the seat tube. Pruitt & Matheny (2006) and Silberman et al. (2005), as quoted by
# Holliday & Swart (2021): trunk 30-45 deg for racers.
PUBLISHED = {
    ("road_endurance", "knee_flexion", "bdc"): (33, 43, "Swart J, Holliday W (2019)"),
    ("road_race", "knee_flexion", "bdc"): (30, 40, "Swart J, Holliday W (2019)"),
    ("road_race", "knee_flexion", "seat_tube"): (30, 40, "Ferrer-Roca V"),
    ("road_race", "trunk_inclination", "mean"): (30, 45, "Pruitt & Matheny (2006)"),
}


def bands_of(shipped: Definitions) -> dict[tuple[str, str, str], Band]:
    return {
        (discipline.name, band.measure, band.event): band
        for discipline in shipped.disciplines
        for band in discipline.bands
    }


def test_the_shipped_definitions_fit_one_another(shipped: Definitions) -> None:
    assert find_faults(shipped) == []
    assert {d.name for d in shipped.disciplines} == {
        path.stem for path in shipped_dir().glob("bands/*.toml")
    }
    assert {m.name for m in shipped.marker_sets} == {
        path.stem for path in shipped_dir().glob("markers/*.toml")
    }


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_file_says_what_it_is_and_how_to_override_it(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    head = " ".join(re.match(r"(#.*\n)+", text)[0].replace("#", " ").split())  # type: ignore[index]
    assert "in your own directory" in head
    assert "~/.config/livefit on Linux" in head
    assert tomllib.loads(text)


def test_each_side_carries_the_same_landmarks(shipped: Definitions) -> None:
    # Cappozzo et al. (1995) Clin Biomech 10:171-178 for the names.
    def landmarks(name: str, side: str) -> list[str]:
        marker_set = shipped.marker_set(name)
        every = [*marker_set.markers, *marker_set.optional]
        return sorted(marker[2:] for marker in every if marker.startswith(f"{side}_"))

    for name, side in (("left_side", "L"), ("right_side", "R"), ("both_sides", "L")):
        assert landmarks(name, side) == sorted(LANDMARKS)
    assert landmarks("left_side", "R") == landmarks("right_side", "L") == []
    for name in ("both_sides", "extended", "prefix_lab"):
        assert landmarks(name, "L") == landmarks(name, "R")
    assert landmarks("extended", "R") == sorted([*LANDMARKS, "HF", "FM", "PED"])
    laboratory = shipped.marker_set("prefix_lab")
    assert sorted(laboratory.labels.values()) == sorted([*laboratory.markers, *laboratory.optional])


def test_the_quarter_points_are_where_the_convention_has_them(shipped: Definitions) -> None:
    # 0 deg at the top, 90 deg forward, rising in forward pedalling: the phase convention of the
    # cycling literature.
    angles = [shipped.event(name).crank_deg for name in ("tdc", "forward", "bdc", "rearward")]
    assert angles == [0, 90, 180, 270]


def test_names_fit_a_screen_and_riders_hear_no_medical_word(shipped: Definitions) -> None:
    medical = re.compile(
        r"flexion|extension|inclination|dorsi|plantar|pelvi|trochanter|femoral|malleol|acromi"
        r"|metatars|lateral|obliquity|sagittal|trunk|shank|spindle",
        re.IGNORECASE,
    )
    for measure in shipped.measures:
        assert 0 < len(measure.short) <= 12, measure.name
        assert not medical.search(measure.plain), measure.name
    assert len({measure.short for measure in shipped.measures}) == len(shipped.measures)
    for event in shipped.events:
        assert 0 < len(event.short) <= 12, event.name


def test_the_table_of_results_stays_readable(shipped: Definitions) -> None:
    rows = sum(len(m.events) * (2 if m.sides == "each" else 1) for m in shipped.measures)
    assert rows < 150


def test_published_bands_are_those_of_the_papers_and_no_others(shipped: Definitions) -> None:
    published = {k: b for k, b in bands_of(shipped).items() if b.status == "published"}
    assert published.keys() == PUBLISHED.keys()
    for key, (low, high, source) in PUBLISHED.items():
        assert (published[key].low, published[key].high) == (low, high)
        assert published[key].source.find(source) >= 0
        assert re.search(r"\((19|20)\d\d\)", published[key].source)


def test_what_has_no_source_says_so(shipped: Definitions) -> None:
    for (_, measure, event), band in bands_of(shipped).items():
        if (measure, event) in {("knee_flexion", "maximum"), ("knee_over_spindle", "forward")}:
            assert band.status == "from memory"
        if measure == "elbow_flexion":
            assert band.status == "common practice, no source"
    for name in ("time_trial", "off_road"):
        statuses = {band.status for band in shipped.discipline(name).bands}
        assert "published" not in statuses
