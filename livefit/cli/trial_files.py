"""Trials named on the command line: a recording, or one of the trials in it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from pathlib import Path

from livefit.analysis import Analysis, analyse
from livefit.analysis.comparison import Trial
from livefit.change.placed import Segment, segment_lengths
from livefit.definitions import Definitions, canonical_labels
from livefit.predict.words import change_words
from livefit.session.cutting import Part, Places, marker_set_of, parts_of
from livefit.session.ridden import ridden_in
from livefit.session.told import told_in
from livefit.wire.messages import Mark

_ALL = "the trials hold the strokes of all"


@dataclass(frozen=True)
class NamedTrial:
    """A trial, what it is called, the file that it is in, and lengths between its markers, mm."""

    name: str
    path: Path
    trial: Trial
    lengths: Mapping[Segment, float]


@dataclass(frozen=True)
class _File:
    trials: list[Trial]
    lengths: Sequence[Mapping[Segment, float]]
    notes: list[str]


class RecordingFiles:
    """How recordings are read.

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


class TrialFiles(RecordingFiles):
    """The trials of recordings, each file read once."""

    def __init__(self, known: Definitions, marker_set: str | None, seat_tube_deg: float) -> None:
        super().__init__(known, marker_set, seat_tube_deg)
        self._read: dict[Path, _File] = {}

    def find(self, text: str) -> NamedTrial:
        """The trial that FILE or FILE#NUMBER names; a file without a number is one trial.

        Raises
        ------
        ValueError
            If the file has several and none is named, or not the one that is.
        """
        path, number = named(text)
        there = self._file(path)
        found = there.trials[chosen(path, number, len(there.trials))]
        name = path.name if number is None else f"{path.name}#{number}"
        if not found.strokes.ridden:
            raise ValueError(f"{name}: expected a trial with whole strokes, found none in it")
        lengths = [there.lengths[stream] for stream in sorted(found.streams)]
        return NamedTrial(name, path, found, reduce(lambda one, other: {**one, **other}, lengths))

    def changed(self, before: NamedTrial, now: NamedTrial) -> list[Mark]:
        """What was changed from one trial of a recording to a later one; else nothing is known."""
        if before.path != now.path:
            return []
        between = self._file(now.path).trials[before.trial.number + 1 : now.trial.number + 1]
        return [mark for trial in between for mark in trial.marks]

    @property
    def notes(self) -> list[str]:
        """What was noticed while reading, with the file's name."""
        return [f"{path.name}: {note}" for path, each in self._read.items() for note in each.notes]

    def _file(self, path: Path) -> _File:
        if path not in self._read:
            parts, notes = parts_of(path)
            ridden = ridden_in(parts, told_in(path), self._analysed)
            lengths = [
                segment_lengths(canonical_labels(part.info.labels, found.marker_set),
                                part.block.positions)
                for part, found in zip(parts, ridden.streams, strict=True)
            ]  # fmt: skip
            notes += streams_note(parts, _ALL)
            notes += [text for found in ridden.streams for text in found.moved]
            self._read[path] = _File(ridden.trials, lengths, notes)
        return self._read[path]

    def _analysed(self, part: Part, places: Places) -> Analysis:
        return analyse(
            part.info, part.block, self._known,
            discipline=self._known.disciplines[0].name,
            marker_set=self._marker_set or marker_set_of(part),
            seat_tube_deg=self._seat_tube_deg,
            cuts=places.rows, restarts=places.restarts,
        )  # fmt: skip


def named(text: str) -> tuple[Path, int | None]:
    """The file and the trial that FILE or FILE#NUMBER names; None: no trial is named."""
    name, mark, number = text.rpartition("#")
    if mark and number.isdecimal():
        return Path(name), int(number)
    return Path(text), None


def chosen(path: Path, number: int | None, count: int) -> int:
    """The trial that is meant of so many.

    Raises
    ------
    ValueError
        If it is not there, or none is named of several.
    """
    if number is None and count > 1:
        raise ValueError(
            f"{path}: has {count} trials, 0 to {count - 1}: say which, {path.name}#0 for one"
        )
    if number is not None and number >= count:
        raise ValueError(f"{path}: has the trials 0 to {count - 1}, got {number}")
    return number or 0


def streams_note(parts: Sequence[Part], taken: str) -> list[str]:
    """That there are several streams, if there are, and what of them is taken."""
    if len(parts) < 2:
        return []
    frames = ", ".join(str(len(part.block)) for part in parts)
    return [f"the stream began {len(parts)} times, with {frames} frames: {taken}"]


def marks_words(marks: Iterable[Mark], known: Definitions) -> str:
    """Adjustments in words: ``saddle height 8 mm up, saddle setback 5 mm back``."""
    parts = {adjustment.name for adjustment in known.adjustments}
    return ", ".join(
        change_words(known.adjustment(mark.part), round(mark.amount, 1))
        if mark.part in parts
        else f"{mark.part} {mark.amount:+g}"
        for mark in marks
    )
