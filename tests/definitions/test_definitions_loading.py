"""The fitter's own files over the shipped ones, and what is said of files that are wrong.

The outside witness of the reading itself is the TOML 1.0 specification through `tomllib`; the
faulty files are written here by hand, and each text is what a fitter has to act on.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from livefit.definitions import DefinitionError, Definitions, load_definitions, loader, shipped_dir

KNEE = """
[knee_flexion]
title = "Knee"
short = "knee"
plain = "How far your knee is bent"
kind = "flexion"
points = ["GT", "LE", "LM"]
unit = "deg"
events = ["seat_tube", "maximum", "bdc"]
"""

BAND = """
[[bands]]
measure = "knee_flexion"
event = "bdc"
low = 20
high = 30.5
unit = "deg"
status = "from memory"
"""


def write(directory: Path, file: str, text: str) -> Path:
    path = directory / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def faults_of(directory: Path) -> list[str]:
    """Load a faulty directory and return the lines of the error between its first and last."""
    with pytest.raises(DefinitionError) as caught:
        load_definitions(directory)
    first, *lines, last = str(caught.value).splitlines()
    count = len(lines)
    assert first == f"{count} {'fault' if count == 1 else 'faults'} in the definitions:"
    assert last.startswith("Correct what is named above.")
    assert str(directory) in last
    return [line.strip() for line in lines]


def names(definitions: Definitions) -> dict[str, list[str]]:
    return {
        "marker_sets": [item.name for item in definitions.marker_sets],
        "events": [item.name for item in definitions.events],
        "measures": [item.name for item in definitions.measures],
        "disciplines": [item.name for item in definitions.disciplines],
    }


def test_an_empty_directory_changes_nothing(tmp_path: Path) -> None:
    missing = tmp_path / "none"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(loader, "user_config_path", lambda _: missing)
        shipped = load_definitions()
    assert load_definitions(tmp_path) == shipped


def test_the_users_directory_of_the_system_is_read_by_default(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []

    def place(application: str) -> Path:
        asked.append(application)
        return tmp_path

    monkeypatch.setattr(loader, "user_config_path", place)
    write(tmp_path, "bands/track.toml", 'title = "Track"\n' + BAND)
    assert load_definitions().discipline("track").title == "Track"
    assert asked == ["livefit"]


def test_own_definitions_replace_in_place_and_new_ones_are_added(tmp_path: Path) -> None:
    before = names(load_definitions(tmp_path))
    write(
        tmp_path,
        "measures.toml",
        KNEE.replace('"bdc"]', '"bdc", "crank_110"]')
        + KNEE.replace("[knee_flexion]", "[second_knee]"),
    )
    write(
        tmp_path,
        "events.toml",
        '[mid_push]\ntitle = "Mid push"\nshort = "push"\nkind = "crank"\ncrank_deg = 75.5\n',
    )
    write(tmp_path, "bands/road_race.toml", 'title = "Our racers"\n' + BAND)
    write(
        tmp_path,
        "markers/legs.toml",
        'title = "Legs"\nmarkers = ["R_GT", "R_LE"]\n[labels]\nhip = "R_GT"\n',
    )
    own = load_definitions(tmp_path)
    after = names(own)
    assert after["measures"] == [*before["measures"], "second_knee"]
    assert after["events"] == [*before["events"], "mid_push"]
    assert after["disciplines"] == before["disciplines"]
    assert after["marker_sets"] == [*before["marker_sets"], "legs"]
    assert own.measure("knee_flexion").title == "Knee"
    assert own.measure("knee_flexion").events == ["seat_tube", "maximum", "bdc", "crank_110"]
    assert own.event("mid_push").crank_deg == 75.5
    assert own.marker_set("legs").labels == {"hip": "R_GT"}
    (band,) = own.discipline("road_race").bands
    assert (band.low, band.high, band.status) == (20.0, 30.5, "from memory")


def test_a_byte_order_mark_and_hidden_files_do_no_harm(tmp_path: Path) -> None:
    write(tmp_path, "bands/track.toml", '\ufefftitle = "Track"\n' + BAND)
    write(tmp_path, "bands/._track.toml", "\x00 what a file system leaves behind")
    assert load_definitions(tmp_path).discipline("track").title == "Track"


def test_a_directory_asked_for_must_exist(tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match="expected a directory of definitions, found none at"):
        load_definitions(tmp_path / "none")
    file = write(tmp_path, "file", "")
    with pytest.raises(DefinitionError, match="leave it out to work with the shipped definitions"):
        load_definitions(file)


@pytest.mark.parametrize("layout", ["lib/livefit/configs", "lib/configs"])
def test_the_shipped_directory_of_a_wheel_and_of_a_checkout(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, layout: str
) -> None:
    module = tmp_path / "lib/livefit/definitions/loader.py"
    monkeypatch.setattr(loader, "__file__", str(module))
    with pytest.raises(DefinitionError, match=r"livefit/configs, found none.*Install .* again"):
        shipped_dir()
    write(tmp_path, f"{layout}/measures.toml", "")
    assert shipped_dir() == tmp_path / layout


def test_wrong_toml_names_file_and_line(tmp_path: Path) -> None:
    path = write(tmp_path, "measures.toml", '[knee_flexion]\ntitle = "Knee\n')
    (line,) = faults_of(tmp_path)
    assert line.startswith(f"{path}: expected valid TOML, found: ")
    assert "line 2" in line


def test_a_heading_given_twice_names_the_line(tmp_path: Path) -> None:
    path = write(tmp_path, "measures.toml", KNEE + KNEE)
    (line,) = faults_of(tmp_path)
    assert re.match(re.escape(str(path)) + r": .*knee_flexion.* twice .*line 11", line)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    folder = tmp_path / "events.toml"
    folder.mkdir()
    (tmp_path / "bands").mkdir()
    (tmp_path / "bands/track.toml").write_bytes(b'title = "\xff"')
    broken = write(tmp_path, "markers/legs.toml", "markers = [")
    assert sorted(faults_of(tmp_path)) == sorted(
        [
            f"{folder}: expected a readable file, found: Is a directory",
            f"{tmp_path / 'bands/track.toml'}: expected text in UTF-8, "
            "found the byte 0xff at position 9",
            f"{broken}: expected valid TOML, found: Invalid value (at end of document)",
        ]
    )


POINT = ": expected a landmark of some marker set (AC, ASIS, AXLE, BIKE_BAR"

MEASURE_FAULTS = [
    ("unit", '"degrees"', ".unit: expected 'deg', 'mm' or 'rpm', found 'degrees'"),
    ("unit", '"mm"', ": kind 'flexion' is in deg, found mm"),
    ("unit", None, ".unit: expected this key, found none"),
    ("title", "3", ".title: expected a valid string, found 3"),
    ("plus", '"9"', ".plus: expected a valid number, found '9'"),
    ("plus", "nan", ".plus: expected a finite number, found nan"),
    ("sign", "2", ".sign: expected 1 or -1, found 2"),
    ("sgn", "-1", ".sgn: expected one of the keys axis, decimals, events, kind"),
    ("name", '"x"', ".name: expected no such key: the heading of the table is the name"),
    ("plane", '"frontal"', ": plane belongs to the kinds 'inclination' and 'between'"),
    ("axis", '"up"', ": axis belongs to the kind 'offset'"),
    ("points", '"GT"', ".points: expected a valid list, found 'GT'"),
    ("points", '["GT", 7, "LM"]', ".points[1]: expected a valid string, found 7"),
    ("points", '["GT", "LE"]', ": kind 'flexion' takes 3 points, found 2"),
    ("points", '["GT", "KNEE", "LM"]', f".points[1]{POINT}"),
    ("points", '["GT", "X_LE", "LM"]', f".points[1]{POINT}"),
    ("points", '["GT", "LE", "GT+"]', f".points[2]{POINT}"),
    ("points", '["A+B+C", "LE", "LM"]', ".points[0]: expected one landmark, or two joined by '+'"),
    ("events", '["low"]', ".events[0]: no event is named 'low'; expected one of: tdc, forward"),
    ("events", '["crank_360"]', ".events[0]: no event is named 'crank_360'"),
    ("events", '["Low!"]', ".events[0]: expected lower-case letters, digits and underscores"),
    ("events", '["tdc", "tdc"]', ".events: expected each event once, found 'tdc' again"),
]


@pytest.mark.parametrize(("key", "value", "text"), MEASURE_FAULTS)
def test_faults_in_a_measure(tmp_path: Path, key: str, value: str | None, text: str) -> None:
    sound = KNEE.replace("[knee_flexion]", "[my_knee]")
    path = write(tmp_path, "measures.toml", sound)
    load_definitions(tmp_path)
    lines = [line for line in sound.splitlines() if not line.startswith(f"{key} =")]
    path.write_text("\n".join([*lines, f"{key} = {value}" if value else ""]), encoding="utf-8")
    (fault,) = faults_of(tmp_path)
    assert fault.startswith(f"{path}: my_knee{text}")


def test_a_measure_taken_once_names_the_side_of_each_point(tmp_path: Path) -> None:
    text = KNEE.replace('"GT", "LE", "LM"]', '"R_GT+L_GT", "LE", "R_SPINDLE"]\nsides = "once"')
    path = write(tmp_path, "measures.toml", text)
    assert faults_of(tmp_path) == [
        f"{path}: knee_flexion.points[1]: expected L_LE or R_LE in a measure taken once, found 'LE'"
    ]


def test_faults_in_the_headings(tmp_path: Path) -> None:
    path = write(tmp_path, "measures.toml", 'version = "1"\n' + KNEE.replace("[knee", "[Knee"))
    assert faults_of(tmp_path) == [
        f"{path}: version: expected a table [version], found '1'",
        f"{path}: Knee_flexion.name: expected lower-case letters, digits and underscores with a "
        "letter first, found 'Knee_flexion'",
    ]


@pytest.mark.parametrize(
    ("kind", "key"),
    [("inclination", "plane"), ("offset", "axis")],
)
def test_a_kind_needs_its_own_keys(tmp_path: Path, kind: str, key: str) -> None:
    unit = {"inclination": "deg", "offset": "mm"}[kind]
    text = KNEE.replace('"flexion"', f'"{kind}"').replace('"deg"', f'"{unit}"')
    write(tmp_path, "measures.toml", text.replace('["GT", "LE", "LM"]', '["GT", "LE"]'))
    (line,) = faults_of(tmp_path)
    assert f"knee_flexion: {key} belongs to the kind" in line


BAND_FAULTS = [
    ('"knee_flexion"', '"knee"', ".measure: expected a measure (knee_flexion, hip_angle"),
    ('"bdc"', '"mean"', ".event: expected an event that 'knee_flexion' lists (tdc, forward, bdc"),
    ('"bdc"', '"bottom"', ".event: expected an event that 'knee_flexion' lists"),
    ('"deg"', '"mm"', ".unit: expected 'deg', the unit of 'knee_flexion', found 'mm'"),
    ("low = 20", "low = 31", ": low must be below high, found 31.0 and 30.5"),
    ("low = 20", "low = -inf", ".low: expected a finite number, found -inf"),
    ("low = 20", 'low = "20"', ".low: expected a valid number, found '20'"),
    ("low = 20", "low = true", ".low: expected a valid number, found True"),
    ("low = 20", "low = 20\nmax = 3", ".max: expected one of the keys event, high, low, measure"),
    ('"from memory"', '"published"', ": a published band needs its source"),
    ('"from memory"', '"known"', ".status: expected 'published', 'common practice, no source' or"),
]


@pytest.mark.parametrize(("old", "new", "text"), BAND_FAULTS)
def test_faults_in_a_band(tmp_path: Path, old: str, new: str, text: str) -> None:
    assert BAND.count(old) == 1
    path = write(tmp_path, "bands/track.toml", 'title = "Track"\n' + BAND.replace(old, new))
    (line,) = faults_of(tmp_path)
    assert line.startswith(f"{path}: bands[0]{text}")


def test_a_shipped_band_rests_without_its_event(tmp_path: Path) -> None:
    shipped = load_definitions(shipped_dir())
    events = ["bdc", "crank_110"]
    text = KNEE.replace('["seat_tube", "maximum", "bdc"]', f"{events}".replace("'", '"'))
    write(tmp_path, "measures.toml", text)
    own = load_definitions(tmp_path)
    assert own.measure("knee_flexion").events == events
    for before, now in zip(shipped.disciplines, own.disciplines, strict=True):
        left_out = [band for band in before.bands if band not in now.bands]
        assert now.bands == [band for band in before.bands if band not in left_out]
        assert {(band.measure, band.event) for band in left_out} == {
            (band.measure, band.event)
            for band in before.bands
            if band.measure == "knee_flexion" and band.event != "bdc"
        }
    assert any(band.event == "maximum" for d in shipped.disciplines for band in d.bands)


def test_a_shipped_band_rests_in_another_unit(tmp_path: Path) -> None:
    text = KNEE.replace('"flexion"', '"offset"\naxis = "up"').replace('"deg"', '"mm"')
    write(tmp_path, "measures.toml", text.replace('["GT", "LE", "LM"]', '["GT", "LE"]'))
    own = load_definitions(tmp_path)
    bands = [band for discipline in own.disciplines for band in discipline.bands]
    assert bands
    assert not any(band.measure == "knee_flexion" for band in bands)


def test_a_band_of_ones_own_without_its_event_is_a_fault(tmp_path: Path) -> None:
    write(tmp_path, "measures.toml", KNEE.replace(', "bdc"]', "]"))
    path = write(tmp_path, "bands/track.toml", 'title = "Track"\n' + BAND)
    (line,) = faults_of(tmp_path)
    assert line.startswith(f"{path}: bands[0].event: expected an event that 'knee_flexion' lists")


def test_two_bands_for_one_event_of_a_measure(tmp_path: Path) -> None:
    path = write(tmp_path, "bands/track.toml", 'title = "Track"\n' + BAND + BAND)
    assert faults_of(tmp_path) == [
        f"{path}: bands[1]: expected one band for 'knee_flexion' at 'bdc', "
        "found a second beside bands[0]"
    ]


def test_faults_in_a_marker_set(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        "markers/legs.toml",
        'title = "Legs"\nmarkers = ["R_GT", "R_LE", "R_LE"]\n[labels]\nknee = "R_KNEE"\n',
    )
    assert faults_of(tmp_path) == [
        f"{path}: markers: expected each marker once in markers and optional, found R_LE again",
        f"{path}: labels.knee: expected a marker of this set (R_GT, R_LE, R_LE), found 'R_KNEE'",
    ]


def test_the_name_of_a_file_is_the_name_of_what_it_holds(tmp_path: Path) -> None:
    path = write(tmp_path, "bands/Our Track.toml", 'title = "Track"\nbands = []\n')
    other = write(tmp_path, "bands/track.toml", 'title = "Track"\nname = "track"\nbands = []\n')
    upper, named = faults_of(tmp_path)
    assert upper.startswith(f"{path}: name: expected lower-case letters")
    assert named == f"{other}: name: expected no such key: the name of the file is the name"


def test_faults_in_an_event(tmp_path: Path) -> None:
    text = '[{}]\ntitle = "x"\nshort = "x"\nkind = "{}"\n'
    path = write(
        tmp_path,
        "events.toml",
        text.format("one", "crank")
        + text.format("two", "mean")
        + "crank_deg = 3\n"
        + text.format("three", "crank")
        + "crank_deg = 360\n",
    )
    one, two, three = faults_of(tmp_path)
    assert one == f"{path}: one: crank_deg belongs to events of kind 'crank', and only to them"
    assert two.startswith(f"{path}: two: crank_deg belongs to events of kind 'crank'")
    assert three.startswith(f"{path}: three.crank_deg: expected less than 360, found 360")


def test_an_event_may_not_contradict_the_angle_in_its_name(tmp_path: Path) -> None:
    text = '[crank_110]\ntitle = "x"\nshort = "x"\nkind = "crank"\ncrank_deg = 111\n'
    path = write(tmp_path, "events.toml", text)
    (line,) = faults_of(tmp_path)
    assert line == (
        f"{path}: crank_110.crank_deg: expected 110, the angle that the name 'crank_110' spells "
        "out, found 111.0"
    )


def test_every_fault_of_every_file_is_said_at_once(tmp_path: Path) -> None:
    write(tmp_path, "measures.toml", KNEE.replace('"deg"', '"degrees"').replace('"knee"', "4"))
    write(tmp_path, "bands/track.toml", "title = [")
    write(tmp_path, "events.toml", "[tdc]\n")
    lines = faults_of(tmp_path)
    assert sum("measures.toml: knee_flexion." in line for line in lines) == 2
    assert sum("track.toml: expected valid TOML" in line for line in lines) == 1
    assert sum("events.toml: tdc." in line for line in lines) == 3
