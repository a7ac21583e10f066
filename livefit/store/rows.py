"""Documents to rows and back; what is looked for as conditions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, TypeVar

import sqlalchemy as sa
from pydantic import BaseModel, ValidationError
from sqlalchemy.engine import Connection, RowMapping
from sqlalchemy.exc import IntegrityError

from livefit.session.models import Bicycle, FitSession, Person, first_fault
from livefit.store.errors import ConflictError, StoreError
from livefit.store.schema import BICYCLE, RIDER, SESSION, now, sought, utc

_Model = TypeVar("_Model", bound=BaseModel)
Values = dict[str, Any]


@dataclass(frozen=True)
class Loaded:
    """A session as it was read, with the revisions that it, its rider and its bicycle had."""

    session: FitSession
    revision: int
    rider_revision: int
    bicycle_revision: int | None


@dataclass(frozen=True)
class Line:
    """One session in a list."""

    id: str
    rider: str
    rider_id: str
    bicycle: str
    day: date
    discipline: str
    fitter: str
    closed: bool


@dataclass(frozen=True)
class Wanted:
    """Which sessions are looked for; what is None does not matter.

    Names are found by any part of them, without capitals and accents; ``text`` anywhere in what
    was written down, where SQLite knows capitals of a to z only.
    """

    rider: str | None = None
    rider_id: str | None = None
    bicycle: str | None = None
    discipline: str | None = None
    fitter: str | None = None
    since: date | None = None
    until: date | None = None
    closed: bool | None = None
    text: str | None = None


def rider_values(rider: Person) -> Values:
    """Return the columns of a rider."""
    document = rider.model_dump(mode="json")
    return {"name": rider.name, "sought": sought(rider.name), "document": document}


def bicycle_values(bicycle: Bicycle) -> Values:
    """Return the columns of a bicycle."""
    document = bicycle.model_dump(mode="json")
    found = sought(f"{bicycle.name} {bicycle.frame}")
    return {"rider": bicycle.rider, "sought": found, "document": document}


def session_values(session: FitSession) -> Values:
    """Return the columns of a session; the document is without its rider and bicycle.

    Raises
    ------
    StoreError
        If the bicycle is another rider's.
    """
    bicycle = session.bicycle
    if bicycle is not None and bicycle.rider != session.rider.id:
        raise StoreError(
            f"the bicycle {bicycle.name!r} belongs to another rider ({bicycle.rider[:8]}) than "
            f"the session ({session.rider.id[:8]})"
        )
    return {
        "rider": session.rider.id,
        "bicycle": None if bicycle is None else bicycle.id,
        "began": utc(session.began),
        "day": session.began.date(),
        "discipline": session.discipline,
        "closed": session.closed,
        "fitter": session.fitter,
        "studio": session.studio,
        "document": session.model_dump(mode="json", exclude={"rider", "bicycle"}),
    }


def there(connection: Connection, table: sa.Table, found: str) -> bool:
    """Return whether a table has a row of this id."""
    return connection.execute(sa.select(table.c.id).where(table.c.id == found)).first() is not None


def owned(connection: Connection, bicycle: Bicycle) -> bool:
    """Return whether a bicycle is in the store.

    Raises
    ------
    StoreError
        If it is there, but is another rider's.
    """
    row = connection.execute(sa.select(BICYCLE.c.rider).where(BICYCLE.c.id == bicycle.id)).first()
    if row is not None and row[0] != bicycle.rider:
        raise StoreError(
            f"the bicycle {bicycle.name!r} ({bicycle.id[:8]}) is another rider's in this store"
        )
    return row is not None


def insert(
    connection: Connection, table: sa.Table, found: str, values: Values, called: str
) -> None:
    """Add a row.

    Raises
    ------
    StoreError
        If there is one of this id.
    """
    try:
        connection.execute(sa.insert(table).values(id=found, revision=1, changed=now(), **values))
    except IntegrityError as error:
        raise StoreError(
            f"the {table.name} {called} ({found[:8]}) is in the store already"
        ) from error


def update(
    connection: Connection, table: sa.Table, found: str, values: Values, revision: int
) -> None:
    """Change a row that still has the revision at which it was read.

    Raises
    ------
    ConflictError
        If it has another, or is gone.
    """
    changed = connection.execute(
        sa.update(table)
        .where(table.c.id == found, table.c.revision == revision)
        .values(revision=revision + 1, changed=now(), **values)
    )
    if changed.rowcount == 1:
        return
    row = connection.execute(
        sa.select(table.c.revision, table.c.changed).where(table.c.id == found)
    ).first()
    if row is None:
        raise ConflictError(f"the {table.name} {found[:8]} was deleted; nothing was written")
    raise ConflictError(
        f"the {table.name} {found[:8]} was changed by another at {row[1]:%H:%M:%S} UTC (revision "
        f"{row[0]}, yours was {revision}). Nothing was written: look at it, then change it anew"
    )


def loaded(row: RowMapping) -> Loaded:
    """Return a session, put together from its row, its rider's and its bicycle's."""
    whole = {**row["session"], "rider": row["rider"], "bicycle": row["bicycle"]}
    session = parsed(FitSession, whole)
    return Loaded(session, row["revision"], row["rider_revision"], row["bicycle_revision"])


def parsed(model: type[_Model], document: Mapping[str, Any]) -> _Model:
    """Return what a document says.

    Raises
    ------
    StoreError
        If it is not of the form that this version of the program knows.
    """
    try:
        return model.model_validate(document)
    except ValidationError as error:
        first = first_fault(error)
        where = ".".join(str(part) for part in first["loc"])
        raise StoreError(
            f"the document {str(document.get('id', ''))[:8]} cannot be read: {where}: "
            f"{first['msg']}. If a newer version of the program wrote it, use that one"
        ) from error


def conditions(wanted: Wanted) -> list[sa.ColumnElement[bool]]:
    """Return what must hold of a row of sessions, riders and bicycles joined."""
    found: list[sa.ColumnElement[bool]] = []
    if wanted.rider is not None:
        found.append(RIDER.c.sought.contains(sought(wanted.rider), autoescape=True))
    if wanted.rider_id is not None:
        found.append(SESSION.c.rider == wanted.rider_id)
    if wanted.bicycle is not None:
        found.append(BICYCLE.c.sought.contains(sought(wanted.bicycle), autoescape=True))
    if wanted.discipline is not None:
        found.append(SESSION.c.discipline == wanted.discipline)
    if wanted.fitter is not None:
        found.append(SESSION.c.fitter.icontains(wanted.fitter, autoescape=True))
    if wanted.since is not None:
        found.append(SESSION.c.day >= wanted.since)
    if wanted.until is not None:
        found.append(SESSION.c.day <= wanted.until)
    if wanted.closed is not None:
        found.append(SESSION.c.closed == wanted.closed)
    if wanted.text is not None:
        found.append(_anywhere(wanted.text))
    return found


def _anywhere(text: str) -> sa.ColumnElement[bool]:
    written = [sa.cast(table.c.document, sa.Text) for table in (SESSION, RIDER, BICYCLE)]
    named = [table.c.sought.contains(sought(text), autoescape=True) for table in (RIDER, BICYCLE)]
    return sa.or_(*named, *(column.icontains(text, autoescape=True) for column in written))
