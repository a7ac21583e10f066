"""TRC files: tab-separated text with a header of five lines."""

from __future__ import annotations

from pathlib import Path

from livefit.sources.reading import Recording, RecordingError, make_recording, timing
from livefit.sources.tables import Progress, check_rising, frame_numbers, parse_rows, read_lines

START = "PathFileType"
RATE_TOLERANCE = 0.01


def read_trc(
    path: Path,
    *,
    up: str | None = None,
    units: str | None = None,
    progress: Progress | None = None,
) -> Recording:
    """Read a TRC file.

    Where header and rows contradict each other the rows are believed: the rate is that of the time
    column, the markers are those of the label line, the frames those that are there. Empty cells
    are missing.

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
    if not lines[0].startswith(START):
        raise RecordingError(
            f"{path}, line 1: not a TRC file: expected {START!r}, found {lines[0][:40]!r}"
        )
    if len(lines) < 6:
        raise RecordingError(
            f"{path}: cut off in the header: expected 5 lines and then rows, "
            f"found {len(lines)} lines"
        )
    header = dict(
        zip(lines[1].split("\t"), (v.strip() for v in lines[2].split("\t")), strict=False)
    )
    labels = _labels(path, lines[3])
    columns = ["Frame#", "Time", *(f"{label} {axis}" for label in labels for axis in "XYZ")]
    table, places = parse_rows(path, lines[5:], 6, columns, "\t", progress)
    numbers, t = frame_numbers(path, table[:, 0], places, notes), table[:, 1].copy()
    check_rising(path, t, "time", places)
    rate_hz, sampling = timing(numbers, t)
    _compare(header, labels, len(table), rate_hz, notes)
    if sampling == "stamped":
        notes.append("the times are uneven: each was taken as the true instant of its frame")
    return make_recording(
        path,
        labels,
        numbers,
        t,
        table[:, 2:].reshape(len(table), len(labels), 3).copy(),
        rate_hz=rate_hz,
        sampling=sampling,
        units=units or header.get("Units", "").lower() or None,
        up=up,
        notes=notes,
    )


def _labels(path: Path, line: str) -> list[str]:
    cells = [cell.strip() for cell in line.split("\t")]
    if [cell.lower() for cell in cells[:2]] != ["frame#", "time"]:
        raise RecordingError(
            f"{path}, line 4: expected 'Frame#', 'Time' and the marker labels, found {line[:40]!r}"
        )
    return [cell for cell in cells[2:] if cell]


def _compare(
    header: dict[str, str], labels: list[str], frames: int, rate_hz: float, notes: list[str]
) -> None:
    """Note where the header contradicts the rows."""
    said = _number(header.get("DataRate"))
    if said is not None and abs(said - rate_hz) > RATE_TOLERANCE * rate_hz:
        notes.append(
            f"the header says {said:g} frames a second, the time column {rate_hz:g}: "
            "the time column was believed"
        )
    for name, count, what in (("NumMarkers", len(labels), "labels"), ("NumFrames", frames, "rows")):
        said = _number(header.get(name))
        if said is not None and said != count:
            notes.append(
                f"the header says {name} {said:g}, there are {count} {what}: those were read"
            )


def _number(text: str | None) -> float | None:
    try:
        return float(text or "")
    except ValueError:
        return None
