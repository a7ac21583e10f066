"""Trials named on the command line: a recording, or one of the trials in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from livefit.analysis import analyse
from livefit.analysis.comparison import Trial, recorded_marks, trials_of
from livefit.change.placed import Segment, segment_lengths
from livefit.definitions import Definitions, canonical_labels
from livefit.sources.files import read_recording


@dataclass(frozen=True)
class NamedTrial:
    """A trial, what it is called, the file that it is in, and lengths between its markers, mm."""

    name: str
    path: Path
    trial: Trial
    lengths: Mapping[Segment, float]


class TrialFiles:
    """Reads recordings, each once.

    Parameters
    ----------
    known
        Definitions.
    marker_set, seat_tube_deg
        How they are read; without a marker set the best fitting one is taken.
    """

    def __init__(self, known: Definitions, marker_set: str | None, seat_tube_deg: float) -> None:
        self._known = known
        self._marker_set = marker_set
        self._seat_tube_deg = seat_tube_deg
        self._read: dict[Path, tuple[list[Trial], Mapping[Segment, float]]] = {}

    def find(self, text: str) -> NamedTrial:
        """The trial that FILE or FILE#NUMBER names; a file without a number is one trial.

        Raises
        ------
        ValueError
            If the file has several and none is named, or not the one that is.
        """
        name, mark, number = text.rpartition("#")
        numbered = bool(mark) and number.isdecimal()
        path = Path(name if numbered else text)
        there, lengths = self._trials(path)
        if not numbered:
            if len(there) > 1:
                raise ValueError(
                    f"{path}: has {len(there)} trials, 0 to {len(there) - 1}: say which, "
                    f"{path.name}#0 for one"
                )
            return NamedTrial(path.name, path, there[0], lengths)
        if int(number) >= len(there):
            raise ValueError(f"{path}: has the trials 0 to {len(there) - 1}, got {number}")
        return NamedTrial(f"{path.name}#{number}", path, there[int(number)], lengths)

    def _trials(self, path: Path) -> tuple[list[Trial], Mapping[Segment, float]]:
        if path not in self._read:
            recording = read_recording(path)
            found = analyse(
                recording.info, recording.block, self._known,
                discipline=self._known.disciplines[0].name,
                marker_set=self._marker_set or recording.marker_set,
                seat_tube_deg=self._seat_tube_deg,
            )  # fmt: skip
            labels = canonical_labels(recording.info.labels, found.marker_set)
            self._read[path] = (
                trials_of(found.strokes, recorded_marks(path)),
                segment_lengths(labels, recording.block.positions),
            )
        return self._read[path]
