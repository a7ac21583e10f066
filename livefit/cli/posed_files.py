"""Riders to predict from, named on the command line: a recording, or one of the trials in it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from livefit.analysis.posed import Posed, PosedStream, no_stroke, posed_stream
from livefit.cli.trial_files import RecordingFiles, chosen, marks_words, named, streams_note
from livefit.definitions import Definitions
from livefit.predict import PARTS, Observed
from livefit.predict.changes import UNPREDICTED
from livefit.predict.learning import observed
from livefit.session.cutting import Part, Places, marker_set_of, parts_of
from livefit.session.ridden import PosedTrial, posed_in
from livefit.session.told import told_in

_PREDICTED = frozenset((*PARTS, *UNPREDICTED))


@dataclass(frozen=True)
class _File:
    trials: list[PosedTrial]
    notes: list[str]
    why: str


@dataclass(frozen=True)
class NamedRider:
    """A rider, the file and trial that it is of, and what is to be said of them."""

    posed: Posed
    path: Path
    trial: int
    notes: list[str]


class PosedFiles(RecordingFiles):
    """The riders of recordings, each file read once."""

    def __init__(self, known: Definitions, marker_set: str | None, seat_tube_deg: float) -> None:
        super().__init__(known, marker_set, seat_tube_deg)
        self._read: dict[Path, _File] = {}

    def find(self, text: str, *, latest: bool = False) -> NamedRider:
        """The rider of the trial that FILE or FILE#NUMBER names.

        Parameters
        ----------
        latest
            A file without a number means its last trial; else it must have one.

        Raises
        ------
        ValueError
            If the trial is not there, none is named of several, or it has no whole stroke.
        """
        path, number = named(text)
        there = self._file(path)
        count = len(there.trials)
        if latest and number is None and count:
            number = count - 1
        at = chosen(path, number, max(count, 1))
        found = there.trials[at].posed if at < count else None
        if found is None:
            raise no_stroke(there.why if count < 2 else f"none in trial {at} of {path.name}")
        notes = list(there.notes)
        if count > 1:
            marks = marks_words(there.trials[at].marks, self._known)
            after = f", after {marks}" if marks else ""
            notes.append(
                f"estimated from trial {at}{after}; of the trials 0 to {count - 1}, "
                f"{path.name}#{0 if at else 1} takes another"
            )
        return NamedRider(found, path, at, notes)

    def taught(self, rider: NamedRider) -> tuple[list[Observed], list[str]]:
        """What the marks before a rider's trial teach, and what is to be said of the others."""
        there = self._file(rider.path).trials[: rider.trial + 1]
        seen, notes = [], []
        for number, (before, after) in enumerate(pairwise(there), 1):
            made: dict[str, float] = defaultdict(float)
            for mark in after.marks:
                made[mark.part] += mark.amount
            both = before.streams.keys() & after.streams.keys()
            if both and set(made) <= _PREDICTED:
                stream = max(both)
                seen.append(adjustment(before.streams[stream], after.streams[stream], made))
            else:
                why = "its part is not predicted" if both else "no stream holds strokes of both"
                notes.append(
                    f"nothing was learned from the change before trial {number}: {why}; "
                    "--learn takes changes by hand"
                )
        return seen, notes

    def _file(self, path: Path) -> _File:
        if path not in self._read:
            parts, notes = parts_of(path)
            problems: list[str] = []

            def passed(part: Part, places: Places) -> PosedStream:
                stream = posed_stream(
                    part.info, part.block, self._known, cuts=places.rows, restarts=places.restarts,
                    marker_set=self._marker_set or marker_set_of(part),
                    seat_tube_deg=self._seat_tube_deg,
                )  # fmt: skip
                problems.append(stream.problem)
                notes.extend(stream.moved)
                return stream

            trials = posed_in(parts, told_in(path), passed)
            notes += streams_note(parts, "of a trial the latest is taken, and its sides alone")
            self._read[path] = _File(trials, notes, problems[-1])
        return self._read[path]


def adjustment(before: Posed, after: Posed, made: Mapping[str, float]) -> Observed:
    """What a change between two riders says of how the rider gives way."""
    return observed(before.rider, made, before.means, after.means)
