"""A proper file from a recording that was cut off or damaged."""

from __future__ import annotations

from pathlib import Path

from livefit.recording.reading import Survey, entries, survey
from livefit.recording.writing import RECORDED, RecordingWriter

_FLUSH_BYTES = 2**20


def repair(path: Path, into: Path | None = None) -> tuple[Path, Survey]:
    """Copy what is whole in a recording into a new file; the old one stays as it is.

    Parameters
    ----------
    path
        The recording.
    into
        Directory of the new file; None: beside the old one.

    Returns
    -------
    Path, Survey
        The new file, and what was found in the old one.

    Raises
    ------
    NoRecordingError
        If nothing in it can be read.
    OSError
        If the new file cannot be written.
    """
    found = survey(path)
    with RecordingWriter(into or path.parent, f"{path.stem}_repaired") as writer:
        writer.note("repaired", {"from": path.name, "missing": str(found.damage or "nothing")})
        waiting = 0
        for entry in entries(found, topics=RECORDED):
            writer.add(entry.topic, entry.raw, arrived_ns=entry.arrived_ns, sent_ns=entry.sent_ns)
            waiting += len(entry.raw)
            if waiting >= _FLUSH_BYTES:
                writer.flush()
                waiting = 0
    return writer.path, found
