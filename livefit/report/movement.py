"""How the rider moves: figures from the side, curves over the turn, knees from the front."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from markupsafe import Markup

from livefit.report.cycles import cycle_chart, scale_of
from livefit.report.figures import (
    POSES,
    extent_of,
    front_view,
    knee_path,
    own_index,
    path_words,
    places,
    side_figure,
    times_for,
)
from livefit.report.names import Names
from livefit.report.rows import Compared
from livefit.session.models import Cycle, Trial

POSITIONS = ((0.0, "top", "tdc"), (90.0, "front", "forward"), (180.0, "bottom", "bdc"))
"""Crank angle of the side, the words for it, the event of the numbers below the figure."""
CURVES = ("knee_flexion", "hip_angle", "ankle_angle")
USUAL_CRANK_MM = 172.5
SMALL, LARGE = 200.0, 330.0


@dataclass(frozen=True)
class Captioned:
    """A picture with what stands below it."""

    picture: Markup
    caption: str
    note: str = ""


@dataclass(frozen=True)
class Movement:
    """All pictures of the movement; empty where nothing was kept."""

    hero: Markup | None
    """The first page's figure."""
    poses: list[tuple[str, list[Captioned]]]
    """By side."""
    cycles: list[tuple[str, list[Captioned]]]
    """By measure."""
    fronts: list[Captioned]
    pair: bool
    """Whether before and after stand together in the pictures."""
    times: float
    """How many times as large sideways is drawn as upward, from the front."""

    @property
    def empty(self) -> bool:
        """Whether there is nothing to show."""
        return not (self.poses or self.cycles or self.fronts)


def movement(compared: Compared, names: Names, pictures: Iterator[str]) -> Movement:
    """Draw what two trials, or one alone, have of whole turns."""
    before, after = compared.before, compared.after
    if after is None:
        before, after = None, before
    poses = [trial.pose for trial in (before, after) if trial is not None and trial.pose]
    drawing = _Drawing(before, after, names, pictures)
    fronts, times = drawing.fronts()
    return Movement(
        hero=drawing.hero(),
        poses=drawing.poses(),
        cycles=drawing.cycles(),
        fronts=fronts,
        pair=len(poses) == 2,
        times=times,
    )


@dataclass(frozen=True)
class _Drawing:
    before: Trial | None
    after: Trial | None
    names: Names
    pictures: Iterator[str]

    def hero(self) -> Markup | None:
        side = next((side for side in "RL" if self._seen(side)), None)
        return None if side is None else self._figure(side, 90.0, "front", LARGE)

    def poses(self) -> list[tuple[str, list[Captioned]]]:
        words, made = self.names.words, []
        for side in ("L", "R"):
            if not self._seen(side):
                continue
            figures = []
            for crank, when, event in POSITIONS:
                picture = self._figure(side, crank, when, SMALL)
                if picture is not None:
                    note = self._knee(side, event)
                    figures.append(Captioned(picture, words(f"when.{when}"), note))
            made.append((words(f"side.{side}"), figures))
        return made

    def cycles(self) -> list[tuple[str, list[Captioned]]]:
        words, made = self.names.words, []
        for measure in CURVES:
            pairs = {
                side: (
                    self._cycle(self.before, measure, side),
                    self._cycle(self.after, measure, side),
                )
                for side in "LRB"
            }
            there = [cycle for pair in pairs.values() for cycle in pair if cycle is not None]
            if not there:
                continue
            unit = self._unit(measure)
            scale, title = scale_of(there, unit), self.names.measure(measure)
            charts = []
            for side, (before, after) in pairs.items():
                if before is None and after is None:
                    continue
                side_word = words(f"side.{side}")
                told = words("movement.cycle_alt", what=title, side=side_word)
                name = next(self.pictures)
                picture = cycle_chart(name, told, before, after, scale, unit, words)
                charts.append(Captioned(picture, side_word))
            made.append((f"{title}, {words.unit(unit).strip()}", charts))
        return made

    def fronts(self) -> tuple[list[Captioned], float]:
        """Both knees' paths, and how many times as large sideways is drawn."""
        words = self.names.words
        paths = {
            side: [
                knee_path(None if trial is None else trial.pose, side)
                for trial in (self.before, self.after)
            ]
            for side in "RL"
        }
        points = [p for pair in paths.values() for path in pair for p in path if p is not None]
        if not points:
            return [], 1.0
        xs, ys = [x for x, _ in points], [y for _, y in points]
        middle = ((min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2)
        times = times_for(max(xs) - min(xs))
        made = []
        for side, (before, after) in paths.items():
            if not (before or after):
                continue
            side_word = words(f"side.{side}")
            told = words("movement.front_alt", side=side_word.lower())
            picture = front_view(
                next(self.pictures), told, side, before, after, middle, times, words
            )
            made.append(Captioned(picture, side_word, path_words(side, after or before, words)))
        return made, times

    def _figure(self, side: str, crank_deg: float, when: str, width: float) -> Markup | None:
        index = own_index(side, crank_deg)
        ghost, now = (
            {} if trial is None else _own(places(trial.pose, index), side)
            for trial in (self.before, self.after)
        )
        extent = extent_of(
            [
                _own(places(trial.pose, own_index(side, crank)), side)
                for trial in (self.before, self.after)
                if trial is not None
                for crank, _, _ in POSITIONS
            ]
        )
        if extent is None or not (ghost or now):
            return None
        words = self.names.words
        title = words("movement.pose_alt", side=words(f"side.{side}"), when=words(f"when.{when}"))
        if not now:
            ghost, now = {}, ghost
        crank = self._crank_mm(side)
        return side_figure(
            next(self.pictures), title, side, crank_deg, ghost, now, extent, crank, width, words
        )

    def _seen(self, side: str) -> bool:
        trials = [trial for trial in (self.before, self.after) if trial is not None]
        return any(
            label.startswith(f"{side}_") and places(trial.pose, k).get(label)
            for trial in trials
            if trial.pose
            for label in trial.pose.labels
            for k in range(len(trial.pose.positions))
        )

    def _crank_mm(self, side: str) -> float:
        trials = [trial for trial in (self.after, self.before) if trial is not None]
        found = [c.length_mm for trial in trials for c in trial.cranks if c.side == side]
        return found[0] if found else USUAL_CRANK_MM

    def _knee(self, side: str, event: str) -> str:
        words = self.names.words
        texts = []
        for trial in (self.before, self.after):
            for number in () if trial is None else trial.numbers:
                key = (number.measure, number.side, number.event)
                if key == ("knee_flexion", side, event) and number.mean is not None:
                    texts.append(words.quantity(number.mean, "deg"))
        if not texts:
            return ""
        if len(texts) == 1:
            return words("movement.knee_one", value=texts[0])
        return words("movement.knee_pair", before=texts[0], after=texts[1])

    def _cycle(self, trial: Trial | None, measure: str, side: str) -> Cycle | None:
        for cycle in () if trial is None else trial.cycles:
            key = (cycle.measure, cycle.side)
            whole = len(cycle.mean) == len(cycle.sd) == POSES + 1
            if key == (measure, side) and whole and any(m is not None for m in cycle.mean):
                return cycle
        return None

    def _unit(self, measure: str) -> str:
        return next((m.unit for m in self.names.definitions.measures if m.name == measure), "deg")


def _own(markers: object, side: str) -> dict[str, tuple[float, float, float]]:
    assert isinstance(markers, dict)
    return {label: place for label, place in markers.items() if label.startswith(f"{side}_")}
