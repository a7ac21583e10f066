"""The HTML page: self-contained, accessible, and complete."""

from __future__ import annotations

import base64
import io
import re
from collections import Counter
from itertools import pairwise
from pathlib import Path
from xml.etree.ElementTree import Element

from PIL import Image

from livefit.definitions import Definitions
from livefit.definitions.studio import Studio
from livefit.report import make_report
from livefit.report.pictures import embedded
from livefit.session.models import Adjustment, FitSession, SetUp, Taken
from tests.report.report_examples import AFTER, BEFORE, PARTS, WHEN, draw_picture
from tests.report.report_pages import SVG, body_words, parsed, pictures, title_of, words_of


def test_nothing_is_fetched_and_nothing_runs(html: str, page: Element) -> None:
    for element in page.iter():
        for key in ("src", "href", "action", "data", f"{{{'http://www.w3.org/1999/xlink'}}}href"):
            assert (element.get(key) or "data:").startswith("data:"), element.attrib
        assert not [key for key in element.attrib if str(key).lower().startswith("on")]
    assert not list(page.iter("script"))
    assert not list(page.iter("link"))
    urls = re.findall(r"url\(([^)]{0,30})", html)
    assert urls
    assert all(url.startswith("data:") for url in urls)
    assert "@import" not in html


