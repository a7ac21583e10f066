"""A session without anything that says whose it is.

What is kept is chosen, not what is left out: a session is built anew from values of which it is
known what they can hold. Numbers in fixed units, names from the definitions and answers out of a
list are kept; whatever a person could have typed freely is not. Names are replaced by keyed
pseudonyms (HMAC-SHA-256, RFC 2104): the same rider has the same one in every export under the
same key, and nobody without the key can tell whose it is. Poses are left out, for a body and the
way it moves can be recognised.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Final, Literal

from livefit.definitions import Definitions, Question
from livefit.session.models import (
    Adjustment,
    Answer,
    Bicycle,
    Crank,
    Cycle,
    FitSession,
    FollowUp,
    Number,
    Person,
    SetUp,
    Taken,
    Trial,
)
from livefit.store.errors import StoreError
from livefit.store.files import written

Dates = Literal["shift", "year"]

KEY_FILE: Final = "pseudonym.key"
KEY_BYTES: Final = 32
MOST_SHIFT: Final = 182
"""Days: a date stays within half a year of the true one."""
OLDEST: Final = 89
"""Years. Too few are older to give a year of birth (45 CFR 164.514(b)(2)(i)(C))."""
_DAY: Final = timedelta(days=1)


def read_key(path: Path) -> bytes:
    """Return the key in a file; one is made if there is none.

    Raises
    ------
    StoreError
        If the file holds none, or cannot be written.
    """
    if not path.exists():
        with written(path) as file:
            file.write(secrets.token_hex(KEY_BYTES).encode() + b"\n")
    try:
        key = bytes.fromhex(path.read_text(encoding="ascii").strip())
    except (ValueError, OSError) as error:
        raise StoreError(f"{path}: expected a key of {2 * KEY_BYTES} hexadecimal digits") from error
    if len(key) != KEY_BYTES:
        raise StoreError(
            f"{path}: expected a key of {2 * KEY_BYTES} hexadecimal digits, found {2 * len(key)}"
        )
    return key


class Pseudonyms:
    """Takes names out of sessions.

    Parameters
    ----------
    key
        32 secret bytes.
    definitions
        What the names of measures, questions, dimensions... can be.
    dates
        ``shift``: each rider's dates by the same number of days, so that the time between two
        sessions stays; ``year``: only the year is kept.
    """

    def __init__(self, key: bytes, definitions: Definitions, *, dates: Dates = "shift") -> None:
        if len(key) != KEY_BYTES:
            raise StoreError(f"expected a key of {KEY_BYTES} bytes, found {len(key)}")
        self._key = key
        self._dates = dates
        self._questions = {question.name: question for question in definitions.questions}
        self._disciplines = {one.name for one in definitions.disciplines}
        self._adjustments = {one.name for one in definitions.adjustments}
        self._dimensions = {one.name for one in definitions.set_up if one.unit != "words"}
        self._measures = {one.name for one in definitions.measures}
        self._events = {event for one in definitions.measures for event in one.events}

    def name(self, kind: str, true: str) -> str:
        """Return the pseudonym of a thing: 32 hexadecimal digits, empty for nothing."""
        return self._digest(kind, true).hex()[:32] if true else ""

    def _digest(self, kind: str, true: str) -> bytes:
        return hmac.digest(self._key, f"{kind}:{true}".encode(), "sha256")

    def session(self, session: FitSession) -> FitSession:
        """Return the session without anything that says whose it is."""
        rider = session.rider
        born = rider.born
        if born is not None and session.began.year - born.year > OLDEST:
            born = None
        who = Person(
            id=self.name("rider", rider.id),
            name=f"rider {self.name('rider', rider.id)[:8]}",
            born=None if born is None else date(born.year, 1, 1),
        )
        bicycle = session.bicycle
        return FitSession(
            id=self.name("session", session.id),
            rider=who,
            bicycle=None
            if bicycle is None
            else Bicycle(
                id=self.name("bicycle", bicycle.id),
                rider=who.id,
                name="bicycle",
                discipline=self._known(bicycle.discipline, self._disciplines),
            ),
            began=self._moment(session.began, rider.id),
            fitter=self.name("fitter", session.fitter),
            studio=self.name("studio", session.studio),
            discipline=self._known(session.discipline, self._disciplines),
            interview=self._answers(session.interview),
            examination=self._answers(session.examination),
            set_up_before=self._set_up(session.set_up_before, rider.id),
            set_up_after=self._set_up(session.set_up_after, rider.id),
            trials=[self._trial(trial, rider.id) for trial in session.trials],
            before=session.before,
            after=session.after,
            follow_ups=[
                FollowUp(on=self._moment(_midnight(one.on), rider.id).date(), text="")
                for one in session.follow_ups
            ],
            closed=session.closed,
        )

    def _known(self, name: str, names: Iterable[str]) -> str:
        return name if name in names else "other"

    def _moment(self, moment: datetime, rider: str) -> datetime:
        """Return another day for a moment; its time of day is left out."""
        if self._dates == "year":
            return datetime(moment.year, 1, 1, tzinfo=UTC)
        raw = int.from_bytes(self._digest("days", rider)[:8], "big")
        days = 1 + raw % MOST_SHIFT
        shift = days if raw >> 63 else -days
        return _midnight(moment.date()) + shift * _DAY

    def _answers(self, answers: Mapping[str, Answer]) -> dict[str, Answer]:
        return {
            name: answer
            for name, answer in answers.items()
            if name in self._questions and _tells_nothing(self._questions[name], answer)
        }

    def _set_up(self, set_up: SetUp | None, rider: str) -> SetUp | None:
        if set_up is None:
            return None
        dimensions = {
            name: _taken(taken)
            for name, taken in set_up.dimensions.items()
            if name in self._dimensions
        }
        return SetUp(taken=self._moment(set_up.taken, rider), dimensions=dimensions)

    def _trial(self, trial: Trial, rider: str) -> Trial:
        return Trial(
            number=trial.number,
            began=None if trial.began is None else self._moment(trial.began, rider),
            seconds=trial.seconds,
            sides=trial.sides,
            adjustments=[
                Adjustment(
                    part=self._known(one.part, self._adjustments),
                    amount=one.amount,
                    unit=one.unit,
                    mark=one.mark,
                    measured=None if one.measured is None else _taken(one.measured),
                )
                for one in trial.adjustments
            ],
            cadence_rpm=trial.cadence_rpm,
            workload_w=trial.workload_w,
            numbers=[
                Number(**one.model_dump(include=_NUMBER))
                for one in trial.numbers
                if one.measure in self._measures and one.event in self._events
            ],
            cycles=[
                Cycle(**one.model_dump(include=_CYCLE))
                for one in trial.cycles
                if one.measure in self._measures
            ],
            cranks=[Crank(**one.model_dump(include=_CRANK)) for one in trial.cranks],
        )


_NUMBER: Final = {
    "measure", "side", "event", "crank_deg", "unit", "n", "mean", "sd", "se", "ci95", "band",
    "verdict",
}  # fmt: skip
_CYCLE: Final = {"measure", "side", "n", "mean", "sd"}
_CRANK: Final = {"side", "length_mm", "length_se_mm", "spindle_mm"}


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=UTC)


def _taken(taken: Taken) -> Taken:
    return Taken(value=taken.value, unit=taken.unit, half_width=taken.half_width, how=taken.how)


def _tells_nothing(question: Question, answer: Answer) -> bool:
    """Return whether an answer can be no free text and is not personal."""
    if question.personal or question.kind == "text":
        return False
    try:
        question.reply(answer)
    except ValueError:
        return False
    return True
