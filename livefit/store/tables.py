"""Sessions as plain tables, one row for each thing, for export and for pooling."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final, Literal

from livefit.session.models import FitSession, SetUp

Kind = Literal["text", "real", "count", "yes_no"]
Rows = dict[str, list[dict[str, Any]]]

TABLES: Final = 1
"""Version of the tables: columns are added at the end, and none changes its meaning."""

_WHO: Final[dict[str, Kind]] = {"session": "text", "rider": "text", "studio": "text"}
COLUMNS: Final[dict[str, dict[str, Kind]]] = {
    "sessions": _WHO
    | {
        "name": "text",
        "born": "text",
        "began": "text",
        "fitter": "text",
        "discipline": "text",
        "bicycle": "text",
        "closed": "yes_no",
        "trials": "count",
        "follow_ups": "count",
    },
    "numbers": _WHO
    | {
        "trial": "count",
        "role": "text",
        "measure": "text",
        "side": "text",
        "event": "text",
        "crank_deg": "real",
        "unit": "text",
        "n": "count",
        "mean": "real",
        "sd": "real",
        "se": "real",
        "low": "real",
        "high": "real",
        "band_low": "real",
        "band_high": "real",
        "verdict": "text",
    },
    "set_up": _WHO
    | {
        "role": "text",
        "dimension": "text",
        "value": "real",
        "unit": "text",
        "half_width": "real",
        "how": "text",
    },
    "answers": _WHO
    | {"part": "text", "question": "text", "number": "real", "yes_no": "yes_no", "words": "text"},
    "adjustments": _WHO
    | {"trial": "count", "part": "text", "amount": "real", "unit": "text", "measured": "real"},
}
"""The columns of each table, in their order."""


def tables(sessions: Iterable[FitSession]) -> Rows:
    """Return the tables of several sessions.

    ``role`` says whether a trial stands for ``before`` or ``after``, or lies ``between``; a choice
    of several is one row each.
    """
    found: Rows = {name: [] for name in COLUMNS}
    for session in sessions:
        who = {
            "session": session.id, "rider": session.rider.id, "studio": session.studio,
        }  # fmt: skip
        found["sessions"].append(who | _session(session))
        for name, rows in (
            ("numbers", _numbers(session)),
            ("set_up", _set_ups(session)),
            ("answers", _answers(session)),
            ("adjustments", _adjustments(session)),
        ):
            found[name] += [who | row for row in rows]
    return found


def role(session: FitSession, number: int) -> Literal["before", "after", "between"]:
    """Return what a trial, given by its number, stands for."""
    numbers = [trial.number for trial in session.trials]
    before = numbers[0] if session.before is None else session.before
    after = numbers[-1] if session.after is None else session.after
    return "before" if number == before else "after" if number == after else "between"


def _session(session: FitSession) -> dict[str, Any]:
    rider, bicycle = session.rider, session.bicycle
    return {
        "name": rider.name,
        "born": None if rider.born is None else rider.born.isoformat(),
        "began": session.began.isoformat(),
        "fitter": session.fitter,
        "discipline": session.discipline,
        "bicycle": None if bicycle is None else bicycle.id,
        "closed": session.closed,
        "trials": len(session.trials),
        "follow_ups": len(session.follow_ups),
    }


def _numbers(session: FitSession) -> Iterator[dict[str, Any]]:
    for trial in session.trials:
        stands_for = role(session, trial.number)
        for number in trial.numbers:
            row = number.model_dump(exclude={"ci95", "band"})
            low, high = number.ci95 or (None, None)
            band_low, band_high = number.band or (None, None)
            yield row | {
                "trial": trial.number, "role": stands_for, "low": low, "high": high,
                "band_low": band_low, "band_high": band_high,
            }  # fmt: skip


def _set_ups(session: FitSession) -> Iterator[dict[str, Any]]:
    found: tuple[tuple[str, SetUp | None], ...] = (
        ("before", session.set_up_before),
        ("after", session.set_up_after),
    )
    for stands_for, set_up in found:
        for name, taken in (set_up.dimensions if set_up is not None else {}).items():
            yield {"role": stands_for, "dimension": name, **taken.model_dump()}


def _answers(session: FitSession) -> Iterator[dict[str, Any]]:
    parts = (("interview", session.interview), ("examination", session.examination))
    for part, answers in parts:
        for question, answer in answers.items():
            for one in answer if isinstance(answer, list) else [answer]:
                yield {
                    "part": part,
                    "question": question,
                    "number": one if isinstance(one, float) else None,
                    "yes_no": one if isinstance(one, bool) else None,
                    "words": one if isinstance(one, str) else None,
                }


def _adjustments(session: FitSession) -> Iterator[dict[str, Any]]:
    for trial in session.trials:
        for adjustment in trial.adjustments:
            yield {
                "trial": trial.number,
                "part": adjustment.part,
                "amount": adjustment.amount,
                "unit": adjustment.unit,
                "measured": adjustment.measured.value if adjustment.measured else None,
            }
