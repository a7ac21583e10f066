"""Fields set by name from what a person typed; set-ups and numbers side by side.

Outside witness of the intervals: `scipy.stats.ttest_ind_from_stats` (Welch).
"""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pytest
from scipy import stats

from livefit.definitions import DefinitionError, Definitions, load_definitions
from livefit.session.comparing import (
    changed_dimensions,
    changed_numbers,
    half_width,
    standing_for,
)
from livefit.session.editing import answered, from_text, measured, read_sections, with_field
from livefit.session.models import FitSession, Number, SetUp, Taken, Trial
from tests.store.store_examples import BEGAN, a_session

ESCAPES = ["\x1b[31m", "\x9b31m", "\x07", "\r", "\x00", "\x7f"]
"""What a terminal obeys: ECMA-48 (5th edition, 1991), 5.2 and 5.3, the C0 and C1 sets; and DEL."""


def test_what_steers_a_terminal_is_in_no_text_of_a_session(known: Definitions) -> None:
    session = a_session()
    for escape in ESCAPES:
        for field in (
            "rider.name", "bicycle.name", "bicycle.frame", "fitter", "studio", "outcome",
            "answers.goal_words", "before.saddle", "trials.0.notes", "trials.0.name", "notes.0",
        ):  # fmt: skip
            with pytest.raises(ValueError, match="without control characters, found '"):
                with_field(session, field, f"Zoë {escape} Probe", known)
    for field in ("rider.name", "fitter", "trials.0.name"):
        with pytest.raises(ValueError, match="expected one line without control characters"):
            with_field(session, field, "Zoë\nclosed", known)
    several = with_field(session, "outcome", "better\r\n\twith an insole", known)
    assert several.outcome == "better\n\twith an insole"


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> Definitions:
    return load_definitions(tmp_path_factory.mktemp("own"))


@pytest.mark.parametrize(
    ("field", "typed", "path", "value"),
    [
        ("outcome", "=better 7", ("outcome",), "=better 7"),
        ("rider.name", "Max Sample", ("rider", "name"), "Max Sample"),
        ("rider.born", "1991-01-02", ("rider", "born"), date(1991, 1, 2)),
        ("rider.born", "", ("rider", "born"), None),
        ("closed", "true", ("closed",), True),
        ("after", "0", ("after",), 0),
        ("trials.0.notes", "tired", ("trials", 0, "notes"), "tired"),
        ("trials.0.cadence_rpm", "92.5", ("trials", 0, "cadence_rpm"), 92.5),
        ("answers.inseam", "831,5", ("examination", "inseam"), 831.5),
        ("answers.pain_now", "neck; hand", ("interview", "pain_now"), ["neck", "hand"]),
        ("answers.fitted_before", "Yes", ("interview", "fitted_before"), True),
        ("before.saddle", "Example", ("set_up_before", "parts", "saddle"), "Example"),
        ("after.spacers", "15", ("set_up_after", "dimensions", "spacers", "value"), 15.0),
    ],
)
def test_a_field_is_set(
    known: Definitions, field: str, typed: str, path: tuple[str | int, ...], value: object
) -> None:
    before = a_session()
    found: object = with_field(before, field, typed, known)
    for part in path:
        if isinstance(part, int):
            assert isinstance(found, list)
            found = found[part]
        else:
            found = found[part] if isinstance(found, dict) else getattr(found, part)
    assert found == value