def test_headings_stand_in_order(page: Element) -> None:
    # WCAG 2.2, technique G141: no level is skipped.
    levels = [int(e.tag[1]) for e in page.iter() if re.fullmatch("h[1-6]", str(e.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later <= level + 1 for level, later in pairwise(levels))
    assert page.get("lang") == "en"


def test_pictures_are_told_in_words(page: Element) -> None:
    told = 0
    for svg in page.iter(f"{SVG}svg"):
        if svg.get("aria-hidden") == "true":
            continue
        named = (svg.get("aria-labelledby") or "").split()
        title, description = svg.find(f"{SVG}title"), svg.find(f"{SVG}desc")
        assert title is not None
        assert description is not None
        assert [title.get("id"), description.get("id")] == named
        assert title.text
        assert description.text
        assert svg.get("role") == "img"
        told += 1
    assert told > 30
    images = list(page.iter("img"))
    assert len(images) == 2
    assert all(image.get("alt") for image in images)


def test_ids_are_of_one_thing_each(page: Element) -> None:
    ids = Counter(element.get("id") for element in page.iter() if element.get("id"))
    assert max(ids.values()) == 1
    for element in page.iter():
        for name in (element.get("aria-labelledby") or "").split():
            assert name in ids


def test_tables_have_heads_with_a_scope(page: Element) -> None:
    heads = list(page.iter("th"))
    assert len(heads) > 100
    assert {head.get("scope") for head in heads} <= {"col", "row", "rowgroup", "colgroup"}
    for table in page.iter("table"):
        rows = [row for row in table.iter("tr") if row.find("td") is not None]
        widths = {
            sum(int(cell.get("colspan") or 1) for cell in row if cell.tag in ("td", "th"))
            for row in rows
        }
        assert len(widths) == 1, words_of(table)[:80]


def test_the_set_up_sheet_holds_every_dimension_and_part(page: Element) -> None:
    section = next(s for s in page.iter("section") if s.get("aria-labelledby") == "setup")
    rows = {words_of(row) for row in section.iter("tr")}
    for name in BEFORE:
        both = [f"{taken.value:.1f}" for taken in (BEFORE[name], AFTER[name])]
        if name == "tyre_pressure_marks":
            both = ["3", "3"]
        wanted = [value.replace("-", "−") for value in both]
        assert any(all(value in row for value in wanted) for row in rows), name
    for part in PARTS.values():
        assert any(part in row for row in rows)
    height = next(row for row in rows if row.startswith("A Saddle height"))
    # 700.5 - 688.4 = 12.1; the half widths add as independent errors do: 0.6 * sqrt(2) = 0.85.
    assert "+12.1 ± 0.8 mm" in height
    assert "From the crank axis along the seat tube" in height
    assert "±0.6 mm, pointer" in height


def test_the_drawing_has_the_letters_of_the_table(page: Element) -> None:
    section = next(s for s in page.iter("section") if s.get("aria-labelledby") == "setup")
    in_table = [words_of(e) for e in section.iter("span") if e.get("class") == "letter"]
    (drawing,) = pictures(page, "bicycle")
    drawn = [text.text for text in drawing.iter(f"{SVG}text")]
    assert sorted(drawn, key=str) == in_table
    assert in_table[:3] == ["A", "B", "C"]


def test_every_answer_change_and_reason_is_there(page: Element, session: FitSession) -> None:
    text = body_words(page)
    for wanted in (
        "A 200 km ride in June without sore knees.",
        "front of the left knee; hands after two hours",
        "Pressure in front after an hour.", "6.9 ± 0.8 mm up, pointer", "5.2 ± 0.4 mm up, markers",
        "Saddle height: 12 mm up", "Saddle setback: 4 mm forward", "Saddle tilt: 1° nose up",
        "Jonas Feld", "Werkstatt am Kanal", "Kanalstraße 12", "hallo@example.org",
        "Steel road frame, 54 cm", "14 March 2026", "Knee quiet since the second ride.",
        "Rides in stiff road shoes", "Guidance, not diagnosis", "licensed clinician",
        "minimum-insertion marks", "maker's torque", "Local rules", "Swart J, Holliday W (2019)",
        "From memory", "Common practice, no source", session.rider.name, session.id,
    ):  # fmt: skip
        assert wanted in text, wanted


def test_an_unsure_and_a_hand_noted_value_are_said(page: Element) -> None:
    section = next(s for s in page.iter("section") if s.get("aria-labelledby") == "unmeasured")
    assert "Saddle setback, Saddle tilt (noted by hand only)" in words_of(section)


def test_the_earlier_session_stands_beside(page: Element) -> None:
    section = next(s for s in page.iter("section") if s.get("aria-labelledby") == "earlier")
    strips = [svg for svg in section.iter(f"{SVG}svg") if svg.get("class") == "strip"]
    assert len(strips) >= 10
    assert "Saddle height 700.5 mm 700.5 mm 0.0 mm" in words_of(section)
    # The markers were put on anew: strokes alone cannot say what is chance.
    assert "chance" not in words_of(section)


def test_names_cannot_become_markup(
    session: FitSession, known: Definitions, nowhere: Path, album: Path
) -> None:
    evil = "</style></title></svg><script>alert(1)</script>\"'\\ & {{ 7*7 }} \x00"
    changed = session.model_copy(
        update={
            "rider": session.rider.model_copy(update={"name": evil}),
            "studio": evil,
            "fitter": evil,
            "notes": [evil],
            "interview": {evil: evil},
            "examination": {evil: [evil]},
            "outcome": evil,
            "discipline": evil,
        }
    )
    page = parsed(
        make_report(changed, known, Studio(name=evil, contact=evil), user_dir=nowhere).html()
    )
    assert not list(page.iter("script"))
    assert "<script>alert(1)</script>" in body_words(page)
    assert "{{ 7*7 }}" in body_words(page)
    assert len(list(page.iter("style"))) == 1
    assert len(pictures(page, "strip")) > 10


def test_pictures_are_made_smaller_and_lose_what_the_camera_wrote(tmp_path: Path) -> None:
    path = draw_picture(tmp_path)
    with Image.open(path) as image:
        exif = image.getexif()
        exif[0x010F] = "CAMERA-MAKER"
        image.convert("RGB").resize((3000, 2000)).save(tmp_path / "photo.jpg", exif=exif)
    kind, _, data = embedded(tmp_path / "photo.jpg").partition(",")
    assert kind == "data:image/jpeg;base64"
    content = base64.b64decode(data)
    assert b"CAMERA-MAKER" not in content
    with Image.open(io.BytesIO(content)) as small:
        assert small.size == (1600, 1067)


def test_an_interval_too_small_for_a_tenth_claims_no_certainty(
    session: FitSession, known: Definitions, nowhere: Path
) -> None:
    trial = session.trials[-1]
    sure = {"mean": 80.0, "se": 0.01, "ci95": (79.98, 80.02)}
    numbers = [number.model_copy(update=sure) for number in trial.numbers]
    crank = trial.cranks[0].model_copy(update={"length_mm": 172.5, "length_se_mm": 0.01})
    touched = Taken(value=712.0, unit="mm", half_width=0.03, how="touched")
    height = {"saddle_height": touched}
    noted = Adjustment(part="saddle_height", amount=5.0, unit="mm", measured=touched)
    new = {"numbers": numbers, "cranks": [crank], "adjustments": [noted]}
    changed = session.model_copy(
        update={
            "trials": [trial.model_copy(update={**new, "number": k}) for k in (0, 1)],
            "set_up_before": SetUp(taken=WHEN, dimensions=height),
            "set_up_after": SetUp(
                taken=WHEN,
                dimensions={"saddle_height": touched.model_copy(update={"value": 717.0})},
            ),
        }
    )
    text = body_words(
        parsed(make_report(changed, known, Studio(language="de"), user_dir=nowhere).html())
    )
    for wanted in ("172,5 ± <0,1 mm", "80,0 ± <0,1", "+5,0 ± <0,1 mm", "±<0,1 mm, Taster"):
        assert wanted in text, wanted
    assert "± 0,0" not in text
    assert "±0,0" not in text


def test_what_strokes_are_counted_is_said_at_the_first_table(page: Element) -> None:
    numbers, method = (
        next(words_of(s) for s in page.iter("section") if s.get("aria-labelledby") == name)
        for name in ("numbers", "method")
    )
    said = "how many stand behind the number before, and after; those during which"
    assert 0 < numbers.index(said) < numbers.index("Knee flexion")
    assert "over its strokes, those left out during which the number was still settling" in method
    assert "all its strokes" not in method


def test_a_range_is_told_as_travel_and_not_as_a_place(
    session: FitSession, known: Definitions, nowhere: Path
) -> None:
    # The knee is some 160 mm out from the middle; its range, about 10 mm, is how far it sways.
    for language, words, place in (
        ("en", "How much this changes over one turn", "How far out from the middle of the bike"),
        ("de", "Wie viel sich das in einer Umdrehung ändert", "von der Mitte des Rads"),
    ):
        studio = Studio(language=language)
        page = parsed(make_report(session, known, studio, user_dir=nowhere).html())
        heads = [words_of(th) for th in page.iter("th") if th.get("class") == "group"]
        measure = "Knee from the mid-plane" if language == "en" else "Knie"
        ranges = [head for head in heads if words in head]
        assert any(head.startswith(measure) for head in ranges)
        assert not any(place in head for head in ranges)
        assert any("How far your knee is bent" in head for head in heads) == (language == "en")


def test_titles_name_measure_event_and_side(page: Element) -> None:
    titles = [title_of(svg) for svg in pictures(page, "strip")]
    assert titles[0] == "Knee flexion, Bottom dead centre: Left"
