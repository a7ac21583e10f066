"""Numbers from text files with rows and columns, fast, with errors that say where."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from livefit.frames import FloatArray
from livefit.sources.reading import RecordingError

CHUNK = 20_000
"""Rows that are parsed at once, and between two reports of progress."""

Progress = Callable[[float], None]
"""Is told the share that is done, 0 to 1."""


def read_lines(path: Path) -> tuple[list[str], list[str]]:
    """Return the lines of a text file without their ends, and notes.

    Raises
    ------
    RecordingError
        If the file is empty or not text.
    """
    raw = path.read_bytes()
    if not raw.strip():
        raise RecordingError(f"{path}: the file is empty; export or copy the trial again")
    if b"\0" in raw[:65536]:
        raise RecordingError(
            f"{path}: expected text, found binary data; is the file's ending right?"
        )
    notes = []
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
        notes.append("the file is not UTF-8: labels were read as Latin-1")
    lines = text.split("\n")
    return [line.removesuffix("\r") for line in lines], notes


def parse_rows(
    path: Path,
    lines: Sequence[str],
    first_line: int,
    names: Sequence[str],
    separator: str,
    progress: Progress | None = None,
) -> tuple[FloatArray, list[int]]:
    """Turn rows of numbers into an array; an empty cell is NaN.

    Parameters
    ----------
    path
        For the errors.
    lines
        The rows. Empty ones are left out, and one empty cell after the last column too.
    first_line
        Number of the first of them in the file, counted from 1.
    names
        What the columns are.
    separator
        The character between two cells.

    Returns
    -------
    tuple of FloatArray and list of int
        (rows, columns), and the number of each row's line in the file.

    Raises
    ------
    RecordingError
        If a row has too many or too few cells, a cell is not a number, or there are fewer than
        two rows.
    """
    rows = [(i, line) for i, line in enumerate(lines, first_line) if line.strip()]
    if len(rows) < 2:
        raise RecordingError(
            f"{path}: expected at least 2 rows of frames, found {len(rows)}; export the trial again"
        )
    table = np.empty((len(rows), len(names)))
    for start in range(0, len(rows), CHUNK):
        chunk = [_filled(line, len(names), separator) for _, line in rows[start : start + CHUNK]]
        try:
            parsed = np.loadtxt(chunk, delimiter=separator, comments=None, ndmin=2)
            if parsed.shape[1] != len(names):
                raise ValueError("every row of the chunk is too long or too short")
        except ValueError as error:
            raise _fault(path, rows[start:], rows[-1][0], names, separator) from error
        table[start : start + len(chunk)] = parsed
        if progress is not None:
            progress((start + len(chunk)) / len(rows))
    return table, [number for number, _ in rows]


def _filled(line: str, columns: int, separator: str) -> str:
    """Return a row with nan in its empty cells."""
    cells = line.count(separator) + 1
    if cells == columns + 1 and line.rstrip(" ").endswith(separator):
        line = line.rstrip(" ")[:-1]
    if separator * 2 in line or line.endswith(separator) or f"{separator} " in line:
        line = separator.join(cell if cell.strip() else "nan" for cell in line.split(separator))
    return line


def _fault(
    path: Path,
    rows: Sequence[tuple[int, str]],
    last_line: int,
    names: Sequence[str],
    separator: str,
) -> RecordingError:
    """Return the error for the first row that is wrong."""
    for number, line in rows:
        cells = _filled(line, len(names), separator).split(separator)
        where = f"{path}, line {number}"
        if len(cells) != len(names):
            cut = len(cells) < len(names) and number == last_line
            remedy = (
                "the file breaks off here: copy or export it again, or delete this line"
                if cut
                else "every row must have one cell for each column of the header"
            )
            return RecordingError(
                f"{where}: expected {len(names)} cells, found {len(cells)}; {remedy}"
            )
        for column, (name, cell) in enumerate(zip(names, cells, strict=True), 1):
            if not _is_number(cell):
                hint = "; decimals need a point" if "," in cell else ""
                return RecordingError(
                    f"{where}, column {column} ({name}): expected a number or nothing, "
                    f"found {cell.strip()!r}{hint}"
                )
    return RecordingError(f"{path}: the rows cannot be read as numbers")


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return "_" not in cell


def check_rising(path: Path, values: FloatArray, what: str, lines: Sequence[int]) -> None:
    """Raise if values, one a row, are not all there and rising.

    Parameters
    ----------
    path, what
        For the error.
    values
        (n,).
    lines
        Number of each row's line in the file.
    """
    if np.isnan(values).any():
        line = lines[int(np.flatnonzero(np.isnan(values))[0])]
        raise RecordingError(f"{path}, line {line}: the {what} is missing; every row needs one")
    back = np.flatnonzero(np.diff(values) <= 0)
    if len(back):
        i = int(back[0]) + 1
        raise RecordingError(
            f"{path}, line {lines[i]}: the {what} must rise from row to row, found {values[i]:g} "
            f"after {values[i - 1]:g}; were two trials joined?"
        )


def frame_numbers(
    path: Path, values: FloatArray, lines: Sequence[int], notes: list[str]
) -> NDArray[np.int64]:
    """Return a column of frame numbers as whole numbers, checked like :func:`check_rising`.

    Numbers that all lie whole steps apart, as in a file that keeps every second frame of a trial,
    become one apart, and a note says so.
    """
    check_rising(path, values, "frame number", lines)
    broken = np.flatnonzero(values % 1)
    if len(broken):
        raise RecordingError(
            f"{path}, line {lines[int(broken[0])]}: the frame number must be a whole number, "
            f"found {values[broken[0]]:g}"
        )
    numbers = values.astype(np.int64)
    step = int(np.gcd.reduce(np.diff(numbers)))
    if step > 1:
        notes.append(
            f"the frames are numbered in steps of {step}: they were counted one by one, so that "
            "those between are not taken for lost"
        )
    return numbers // step
