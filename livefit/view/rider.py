"""What a rider is shown of a snapshot: few figures, plain words, nothing that flickers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from livefit.definitions.models import (
    DefinitionError,
    Definitions,
    Event,
    Measure,
    Side,
)
from livefit.view import rider_words
from livefit.view.age import AgeMeter
from livefit.view.numbers import format_value
from livefit.view.scale import Scale, common_scale
from livefit.view.table import Chosen
from livefit.view.words import Message
from livefit.wire.messages import Row, Snapshot

SCREEN = "rider"
MAX_MEASURES = 3
DEFAULT: Chosen = (("knee_flexion", "bdc"),)
UPDATE_S = 0.5
"""New figures come no faster than this: they are to be read, not chased."""
HOLD = 0.25
"""How far past the half-way point a value must be before the next whole number is shown."""
HOLD_CADENCE = 0.75
GLIDE_S = 0.35
"""The marker covers 63 % of its way in this time."""
ARRIVED = 1e-3
"""Of the lane: nearer than this the marker is there."""
NEAR_SHARE = 0.5
"""Within this share of the target's width beyond its edge a value is only a little out."""
MOST_STROKES = 30

_Key = tuple[str, str, str]


@dataclass(frozen=True)
class SideView:
    """One side of one measure in words."""

    head: str
    value: str
    unit: str
    place: rider_words.Place
    hold: str
    """How long until the value holds, in words."""
    before: str
    """The value before the last change of the bicycle, in words; empty where there is none."""

    def note(self, stale: bool) -> str:
        """What stands beside the place: the strokes to go, then what it was before the change."""
        if stale:
            return self.before
        return self.before if self.before and self.hold == rider_words.STEADY else self.hold


@dataclass(frozen=True)
class MeasureView:
    """One measure, left and right (or one side)."""

    title: str
    when: str
    target: tuple[float, float] | None
    """Where the target lies along the lane, from 0 to 1."""
    sides: tuple[SideView, ...]
    stale: bool
    """The numbers are not of this moment."""


@dataclass(frozen=True)
class Spot:
    """Places along one side's lane, from 0 to 1; None: there is none."""

    now: float | None
    before: float | None


def whole(value: float, shown: float | None, hold: float = HOLD) -> float:
    """The whole number to show for ``value``: the one shown so far unless it is clearly wrong.

    Examples
    --------
    >>> whole(34.6, None), whole(34.6, 34.0), whole(34.8, 34.0)
    (35.0, 34.0, 35.0)
    """
    if shown is not None and abs(value - shown) <= 0.5 + hold:
        return shown
    return float(math.floor(value + 0.5))


