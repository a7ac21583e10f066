"""Sessions written for other programs: JSON, CSV, Parquet."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final, Literal

from livefit.session.models import FitSession
from livefit.store.errors import StoreError
from livefit.store.files import check_name, private, written
from livefit.store.tables import COLUMNS, TABLES, Rows, tables

Form = Literal["json", "csv", "parquet"]
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def write_export(sessions: Iterable[FitSession], directory: Path, form: Form) -> list[Path]:
    """Write sessions into a directory: one JSON document each, or five tables.

    Raises
    ------
    StoreError
        If a file is there already or cannot be written, or Parquet is not installed; then no
        directory is made.
    """
    if form == "parquet" and find_spec("pyarrow") is None:
        raise StoreError(
            "Parquet needs pyarrow: in livefit's own directory pip install '.[pooling]'; "
            "or choose --as csv or --as json"
        )
    private(directory)
    if form == "json":
        return [_written(directory / f"{one.id}.json", json_of(one)) for one in sessions]
    rows = tables(sessions)
    if form == "csv":
        return [_written(directory / f"{name}.csv", csv_of(rows, name)) for name in COLUMNS]
    return [_written(directory / f"{name}.parquet", parquet_of(rows, name)) for name in COLUMNS]


def json_of(session: FitSession) -> bytes:
    """Return a session's document."""
    return session.model_dump_json(indent=1).encode() + b"\n"


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a session's document."""
    schema = FitSession.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def json_schema_text() -> str:
    """Return the JSON Schema as text."""
    return json.dumps(json_schema(), indent=1)


def csv_of(rows: Rows, name: str) -> bytes:
    """Return one table as CSV (RFC 4180); nothing stands where nothing is known.

    A text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(COLUMNS[name])
    for row in rows[name]:
        writer.writerow([_cell(row.get(column)) for column in COLUMNS[name]])
    return text.getvalue().encode()


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and value.startswith(_FORMULA):
        return f"'{value}"
    return value


def parquet_of(rows: Rows, name: str) -> bytes:
    """Return one table as Parquet; pyarrow must be installed."""
    import pyarrow
    from pyarrow import parquet

    types = {
        "text": pyarrow.string(),
        "real": pyarrow.float64(),
        "count": pyarrow.int64(),
        "yes_no": pyarrow.bool_(),
    }
    schema = pyarrow.schema(
        [(column, types[kind]) for column, kind in COLUMNS[name].items()],
        metadata={"livefit.tables": str(TABLES)},
    )
    buffer = io.BytesIO()
    parquet.write_table(pyarrow.Table.from_pylist(rows[name], schema=schema), buffer)
    return buffer.getvalue()


def _written(path: Path, data: bytes) -> Path:
    check_name(path.name)
    with written(path) as file:
        file.write(data)
    return path
