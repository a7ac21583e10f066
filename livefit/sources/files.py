"""Any recorded file, by its ending."""

from __future__ import annotations

from pathlib import Path

from livefit.recording.errors import RecordingFileError, readable
from livefit.sources.c3d import read_c3d
from livefit.sources.csv import read_csv
from livefit.sources.reading import Recording, RecordingError
from livefit.sources.recorded import is_recorded, read_recorded
from livefit.sources.tables import Progress
from livefit.sources.trc import read_trc

ENDINGS = (".c3d", ".trc", ".csv", ".mcap")


def read_recording(
    path: str | Path,
    *,
    up: str | None = None,
    units: str | None = None,
    whole: bool = False,
    progress: Progress | None = None,
) -> Recording:
    """Read a recorded trial; what kind of file it is says its ending.

    Parameters
    ----------
    path
        A ``.c3d``, ``.trc``, ``.csv`` or ``.mcap`` file.
    up
        The axis that points up, ``+z`` for example; None: what the file or the rider in it says.
    units
        mm, cm or m; None: what the file says.
    whole
        Of an ``.mcap`` file, read what came before the node's first frame as well.
    progress
        Told the share that is read, for text files.

    Raises
    ------
    RecordingError
        If there is no such file, or it cannot be read; the text says where and what to do.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise RecordingError(
            f"{path}: expected a file ending in {', '.join(ENDINGS)}, "
            f"found {ending or 'no ending'!r}; export the trial in one of these forms"
        )
    try:
        with readable(path):
            if is_recorded(path):
                return read_recorded(path, up=up, units=units, whole=whole)
            if ending == ".c3d":
                return read_c3d(path, up=up, units=units)
            read = read_trc if ending == ".trc" else read_csv
            return read(path, up=up, units=units, progress=progress)
    except RecordingFileError as error:
        raise RecordingError(str(error)) from error
