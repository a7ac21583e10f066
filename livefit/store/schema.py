"""The tables, as the newest migration leaves them: the same for SQLite and PostgreSQL.

A rider, a bicycle and a session are each kept as one document; the other columns are what they
are looked up by, and are always written together with it. A session's document holds neither its
rider nor its bicycle: these are in one place only, so that a name that is corrected is correct in
every session.
"""

from __future__ import annotations

import json
import unicodedata
from datetime import UTC, datetime
from typing import Final

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Date,
    DateTime,
    ForeignKey,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

REVISIONS: Final = ("0001", "0002")
"""Every revision that the schema has had; the last is the one in use."""
HEAD: Final = REVISIONS[-1]

METADATA = MetaData()

_ID = String(32)


def _kept() -> list[Column[object]]:
    """Columns of everything that can be changed."""
    return [
        Column("revision", Integer, nullable=False),
        Column("changed", DateTime, nullable=False),
        Column("document", JSON, nullable=False),
    ]


RIDER = Table(
    "rider",
    METADATA,
    Column("id", _ID, primary_key=True),
    Column("name", Text, nullable=False),
    Column("sought", Text, nullable=False, index=True),
    *_kept(),
)
BICYCLE = Table(
    "bicycle",
    METADATA,
    Column("id", _ID, primary_key=True),
    Column("rider", _ID, ForeignKey("rider.id"), nullable=False, index=True),
    Column("sought", Text, nullable=False),
    *_kept(),
)
SESSION = Table(
    "session",
    METADATA,
    Column("id", _ID, primary_key=True),
    Column("rider", _ID, ForeignKey("rider.id"), nullable=False, index=True),
    Column("bicycle", _ID, ForeignKey("bicycle.id"), index=True),
    Column("began", DateTime, nullable=False, index=True),
    Column("day", Date, nullable=False, index=True),
    Column("discipline", Text, nullable=False, index=True),
    Column("closed", Boolean, nullable=False),
    Column("fitter", Text, nullable=False, server_default=""),
    Column("studio", Text, nullable=False, server_default=""),
    *_kept(),
)
FILE = Table(
    "file",
    METADATA,
    Column("session", _ID, ForeignKey("session.id"), primary_key=True),
    Column("kind", String(16), primary_key=True),
    Column("name", String(160), primary_key=True),
    Column("size", BigInteger, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("added", DateTime, nullable=False),
)
TRACE = Table(
    "trace",
    METADATA,
    Column("number", Integer, primary_key=True, autoincrement=True),
    Column("at", DateTime, nullable=False),
    Column("what", String(16), nullable=False),
    Column("id", _ID, nullable=False),
    UniqueConstraint("what", "id", name="trace_once"),
)

ORDER: Final = ("rider", "bicycle", "session", "file", "trace")
"""Every table after those that it refers to."""


def sought(text: str) -> str:
    """Return what a name is looked up by: without accents and capitals.

    Examples
    --------
    >>> sought("Zoë  Ångström")
    'zoe angstrom'
    """
    plain = unicodedata.normalize("NFKD", text)
    letters = "".join(c for c in plain if not unicodedata.combining(c))
    return " ".join(letters.casefold().split())


def utc(moment: datetime) -> datetime:
    """Return a moment as it stands in the database: UTC without saying so.

    One without a zone is taken in this machine's.
    """
    return moment.astimezone(UTC).replace(tzinfo=None)


def now() -> datetime:
    """Return the present moment as it stands in the database."""
    return utc(datetime.now(UTC))


def to_json(document: object) -> str:
    """Return a document's text in the database: as short as can be, letters as they are."""
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
