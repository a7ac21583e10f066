"""Marker positions as comma-separated text, for whoever has them in no other form.

.. code-block:: text

    # units: mm
    # up: +z
    frame,time,R_GT_x,R_GT_y,R_GT_z,R_LE_x,R_LE_y,R_LE_z,workload [W]
    1,0.005,12.1,-160.2,905.0,131.5,-158.0,540.3,250
    2,0.010,12.2,-160.1,905.2,,,,250

Comment lines come first: ``units`` is mm, cm or m, ``up`` the axis that points up, ``sampling``
either periodic or stamped (see :class:`livefit.frames.StreamInfo`); each may be left out and is
then found from the numbers. ``time`` is in seconds and rises. ``frame`` may be left out. The three
columns of a marker stand together. Every other column is an extra signal, with its unit in
brackets. An empty cell is missing.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from livefit.frames import Channel, FloatArray, Sampling
from livefit.sources.reading import (
    UNEVEN,
    UP,
    Recording,
    RecordingError,
    make_recording,
    timing,
)
from livefit.sources.tables import Progress, check_rising, frame_numbers, parse_rows, read_lines

COMMENT = re.compile(r"#\s*(\w+)\s*:\s*(.*?)\s*")
CHANNEL = re.compile(r"(.*?)\s*(?:\[(.*)\])?")
SETTINGS = ("units", "up", "sampling")
SAMPLING: dict[str, Sampling] = {word: word for word in get_args(Sampling)}


def read_csv(
    path: Path,
    *,
    up: str | None = None,
    units: str | None = None,
    progress: Progress | None = None,
) -> Recording:
    """Read a file of the layout above.

    Parameters
    ----------
    path
        The file.
    up, units
        Override what the file says, or what is guessed.
    progress
        Told how far the reading is.

    Raises
    ------
    RecordingError
        If the header or a row is not as it must be.
    """
    lines, notes = read_lines(path)
    said, start = _comments(path, lines)
    names = [name.strip() for name in lines[start].split(",")]
    where = f"{path}, line {start + 1}"
    markers = _columns(where, names, lines[start])
    table, places = parse_rows(path, lines[start + 1 :], start + 2, names, ",", progress)
    t = table[:, names.index("time")].copy()
    check_rising(path, t, "time", places)
    if "frame" in names:
        numbers = frame_numbers(path, table[:, names.index("frame")], places, notes)
    else:
        numbers = numbers_from_times(t)
    rate_hz, sampling = timing(numbers, t)
    if "sampling" in said:
        sampling = SAMPLING[said["sampling"]]
    elif sampling == "stamped":
        notes.append("the times are uneven: each was taken as the true instant of its frame")
    columns = [i for first in markers.values() for i in range(first, first + 3)]
    others = [
        i for i, name in enumerate(names) if i not in columns and name not in ("frame", "time")
    ]
    return make_recording(
        path,
        list(markers),
        numbers,
        t,
        table[:, columns].reshape(len(table), len(markers), 3),
        rate_hz=rate_hz,
        sampling=sampling,
        units=units or said.get("units"),
        up=up,
        declared_up=UP[said["up"]] if "up" in said else None,
        channels=tuple(_channel(names[i]) for i in others),
        values=table[:, others],
        notes=notes,
    )


def numbers_from_times(t: FloatArray) -> NDArray[np.int64]:
    """Return frame numbers for rows that have none.

    If the times lie on an even grid with gaps, frames were lost and the numbers say so; otherwise
    the rows are counted.

    Examples
    --------
    >>> numbers_from_times(np.array([0.00, 0.01, 0.02, 0.05, 0.06])).tolist()
    [0, 1, 2, 5, 6]
    """
    period = float(np.median(np.diff(t)))
    steps = np.diff(t) / period
    if np.abs(steps - np.round(steps)).max() <= UNEVEN and np.round(steps).min() >= 1:
        return np.concatenate([[0], np.cumsum(np.round(steps))]).astype(np.int64)
    return np.arange(len(t), dtype=np.int64)


def _comments(path: Path, lines: Sequence[str]) -> tuple[dict[str, str], int]:
    """Return what the comments say, and the index of the header line."""
    said: dict[str, str] = {}
    header = next(
        (i for i, line in enumerate(lines) if line.strip() and not line.startswith("#")), None
    )
    if header is None:
        raise RecordingError(f"{path}: holds comments only; expected a header line and rows")
    for line in lines[:header]:
        match = COMMENT.fullmatch(line.strip())
        if match and match[1].lower() in SETTINGS:
            said[match[1].lower()] = match[2].lower()
    for name, known in (("up", UP), ("sampling", SAMPLING)):
        if name in said and said[name] not in known:
            raise RecordingError(
                f"{path}: the comment '# {name}:' must be one of {', '.join(known)}, "
                f"found {said[name]!r}"
            )
    return said, header


def _columns(where: str, names: list[str], header: str) -> dict[str, int]:
    """Return each marker's first column."""
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise RecordingError(f"{where}: column names must be unique, {', '.join(twice)} is not")
    if "time" not in names:
        hint = "; columns are separated by commas" if ";" in header or "\t" in header else ""
        raise RecordingError(
            f"{where}: expected a column 'time' (s), found {', '.join(names[:6])}{hint}"
        )
    markers: dict[str, int] = {}
    for i, name in enumerate(names):
        label = name[:-2]
        if name.endswith("_x"):
            wanted = [f"{label}_{axis}" for axis in "xyz"]
            if names[i : i + 3] != wanted:
                raise RecordingError(
                    f"{where}, column {i + 1}: expected {', '.join(wanted)} side by side, "
                    f"found {', '.join(names[i : i + 3])}"
                )
            markers[label] = i
    stray = [n for n in names if n.endswith(("_y", "_z")) and n[:-2] not in markers]
    if stray or not markers:
        found = ", ".join(stray or names[:6])
        raise RecordingError(
            f"{where}: expected three columns LABEL_x, LABEL_y, LABEL_z for each marker, "
            f"found {found}"
        )
    return markers


def _channel(name: str) -> Channel:
    match = CHANNEL.fullmatch(name)
    return Channel(match[1], match[2] or "") if match else Channel(name, "")
