"""The set-up sheet of a bicycle that was measured again in part: unchanged, moved or unknown."""

from __future__ import annotations

from pathlib import Path
from xml.etree.ElementTree import Element

import pytest

from livefit.definitions import Definitions
from livefit.definitions.studio import Studio
from livefit.report import make_report
from livefit.session.left_out import contradictions, hangs_on
from livefit.session.models import Adjustment, FitSession, SetUp, Taken
from tests.report.report_examples import WHEN
from tests.report.report_pages import parsed, words_of

BEFORE = {
    "saddle_height": 712.0, "saddle_setback": 55.0, "saddle_width": 155.0, "bar_reach": 540.0,
    "bar_drop": 60.0, "stem_length": 90.0, "spacers": 10.0, "crank_length": 172.5, "stack": 565.0,
    "cleat_fore_aft_left": 5.0,
}  # fmt: skip
PARTS = {"saddle": "Broad", "stem": "Example 90", "bar": "Compact"}


def set_up(dimensions: dict[str, float], parts: dict[str, str] | None = None) -> SetUp:
    taken = {name: Taken(value=value, unit="mm") for name, value in dimensions.items()}
    return SetUp(taken=WHEN, dimensions=taken, parts=parts or {})


def changed(session: FitSession, after: SetUp, **noted: float) -> FitSession:
    """One trial without numbers after these adjustments, the bicycle measured as is said."""
    made = [Adjustment(part=part, amount=mm, unit="mm") for part, mm in noted.items()]
    trial = session.trials[0].model_copy(
        update={"adjustments": made, "numbers": [], "cycles": [], "pose": None}
    )
    return session.model_copy(
        update={
            "set_up_before": set_up(BEFORE, PARTS), "set_up_after": after, "trials": [trial],
            "pictures": [],
        }
    )  # fmt: skip


class Sheet:
    """A report's sections by their id, and the rows of the set-up sheet by their title."""

    def __init__(
        self, session: FitSession, known: Definitions, nowhere: Path, language: str = "en",
        earlier: FitSession | None = None,
    ) -> None:  # fmt: skip
        studio = Studio(language=language)
        html = make_report(session, known, studio, user_dir=nowhere, earlier=earlier).html()
        self._sections = {s.get("aria-labelledby"): s for s in parsed(html).iter("section")}

    def words(self, section: str) -> str:
        return words_of(self._sections[section])

    def rows(self, section: str = "setup") -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for row in self._sections[section].iter("tr"):
            head = row.find("th")
            if head is not None and head.get("scope") == "row":
                found[_own_words(head)] = [words_of(cell) for cell in row if cell.get("data-label")]
        return found


def _own_words(head: Element) -> str:
    return (head.text or "").strip()


@pytest.fixture
def raised(session: FitSession) -> FitSession:
    """Saddle up and a shorter stem, and only those two measured again."""
    after = set_up({"saddle_height": 722.0, "stem_length": 80.0})
    return changed(session, after, saddle_height=10.0, stem_length=-10.0)


def test_what_cannot_have_moved_is_as_before_and_the_rest_is_open(
    raised: FitSession, known: Definitions, nowhere: Path
) -> None:
    sheet = Sheet(raised, known, nowhere)
    rows = sheet.rows()
    assert rows["Saddle height"][1:3] == ["722 mm", "+10.0 mm"]
    assert rows["Stem length"][1:3] == ["80 mm", "−10.0 mm"]
    for title, value in [
        ("Saddle width", "155 mm"), ("Crank length", "172.5 mm"), ("Stack", "565 mm"),
        ("Cleat fore-aft, left", "5 mm"),
    ]:  # fmt: skip
        assert rows[title][:3] == [value, value, "as before, not measured again"]
    # A saddle that goes up goes back, and leaves the bar below; a stem is changed with its spacers.
    for title in ("Saddle setback", "Bar reach", "Bar drop", "Spacers"):
        assert rows[title][1:3] == ["–", "may have changed, not measured again"]
    assert rows["Saddle"] == ["Broad", "Broad as before, not noted again"]
    assert rows["Stem"] == ["Example 90", "– may have changed, not noted again"]
    missing = sheet.words("unmeasured")
    assert "taken to be as before: Saddle width, Crank length, Stack, Cleat" in missing
    assert "may have moved with them: Saddle setback, Bar reach, Bar drop, Spacers, Stem" in missing
    assert "All a mechanic needs" not in sheet.words("setup")


def test_a_noted_change_that_nobody_measured_is_no_measurement(
    session: FitSession, known: Definitions, nowhere: Path
) -> None:
    one = changed(session, set_up({"stem_length": 90.0}), saddle_height=-4.0)
    rows = Sheet(one, known, nowhere).rows()
    assert rows["Saddle height"][1:3] == ["–", "4 mm down as noted, not measured again"]
    assert rows["Spacers"][1] == "10 mm"


def test_a_difference_that_nobody_noted_moves_the_others_too(
    session: FitSession, known: Definitions, nowhere: Path
) -> None:
    rows = Sheet(changed(session, set_up({"saddle_height": 722.0})), known, nowhere).rows()
    assert rows["Saddle setback"][1] == "–"
    assert rows["Stem length"][1] == "90 mm"
    none = Sheet(changed(session, set_up({"saddle_height": 712.5})), known, nowhere).rows()
    assert none["Saddle setback"][1] == "55 mm"


def test_noted_and_measured_that_cannot_both_be_true_are_said(
    raised: FitSession, session: FitSession, known: Definitions, nowhere: Path
) -> None:
    assert list(contradictions(raised)) == []
    after = set_up({"saddle_height": 732.0, "stem_length": 80.0, "saddle_setback": 58.0})
    noted = {"saddle_height": 10.0, "stem_length": 5.0, "saddle_setback": 0.5}
    wrong = changed(session, after, **noted)
    # 3 mm back of a saddle that went up by 10 are the seat tube's: 10 cos 73 degrees = 2.9.
    assert {part for part, *_ in contradictions(wrong)} == {"saddle_height", "stem_length"}
    sheet = Sheet(wrong, known, nowhere)
    for section in ("adjustments", "setup"):
        said = sheet.words(section)
        assert "Saddle height: 10 mm up as noted, but before and after say 20 mm up" in said
        assert "Stem length: 5 mm longer as noted, but before and after say 10 mm shorter" in said


def test_then_and_now_hold_what_was_as_before(
    raised: FitSession, known: Definitions, nowhere: Path
) -> None:
    sheet = Sheet(raised, known, nowhere, earlier=raised)
    rows = sheet.rows("earlier")
    assert rows["Stack"][:3] == ["565 mm", "565 mm", "0.0 mm"]
    assert rows["Saddle height"][:2] == ["722 mm", "722 mm"]
    assert "Bar drop" not in rows
    assert "What was not measured again" in sheet.words("earlier")


def test_the_same_in_german(raised: FitSession, known: Definitions, nowhere: Path) -> None:
    words = Sheet(raised, known, nowhere, language="de").words("setup")
    assert "wie vorher, nicht neu gemessen" in words
    assert "vielleicht verändert, nicht neu gemessen" in words


def test_every_dimension_hangs_on_saddle_bar_cranks_cleats_or_nothing(known: Definitions) -> None:
    for entry in known.set_up:
        on = hangs_on(entry.name)
        assert on is not None, entry.name
        if entry.group == "Frame":
            assert not on, entry.name
