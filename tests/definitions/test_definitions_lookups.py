"""Finding definitions by name, free crank events, and a stream's labels."""

from __future__ import annotations

import pytest

from livefit.definitions import (
    DefinitionError,
    Definitions,
    Event,
    MarkerSet,
    canonical_labels,
    find_faults,
    free_crank_event,
    match_marker_set,
)

LEFT = ["L_AC", "L_EL", "L_US", "L_GT", "L_LE", "L_LM", "L_CA", "L_VM"]
RIGHT = [label.replace("L_", "R_", 1) for label in LEFT]
PELVIS = ["L_ASIS", "R_ASIS", "L_PSIS", "R_PSIS"]
LABORATORY = ["s2", "lmt5", "lcal", "ltoe", "llmal", "llfc", "lth1", "lgt", "rlfc", "rlmal", "rgt"]


@pytest.mark.parametrize(
    ("name", "angle"),
    [("crank_0", 0.0), ("crank_110", 110.0), ("crank_112_5", 112.5), ("crank_359_05", 359.05)],
)
def test_a_free_crank_event_needs_no_entry(shipped: Definitions, name: str, angle: float) -> None:
    event = shipped.event(name)
    assert (event.name, event.kind, event.crank_deg) == (name, "crank", angle)
    assert event.short == f"{angle:g}°"


@pytest.mark.parametrize(
    "name", ["crank", "crank_", "crank_360", "crank_1000", "crank_010", "crank_10_50", "crank_-1"]
)
def test_each_angle_has_one_spelling(shipped: Definitions, name: str) -> None:
    assert free_crank_event(name) is None
    with pytest.raises(DefinitionError, match=f"no event is named '{name}'; expected one of: tdc"):
        shipped.event(name)


def test_a_listed_event_comes_before_a_free_one(shipped: Definitions) -> None:
    listed = Event(name="crank_110", title="Push", short="push", kind="crank", crank_deg=110)
    assert shipped.model_copy(update={"events": [listed]}).event("crank_110") is listed


def test_an_unknown_name_lists_what_there_is(shipped: Definitions) -> None:
    with pytest.raises(DefinitionError, match="no measure is named 'kne'; expected one of: knee_f"):
        shipped.measure("kne")
    with pytest.raises(DefinitionError, match=r"no discipline is named 'bmx'.*road_race, time_tri"):
        shipped.discipline("bmx")
    with pytest.raises(DefinitionError, match=r"no marker set is named 'x'.*both_sides, extended"):
        shipped.marker_set("x")
    empty = Definitions(marker_sets=[], events=[], measures=[], disciplines=[])
    with pytest.raises(DefinitionError, match="expected one of: none at all"):
        empty.measure("knee_flexion")


def test_a_name_given_twice_is_a_fault_in_every_section(shipped: Definitions) -> None:
    assert find_faults(shipped) == []
    for section in ("marker_sets", "events", "measures", "disciplines"):
        items = getattr(shipped, section)
        twice = shipped.model_copy(update={section: [*items, items[0]]})
        found = [(f.section, f.name, f.text) for f in find_faults(twice) if f.key == "name"]
        assert found == [(section, items[0].name, "expected each name once, found it 2 times")]


@pytest.mark.parametrize(
    ("labels", "expected"),
    [
        (LEFT, "left_side"),
        (RIGHT, "right_side"),
        (LEFT + RIGHT, "both_sides"),
        (RIGHT + LEFT, "both_sides"),
        (LEFT + RIGHT[:-1] + ["spare"], "both_sides"),
        (LEFT + RIGHT + PELVIS, "both_sides"),
        ([*LEFT, *RIGHT, *PELVIS, "L_HF", "BIKE_BAR"], "extended"),
        (LABORATORY, "prefix_lab"),
    ],
)
def test_the_set_that_knows_most_labels_is_chosen(
    shipped: Definitions, labels: list[str], expected: str
) -> None:
    assert match_marker_set(labels, shipped.marker_sets).name == expected
    assert match_marker_set(labels, shipped.marker_sets[::-1]).name == expected


def test_labels_that_no_set_knows_are_listed_with_what_was_expected(shipped: Definitions) -> None:
    with pytest.raises(DefinitionError) as caught:
        match_marker_set(["M1", "M2", "R_LE", "R_GT"], shipped.marker_sets)
    text = str(caught.value)
    assert "no marker set knows at least 3 of the stream's labels" in text
    assert "Labels that came: M1, M2, R_LE, R_GT." in text
    assert "left_side: L_AC, L_EL, L_US, L_GT, L_LE, L_LM, L_CA, L_VM" in text
    assert "prefix_lab: lacr, llel, ldr" in text
    assert "Rename the markers in the capture software, or give their labels" in text


def test_without_labels_or_sets_there_is_no_match(shipped: Definitions) -> None:
    with pytest.raises(DefinitionError, match="Labels that came: none"):
        match_marker_set([], shipped.marker_sets)
    with pytest.raises(DefinitionError, match="there are no marker sets"):
        match_marker_set(LEFT, [])


def test_labels_become_canonical_and_extra_markers_none(shipped: Definitions) -> None:
    laboratory = shipped.marker_set("prefix_lab")
    assert canonical_labels(LABORATORY, laboratory) == (
        None, "L_VM", "L_CA", None, "L_LM", "L_LE", None, "L_GT", "R_LE", "R_LM", "R_GT",
    )  # fmt: skip
    assert canonical_labels(["R_LE", "r_le"], shipped.marker_set("right_side")) == ("R_LE", None)


def test_a_label_mapped_elsewhere_is_not_taken_for_its_own_name() -> None:
    swapped = MarkerSet(
        name="swapped",
        title="Swapped",
        markers=["L_LE", "R_LE"],
        labels={"L_LE": "R_LE", "R_LE": "L_LE"},
    )
    assert canonical_labels(["L_LE", "R_LE"], swapped) == ("R_LE", "L_LE")


def test_two_labels_for_one_marker_are_an_error(shipped: Definitions) -> None:
    with pytest.raises(
        DefinitionError,
        match=r"expected one marker for R_LE of the marker set 'prefix_lab', found two labels, "
        r"'rlfc' and 'R_LE'\. Rename one of them in the capture software",
    ):
        canonical_labels(["rlfc", "rgt", "R_LE"], shipped.marker_set("prefix_lab"))
