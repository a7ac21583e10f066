"""Nothing that a person could have typed is left, and the same rider stays the same.

The pseudonym is computed here by hand, block by block as RFC 2104 writes HMAC, with plain SHA-256.
"""

from __future__ import annotations

import hashlib
import stat
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin

import pytest
from pydantic import BaseModel

from livefit.definitions import Definitions
from livefit.session.models import Bicycle, FitSession, FollowUp, Person
from livefit.store.errors import StoreError
from livefit.store.pseudonym import KEY_BYTES, Dates, Pseudonyms, read_key
from tests.store.store_examples import BEGAN, a_session

KEY = bytes(range(KEY_BYTES))
SECRET = "sesame_zq"


def stuffed(kind: Any) -> Any:
    """A value of a type, with the secret in every text that the type allows."""
    origin, inner = get_origin(kind), get_args(kind)
    if origin is Literal:
        return inner[0]
    if origin in (Union, UnionType):
        texts = [one for one in inner if one is str or get_args(one)[:1] == (str,)]
        return stuffed(texts[0] if texts else next(one for one in inner if one is not NoneType))
    if origin is list:
        return [stuffed(inner[0])]
    if origin is tuple:
        return tuple(stuffed(one) for one in inner)
    if origin is dict:
        return {SECRET: stuffed(inner[1])}
    if hasattr(kind, "__metadata__"):
        return stuffed(inner[0])
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return stuffed_model(kind)
    return {
        str: SECRET, bool: True, int: 0, float: 1.0,
        datetime: BEGAN, date: date(2026, 3, 9),
    }[kind]  # fmt: skip


def stuffed_model(kind: type[BaseModel]) -> dict[str, Any]:
    return {
        name: "0" * 32 if name == "id" else stuffed(field.annotation)
        for name, field in kind.model_fields.items()
    }


def every_text() -> FitSession:
    made = stuffed_model(FitSession)
    made["bicycle"]["rider"] = "0" * 32
    made["rider"]["born"] = date(1990, 2, 3)
    return FitSession.model_validate({**made, "version": 1})


@pytest.mark.parametrize("dates", ["shift", "year"])
def test_no_text_that_a_person_could_have_typed_is_left(shipped: Definitions, dates: Dates) -> None:
    session = every_text()
    assert session.model_dump_json().count(SECRET) > 30
    found = Pseudonyms(KEY, shipped, dates=dates).session(session)
    text = found.model_dump_json()
    assert SECRET not in text
    assert "0" * 32 not in text
    for moment in ("2026-03-09", "14:05", "1990-02", "02-03"):
        assert moment not in text
    assert (found.pictures, found.recordings, found.notes) == ([], [], [])
    assert found.trials[0].pose is None


def test_what_can_be_pooled_is_kept(shipped: Definitions) -> None:
    session = a_session(
        interview={
            "goals": ["comfort"], "pain_now": ["neck"], "injuries_before": "a wrist",
            "under_treatment": True, "goal_words": "fast", "fitted_before": False,
            "years_riding": 12.0, "pain_side": f"left, says {SECRET}", "no_longer_asked": 3.0,
        },
        examination={"inseam": 830.0, "body_mass": 99999.0},
    )  # fmt: skip
    found = Pseudonyms(KEY, shipped).session(session)
    assert found.interview == {
        "goals": ["comfort"], "pain_now": ["neck"], "fitted_before": False, "years_riding": 12.0,
    }  # fmt: skip
    assert found.examination == {"inseam": 830.0}
    assert found.set_up_before is not None
    assert found.set_up_before.dimensions["saddle_height"].value == 712.0
    assert found.discipline == "road_race"
    assert found.rider.born == date(1990, 1, 1)


def hmac_by_hand(key: bytes, message: bytes) -> str:
    padded = key.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in padded) + message).digest()
    return hashlib.sha256(bytes(b ^ 0x5C for b in padded) + inner).hexdigest()


def test_pseudonyms_are_keyed_and_stable(shipped: Definitions) -> None:
    session = a_session()
    names = Pseudonyms(KEY, shipped)
    found = names.session(session)
    assert found.rider.id == hmac_by_hand(KEY, f"rider:{session.rider.id}".encode())[:32]
    assert found.studio == hmac_by_hand(KEY, b"studio:Studio")[:32]
    assert names.session(session) == Pseudonyms(KEY, shipped).session(session) == found
    other = Pseudonyms(bytes(KEY_BYTES), shipped).session(session)
    assert len({found.rider.id, other.rider.id, found.id, other.id, session.id}) == 5
    with pytest.raises(StoreError, match="expected a key of 32 bytes, found 3"):
        Pseudonyms(b"abc", shipped)


def test_time_between_sessions_stays_and_the_day_does_not(shipped: Definitions) -> None:
    names = Pseudonyms(KEY, shipped)
    shifts = set()
    for k in range(200):
        first = a_session(f"Rider {k}")
        later: dict[str, Any] = {
            "rider": first.rider.model_dump(), "bicycle": None,
            "began": BEGAN + timedelta(days=45), "follow_ups": [],
        }  # fmt: skip
        second = a_session(**later)
        one, two = names.session(first), names.session(second)
        assert two.began - one.began == timedelta(days=45)
        assert one.began.hour == one.began.minute == 0
        shift = (one.began.date() - BEGAN.date()).days
        assert (one.follow_ups[0].on - date(2026, 4, 1)).days == shift
        shifts.add(shift)
    assert 0 not in shifts
    assert len(shifts) > 100
    assert min(shifts) >= -182
    assert max(shifts) <= 182
    assert min(shifts) < -120
    assert max(shifts) > 120
    year = Pseudonyms(KEY, shipped, dates="year").session(a_session())
    assert year.began == datetime(2026, 1, 1, tzinfo=UTC)


def test_nobody_is_too_old(shipped: Definitions) -> None:
    rider = Person(name="Old Sample", born=date(1930, 1, 1))
    bicycle = Bicycle(rider=rider.id, name="x", discipline="gone")
    session = a_session(rider=rider.model_dump(), bicycle=bicycle.model_dump())
    found = Pseudonyms(KEY, shipped).session(session)
    assert found.rider.born is None
    assert found.bicycle is not None
    assert found.bicycle.discipline == "other"
    assert found.follow_ups == [FollowUp(on=found.follow_ups[0].on, text="")]


def test_a_key_is_made_once_and_private(tmp_path: Path) -> None:
    path = tmp_path / "pseudonym.key"
    key = read_key(path)
    assert len(key) == KEY_BYTES
    assert read_key(path) == key
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    path.write_text("no key")
    with pytest.raises(StoreError, match="expected a key of 64 hexadecimal digits"):
        read_key(path)
    path.write_text("00ff")
    with pytest.raises(StoreError, match="expected a key of 64 hexadecimal digits, found 4"):
        read_key(path)