@pytest.mark.parametrize(
    ("field", "typed", "text"),
    [
        ("outcom", "x", "there is no 'outcom'; expected one of: version, id, rider"),
        ("trials.3.notes", "x", "there is no '3'; expected one of: 0 to 0"),
        ("rider.born", "soon", "rider.born: expected a valid date"),
        ("closed", "perhaps", "closed: expected a valid boolean"),
        ("answers.inseam", "83", "inseam: expected a number from 500 to 1150 mm, found '83'"),
        ("answers.inseam", "long", "expected a number from 500 to 1150 mm, found 'long'"),
        ("answers.knees", "2", "no question is named 'knees'; expected one of: goals"),
        ("answers.pain_now", "ear", "expected any of these, with ';' between them: none; neck"),
        ("answers.foot_arch", "flat", "expected one of: low; medium; high"),
        ("answers.fitted_before", "maybe", "expected yes or no, found 'maybe'"),
        ("before.saddle_height", "71", "expected 300 to 1000 mm, found 71. If it is right, widen"),
        ("before.saddle_height", "high", "expected a number of mm, found 'high'"),
        ("before.sadle", "1", "no dimension or part is named 'sadle'"),
        ("discipline", "road", "no discipline is named 'road'"),
        ("rider.id", "x", "rider.id cannot be set"),
        ("pictures", "[]", "pictures cannot be set"),
    ],
)
def test_what_cannot_be_is_said(known: Definitions, field: str, typed: str, text: str) -> None:
    with pytest.raises(ValueError, match=text.replace(".", r"\.")):
        with_field(a_session(), field, typed, known)


def test_answers_to_questions_that_are_gone_stay_and_can_be_removed(known: Definitions) -> None:
    session = a_session(interview={"asked_once": "yes", "goals": ["comfort"]})
    changed = answered(session, {"hours_a_week": 5}, known)
    assert changed.interview["asked_once"] == "yes"
    assert changed.interview["hours_a_week"] == 5.0
    assert "asked_once" not in answered(changed, {"asked_once": ""}, known).interview
    assert "goals" not in answered(changed, {"goals": None}, known).interview
    with pytest.raises(ValueError, match="no question is named 'asked_once'"):
        answered(session, {"asked_once": "no"}, known)


def test_dimensions_are_taken_away_too(known: Definitions) -> None:
    session = measured(a_session(), "after", {"saddle_height": 712, "saddle": "Example"}, known)
    emptied = measured(session, "after", {"saddle_height": "", "saddle": None}, known)
    assert emptied.set_up_after == SetUp(taken=BEGAN)


def test_a_set_up_of_another_day_was_taken_on_that_day(known: Definitions) -> None:
    for began in (datetime.now(UTC), datetime(2025, 10, 1, 9, 0, tzinfo=UTC)):
        session = a_session(began=began, set_up_before=None)
        for place in ("before", "after"):
            session = with_field(session, f"{place}.stack", "565", known)
        for set_up in (session.set_up_before, session.set_up_after):
            assert set_up is not None
            assert set_up.taken.date() == began.astimezone(set_up.taken.tzinfo).date()
    assert session.set_up_before is not None
    assert session.set_up_before.taken == began


def test_a_document_from_an_editor(known: Definitions) -> None:
    session = a_session()
    text = session.model_dump_json(indent=1)
    assert from_text(text.replace("better", "well"), session).outcome == "well"
    for wrong, said in [
        (text[:-1], "expected JSON, found"),
        ("{}", "rider: expected Field required"),
        (text.replace('"closed": false', '"closed": 7'), "closed: expected a valid boolean"),
        (text.replace(session.rider.id, "0" * 32), "keeps its id and its rider"),
    ]:
        with pytest.raises(ValueError, match=said):
            from_text(wrong, session)
    del known


def test_sections_of_a_file_of_answers() -> None:
    assert read_sections({"before": {"a": 1}}, "f") == {
        "answers": {}, "before": {"a": 1}, "after": {},
    }  # fmt: skip
    wrongs: list[dict[str, object]] = [{"answer": {}}, {"answers": 3}]
    for wrong in wrongs:
        with pytest.raises(DefinitionError, match=r"f: answers?: expected the tables answers"):
            read_sections(wrong, "f")


def number(mean: float | None, se: float | None, n: int, measure: str = "knee_flexion") -> Number:
    return Number(
        measure=measure, side="L", event="bdc", crank_deg=180, unit="deg", n=n, mean=mean,
        sd=None, se=se, ci95=None, band=None, verdict="unknown",
    )  # fmt: skip


