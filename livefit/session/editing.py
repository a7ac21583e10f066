"""Answers, dimensions and other fields of a session, set by name from what a person typed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from pydantic import ValidationError

from livefit.definitions import DefinitionError, Definitions, Question
from livefit.definitions.interview import number_of
from livefit.session.models import FitSession, SetUp, Taken, first_fault

FIXED = ("id", "version", "rider.id", "bicycle.id", "bicycle.rider", "pictures", "recordings")
"""What stays as it is, or has a command of its own."""


def now() -> datetime:
    """Return the present moment, to the second, in this machine's zone."""
    return datetime.now(UTC).astimezone().replace(microsecond=0)


def refuse_closed(session: FitSession) -> None:
    """Raise ``ValueError`` if a session is closed: but for notes and follow-ups it stays."""
    if session.closed:
        which = session.id[:8]
        raise ValueError(
            f"{which} is closed: notes and follow-ups can be added, and nothing else changed. "
            f"To change it: livefit session reopen {which}"
        )


def answered(
    session: FitSession, given: Mapping[str, object], definitions: Definitions
) -> FitSession:
    """Return the session with answers, by question; None or an empty text takes one away.

    Raises
    ------
    ValueError
        If there is no such question, or the answer is not what it wants.
    """
    parts = {"interview": dict(session.interview), "examination": dict(session.examination)}
    for name, answer in given.items():
        asked = [question for question in definitions.questions if question.name == name]
        if answer is None or answer == "":
            for answers in parts.values():
                answers.pop(name, None)
            continue
        question: Question = asked[0] if asked else definitions.question(name)
        parts[question.part][name] = question.reply(answer)
    return _checked({**session.model_dump(), **parts})


def taken_at(session: FitSession) -> datetime:
    """When a set-up that is typed now was taken: now, or when a session of another day began."""
    moment = now()
    return moment if session.began.astimezone().date() == moment.date() else session.began


def measured(
    session: FitSession,
    place: str,
    given: Mapping[str, object],
    definitions: Definitions,
) -> FitSession:
    """Return the session with dimensions and parts of a set-up, by name; empty takes one away.

    ``place`` is ``before`` or ``after``.

    Raises
    ------
    ValueError
        If there is no such dimension or part, or the value cannot be.
    """
    field = f"set_up_{place}"
    was: SetUp = getattr(session, field) or SetUp(taken=taken_at(session))
    dimensions, parts = dict(was.dimensions), dict(was.parts)
    for name, value in given.items():
        if value is None or value == "":
            dimensions.pop(name, None)
            parts.pop(name, None)
            continue
        entry = definitions.set_up_entry(name)
        if entry.unit == "words":
            parts[name] = str(value)
            continue
        number = number_of(str(value))
        if number is None:
            raise ValueError(f"{name}: expected a number of {entry.unit}, found {value!r}")
        dimensions[name] = Taken(value=entry.check(number), unit=entry.unit)
    try:
        made = SetUp.model_validate({**was.model_dump(), "dimensions": dimensions, "parts": parts})
    except ValidationError as error:
        raise _plain(error) from error
    return session.model_copy(update={field: made})


def with_field(session: FitSession, path: str, text: str, definitions: Definitions) -> FitSession:
    """Return the session with one field set.

    Parameters
    ----------
    path
        ``answers.QUESTION``, ``before.NAME`` and ``after.NAME`` for dimensions and parts, or a
        field of the document: ``outcome``, ``rider.name``, ``trials.0.notes``.
    text
        What was typed; nothing: the field is emptied.

    Raises
    ------
    ValueError
        If there is no such field, or the value is not what it wants.
    """
    place, _, name = path.partition(".")
    if place == "answers":
        return answered(session, {name: text}, definitions)
    if place in ("before", "after") and name:
        return measured(session, place, {name: text}, definitions)
    if any(path == fixed or path.startswith(f"{fixed}.") for fixed in FIXED):
        raise ValueError(f"{path} cannot be set: it stays as it is, or has a command of its own")
    if path in ("discipline", "bicycle.discipline"):
        definitions.discipline(text)
    document = session.model_dump(mode="json")
    holder: Any = document
    *above, last = path.split(".")
    for part in above:
        holder = _inside(holder, part, path)
    _inside(holder, last, path)
    key = int(last) if isinstance(holder, list) else last
    holder[key] = _typed(holder[key], text)
    try:
        return _checked(document)
    except ValueError:
        if text:
            raise
    holder[key] = None
    return _checked(document)


def _inside(holder: Any, part: str, path: str) -> Any:
    if isinstance(holder, dict) and part in holder:
        return holder[part]
    if isinstance(holder, list) and part.isdigit() and int(part) < len(holder):
        return holder[int(part)]
    there = (
        ", ".join(holder)
        if isinstance(holder, dict)
        else f"0 to {len(holder) - 1}"
        if isinstance(holder, list) and holder
        else "nothing"
    )
    raise ValueError(f"{path}: there is no {part!r}; expected one of: {there}")


def _typed(was: Any, text: str) -> Any:
    """Read what was typed as what stands there: text as text, anything else as JSON."""
    if isinstance(was, str) or not text:
        return text
    try:
        return json.loads(text)
    except ValueError:
        return text


def from_text(text: str, was: FitSession) -> FitSession:
    """Return the session that a person's editor has left.

    Raises
    ------
    ValueError
        If it is no JSON, no session, or another one.
    """
    try:
        document = json.loads(text)
    except ValueError as error:
        raise ValueError(f"expected JSON, found: {error}") from error
    changed = _checked(document)
    if (changed.id, changed.rider.id) != (was.id, was.rider.id):
        raise ValueError("a session keeps its id and its rider")
    return changed


def _checked(document: Mapping[str, Any]) -> FitSession:
    try:
        return FitSession.model_validate(document)
    except ValidationError as error:
        raise _plain(error) from error


def _plain(error: ValidationError) -> ValueError:
    """What a person can read of it."""
    first = first_fault(error)
    where = ".".join(str(part) for part in first["loc"])
    wanted = first["msg"].removeprefix("Input should be ")
    return ValueError(f"{where}: expected {wanted}, found {first['input']!r}")


def read_sections(document: Mapping[str, Any], name: str) -> dict[str, dict[str, Any]]:
    """Return the sections of a file of answers: ``answers``, ``before``, ``after``.

    Raises
    ------
    DefinitionError
        If there is another, or one is no table.
    """
    sections = ("answers", "before", "after")
    for key, value in document.items():
        if key not in sections or not isinstance(value, dict):
            raise DefinitionError(
                f"{name}: {key}: expected the tables {', '.join(sections)}, found {value!r:.60}"
            )
    return {section: dict(document.get(section, {})) for section in sections}