class RiderModel:
    """The measures chosen for the rider, out of the newest snapshot.

    Parameters
    ----------
    definitions
        Names and words of measures, events and adjustments.
    chosen
        (measure, event) of what is shown while the fitter has chosen nothing for the rider.

    Notes
    -----
    All times are of one monotonic clock, in seconds, and come with the calls.
    """

    def __init__(self, definitions: Definitions, chosen: Chosen | None = None) -> None:
        self._definitions = definitions
        self._default = DEFAULT if chosen is None else chosen
        self._meter = AgeMeter()
        self._newest: Snapshot | None = None
        self._shown: Snapshot | None = None
        self._shown_at = -math.inf
        self._now: float | None = None
        self._glided_at: float | None = None
        self._figures: dict[_Key, float] = {}
        self._scales: dict[tuple[str, str], Scale | None] = {}
        self._aims: dict[_Key, Spot] = {}
        self._spots: dict[_Key, Spot] = {}
        self._pairs: list[tuple[Measure, Event]] = []
        self._measures: tuple[MeasureView, ...] = ()
        self._cadence: float | None = None
        self.fault: str | None = None
        """In words, why nothing can be received at all."""
        self._build()

    def apply_snapshot(self, snapshot: Snapshot, now: float) -> None:
        """Take ``snapshot``, received at ``now``."""
        before = self._newest
        self._now, self._newest = now, snapshot
        self._meter.note(snapshot.node, sent=snapshot.sent, now=now)
        if before is None or (before.node, before.stream) != (snapshot.node, snapshot.stream):
            self._figures.clear()
            self._scales.clear()
            self._spots.clear()
            self._cadence = None
            self._take(now)
        elif _matters_at_once(before, snapshot) or now - self._shown_at >= UPDATE_S:
            self._take(now)

    def apply_silence(self, now: float) -> None:
        """Let time pass: the markers glide on, and the data grow older."""
        self._now = now
        if self._newest is not self._shown and now - self._shown_at >= UPDATE_S:
            self._take(now)
        elapsed = 0.0 if self._glided_at is None else max(0.0, now - self._glided_at)
        self._glided_at = now
        share = -math.expm1(-elapsed / GLIDE_S)
        for key, aim in self._aims.items():
            self._spots[key] = Spot(_glided(self._spots.get(key), aim.now, share), aim.before)

    @property
    def measures(self) -> tuple[MeasureView, ...]:
        """The chosen measures, top to bottom."""
        stale = self.stale
        return tuple(replace(view, stale=stale) for view in self._measures)

    @property
    def spots(self) -> tuple[tuple[Spot, ...], ...]:
        """Where the markers stand, for each measure and side as in `measures`."""
        return tuple(
            tuple(
                self._spots.get((measure.name, event.name, side), Spot(None, None))
                for side in _sides(measure)
            )
            for measure, event in self._pairs
        )

    @property
    def cadence(self) -> str:
        """Turns a minute."""
        return format_value(self._cadence, 0)

    @property
    def stale(self) -> bool:
        """Whether the numbers are not of this moment."""
        riding = self._newest is not None and self._newest.state == "riding"
        return not riding or not self._fresh

    @property
    def message(self) -> Message:
        """What the rider is told beside the figures."""
        snapshot = self._newest
        if self.fault is not None:
            return rider_words.CANNOT_RECEIVE
        if snapshot is None:
            return rider_words.NO_DATA_YET
        if not self._fresh:
            return rider_words.NO_NEW_NUMBERS
        if snapshot.state in rider_words.STATES:
            return rider_words.STATES[snapshot.state]
        if not snapshot.marks:
            return rider_words.AT_EASE
        mark = snapshot.marks[-1]
        try:
            adjustment = self._definitions.adjustment(mark.part)
        except DefinitionError:
            adjustment = None
        return Message(
            "note", rider_words.CHANGED_TITLE, rider_words.change_words(adjustment, mark.amount)
        )

    @property
    def _fresh(self) -> bool:
        return self._now is not None and self._meter.freshness(self._now) == "fresh"

    def _take(self, now: float) -> None:
        self._shown, self._shown_at = self._newest, now
        self._build()

    def _build(self) -> None:
        snapshot = self._shown
        self._pairs = self._chosen()
        self._aims = {}
        if snapshot is not None:
            cadence = snapshot.cadence_rpm
            self._cadence = None if cadence is None else whole(cadence, self._cadence, HOLD_CADENCE)
        self._measures = tuple(self._measure(measure, event) for measure, event in self._pairs)

    def _chosen(self) -> list[tuple[Measure, Event]]:
        wanted: Sequence[Sequence[str]] = self._default
        if self._shown is not None:
            wanted = self._shown.chosen.get(SCREEN) or self._default
        found = []
        for pair in wanted:
            try:
                measure, event = pair
                found.append((self._definitions.measure(measure), self._definitions.event(event)))
            except ValueError:
                # Of a node with other definitions, or a malformed pair.
                continue
        return found[:MAX_MEASURES]

    def _measure(self, measure: Measure, event: Event) -> MeasureView:
        rows = [self._row(measure, event, side) for side in _sides(measure)]
        band = next((_pair(row.band) for row in rows if row is not None and row.band), None)
        marked = self._shown is not None and bool(self._shown.marks)
        values = [row.mean for row in rows if row is not None and row.n and row.mean is not None]
        if marked:
            values += [row.before for row in rows if row is not None and row.before is not None]
        key = (measure.name, event.name)
        scale = common_scale(band, values, measure.unit, self._scales.get(key))
        self._scales[key] = scale
        return MeasureView(
            title=rider_words.title_words(measure),
            when=rider_words.when_words(event),
            target=None if band is None or scale is None else _along(scale, band),
            sides=tuple(
                self._side(measure, (*key, side), row, band, scale, marked)
                for side, row in zip(_sides(measure), rows, strict=True)
            ),
            stale=False,
        )

    def _row(self, measure: Measure, event: Event, side: Side) -> Row | None:
        for row in [] if self._shown is None else self._shown.rows:
            if (row.measure, row.event, row.side) == (measure.name, event.name, side):
                return row
        return None

    def _side(
        self,
        measure: Measure,
        key: _Key,
        row: Row | None,
        band: tuple[float, float] | None,
        scale: Scale | None,
        marked: bool,
    ) -> SideView:
        mean = row.mean if row is not None and row.n else None
        before = row.before if row is not None and marked else None
        if mean is None:
            self._figures.pop(key, None)
        else:
            self._figures[key] = whole(mean, self._figures.get(key))
        self._aims[key] = Spot(
            None if mean is None or scale is None else scale.fraction(mean),
            None if before is None or scale is None else scale.fraction(before),
        )
        return SideView(
            head=rider_words.SIDE_HEAD[key[2]],
            value=format_value(self._figures.get(key), 0),
            unit="" if mean is None else rider_words.UNIT[measure.unit],
            place=self._place(row, mean, band),
            hold="" if row is None else rider_words.hold_words(row.needed, MOST_STROKES),
            before="" if before is None else rider_words.before_words(
                format_value(before, 0), measure.unit
            ),
        )  # fmt: skip

    def _place(
        self, row: Row | None, mean: float | None, band: tuple[float, float] | None
    ) -> rider_words.Place:
        places = rider_words.PLACES
        if row is None:
            return places["nothing" if self._shown is None or not self._shown.rows
                          else "not_measured"]  # fmt: skip
        if mean is None:
            return places["nothing"]
        if band is None:
            return places["no_target"]
        if row.verdict in ("unsure", "unknown"):
            return places["edge" if row.needed == 0 else "settling"]
        if row.verdict == "within":
            return places["within"]
        out = max(band[0] - mean, mean - band[1])
        far = "far_" if out > NEAR_SHARE * (band[1] - band[0]) else ""
        return places[far + row.verdict]


def _matters_at_once(before: Snapshot, after: Snapshot) -> bool:
    """Whether something else than the figures has changed."""
    return (before.state, before.chosen, before.marks, before.discipline) != (
        after.state, after.chosen, after.marks, after.discipline,
    )  # fmt: skip


def _glided(before: Spot | None, aim: float | None, share: float) -> float | None:
    if before is None or before.now is None or aim is None:
        return aim
    left = (1.0 - share) * (before.now - aim)
    return aim if abs(left) < ARRIVED else aim + left


def _sides(measure: Measure) -> tuple[Side, ...]:
    return ("B",) if measure.sides == "once" else ("L", "R")


def _along(scale: Scale, band: tuple[float, float]) -> tuple[float, float]:
    return scale.fraction(band[0]), scale.fraction(band[1])


def _pair(values: list[float] | None) -> tuple[float, float] | None:
    return None if values is None or len(values) != 2 else (values[0], values[1])