def test_the_interval_of_a_difference_is_welchs() -> None:
    chance = np.random.default_rng(3)
    for _ in range(20):
        one = chance.normal(35, chance.uniform(0.5, 3), int(chance.integers(3, 80)))
        other = chance.normal(33, chance.uniform(0.5, 3), int(chance.integers(3, 80)))
        pair = [
            number(float(x.mean()), float(x.std(ddof=1) / len(x) ** 0.5), len(x))
            for x in (one, other)
        ]
        low, high = stats.ttest_ind(other, one, equal_var=False).confidence_interval(0.95)
        (change,) = changed_numbers(
            Trial(number=0, numbers=[pair[0]]), Trial(number=1, numbers=[pair[1]])
        )
        assert change.by == pytest.approx((low + high) / 2)
        assert change.half_width == pytest.approx((high - low) / 2)
    assert half_width(number(1.0, None, 5), number(1.0, 0.1, 5)) is None
    assert half_width(number(1.0, 0.1, 1), number(1.0, 0.1, 5)) is None
    assert half_width(number(1.0, 0.0, 5), number(1.0, 0.0, 5)) == 0.0


def test_only_what_both_have_is_compared() -> None:
    before = Trial(number=0, numbers=[number(1.0, 0.1, 9), number(2.0, 0.1, 9, "hip_angle")])
    after = Trial(number=1, numbers=[number(None, None, 0)])
    (change,) = changed_numbers(before, after)
    assert (change.before, change.after, change.by, change.half_width) == (1.0, None, None, None)
    first = SetUp(taken=BEGAN, dimensions={"a": Taken(value=1, unit="mm")})
    second = SetUp(
        taken=BEGAN, dimensions={"b": Taken(value=2, unit="mm"), "a": Taken(value=4, unit="mm")}
    )
    assert [(each.name, each.by) for each in changed_dimensions(first, second)] == [
        ("a", 3.0), ("b", None),
    ]  # fmt: skip
    assert changed_dimensions(None, None) == []
    wrong = SetUp(taken=BEGAN, dimensions={"a": Taken(value=1, unit="deg")})
    with pytest.raises(ValueError, match="a is in mm before and in deg after"):
        changed_dimensions(first, wrong)


def test_which_trial_stands_for_what() -> None:
    trials = [Trial(number=k).model_dump() for k in (3, 5, 8)]
    session = a_session(trials=trials)
    assert standing_for(session, "before") == session.trials[0]
    assert standing_for(session, "after") == session.trials[2]
    chosen = FitSession.model_validate({**session.model_dump(), "before": 5, "after": 9})
    assert standing_for(chosen, "before") == session.trials[1]
    assert standing_for(chosen, "after") is None
    assert standing_for(a_session(trials=[]), "before") is None


def test_ten_trials_stay_below_two_megabytes() -> None:
    """150 numbers, 60 cycles of 37 values, and the pose of 40 markers, to the thousandth."""
    chance = np.random.default_rng(1)

    def values(count: int) -> list[float]:
        return [float(x) for x in chance.normal(35, 10, count).round(3)]

    def trial(k: int) -> dict[str, object]:
        numbers = [
            {
                "measure": "knee_frontal_excursion", "side": "L", "event": "crank_112_5",
                "crank_deg": 112.5, "unit": "deg", "n": 100, "mean": a, "sd": b, "se": c,
                "ci95": (d, d + 1), "band": (33.0, 43.0), "verdict": "within",
            }
            for a, b, c, d in zip(*(values(150) for _ in range(4)), strict=True)
        ]  # fmt: skip
        cycles = [
            {"measure": "knee_flexion", "side": "L", "n": 100, "mean": values(37), "sd": values(37)}
            for _ in range(60)
        ]
        pose = {
            "labels": [f"L_M{m}" for m in range(40)],
            "positions": [[values(3) for _ in range(40)] for _ in range(37)],
        }
        return {"number": k, "numbers": numbers, "cycles": cycles, "pose": pose}

    session = a_session(trials=[trial(k) for k in range(10)])
    assert len(session.trials[9].numbers) == 150
    size = len(session.model_dump_json().encode())
    assert 500_000 < size < 2_000_000
