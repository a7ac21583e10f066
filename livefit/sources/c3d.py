"""C3D files (c3d.org), read through ezc3d."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import ezc3d
import numpy as np

from livefit.frames import Up
from livefit.sources.reading import UP, Recording, RecordingError, make_recording

KEY = 0x50
"""Second byte of every C3D file."""

MOST_FRAMES = 0xFFFF
"""The format's 16 bits count no further, however long the trial was."""

POSITIONS = "MODELED_MARKERS"
"""The one group of computed points that are positions; others are angles, forces, powers."""


def read_c3d(path: Path, *, up: str | None = None, units: str | None = None) -> Recording:
    """Read the marker trajectories of a C3D file.

    Points with residual -1 are missing. Computed quantities that the file keeps among its points
    (angles, forces, moments, powers), and trajectories without a name, are left out. Frames keep
    the file's numbers, and time is number over rate, so that the first frame of a file that was
    cut out of a longer one is not at zero.

    Parameters
    ----------
    path
        The file.
    up, units
        Override what the file says, or what is guessed.

    Raises
    ------
    RecordingError
        If the file is no C3D, is cut off, or holds no marker trajectories.
    """
    content = _load(path)
    points = content["parameters"]["POINT"]
    notes: list[str] = []
    columns, labels = _markers(points, notes)
    data = content["data"]["points"]
    positions = np.ascontiguousarray(data[:3, columns].transpose(2, 1, 0), dtype=np.float64)
    residuals = content["data"]["meta_points"]["residuals"][0, columns].T
    positions[residuals < 0] = np.nan
    rate_hz = float(_first(points, "RATE", 0.0)) or float(content["header"]["points"]["frame_rate"])
    if not labels or not len(positions):
        raise RecordingError(
            f"{path}: holds no named marker trajectories ({data.shape[1]} points, "
            f"{data.shape[2]} frames); export the trial with its labelled trajectories"
        )
    if not rate_hz > 0:
        raise RecordingError(f"{path}: POINT:RATE must be above 0, found {rate_hz:g}")
    first, expected = _frames_said(path)
    if len(positions) < expected:
        raise RecordingError(
            f"{path}: cut off: expected {expected} frames, as its header says, "
            f"found {len(positions)}; export or copy the file again"
        )
    if len(positions) == MOST_FRAMES:
        notes.append(
            f"{MOST_FRAMES} frames were read, as many as the file's count can hold: if the trial "
            "was longer, export it in parts"
        )
    numbers = np.arange(first, first + len(positions), dtype=np.int64)
    said = str(_first(points, "UNITS", "")).strip().lower()
    return make_recording(
        path,
        labels,
        numbers,
        numbers / rate_hz,
        positions,
        rate_hz=rate_hz,
        sampling="periodic",
        units=units or said or None,
        up=up,
        declared_up=_declared_up(points),
        notes=notes,
    )


def _load(path: Path) -> Any:
    with path.open("rb") as file:
        head = file.read(2)
    if not head:
        raise RecordingError(f"{path}: the file is empty; export or copy the trial again")
    if len(head) < 2 or head[1] != KEY:
        raise RecordingError(
            f"{path}: not a C3D file: its second byte must be 0x50, found "
            f"{head[1:].hex() or 'nothing'}; is the file's ending right?"
        )
    try:
        return ezc3d.c3d(str(path))
    except (OSError, RuntimeError, ValueError, IndexError, KeyError, MemoryError) as error:
        raise RecordingError(
            f"{path}: begins like a C3D file but cannot be read ({error}); it is damaged or cut "
            "off: export or copy it again"
        ) from error


def _frames_said(path: Path) -> tuple[int, int]:
    """Return the first frame's number and how many frames there are at least, by the header.

    ezc3d puts in the header's place what it could read of the file, and reads no file whose high
    bytes come first.
    """
    with path.open("rb") as file:
        first, last = struct.unpack_from("<HH", file.read(10), 6)
    return first, last - max(first, 1) + 1


def _markers(points: Any, notes: list[str]) -> tuple[list[int], list[str]]:
    """Return the columns that are named marker positions, and the names."""
    names = _texts(points, "LABELS")
    number = 2
    while f"LABELS{number}" in points:
        names += _texts(points, f"LABELS{number}")
        number += 1
    used = int(_first(points, "USED", len(names)))
    computed = {
        label
        for group in _texts(points, "TYPE_GROUPS")[::2]
        if group != POSITIONS
        for label in _texts(points, group)
    }
    left_out = sorted(computed.intersection(names))
    if left_out:
        notes.append(f"computed quantities were left out: {', '.join(left_out)}")
    columns = [
        i
        for i, name in enumerate(names[:used])
        if name and not name.startswith("*") and name not in computed
    ]
    unnamed = used - len(columns) - len(left_out)
    if unnamed:
        notes.append(f"{unnamed} trajectories without a name were left out")
    return columns, [names[i] for i in columns]


def _declared_up(points: Any) -> Up | None:
    """Return the axis that points up on the screen on which the file was made."""
    return UP.get(str(_first(points, "Y_SCREEN", "")).strip().lower())


def _texts(points: Any, name: str) -> list[str]:
    return [str(text).strip() for text in points[name]["value"]] if name in points else []


def _first(points: Any, name: str, default: Any) -> Any:
    values: Any = points[name]["value"] if name in points else ()
    return values[0] if len(values) else default
