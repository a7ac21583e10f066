"""Everything that the charts show, without a screen."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, Literal, get_args

from livefit.definitions.models import Definitions, Event, Measure, Side
from livefit.view import chart_words as words
from livefit.view.axis import Axis
from livefit.view.cycles import Cycle, CycleKeeper
from livefit.view.history import History, Pair
from livefit.view.over_time import SPANS_S, MarkLine, OverTime, over_time
from livefit.view.round_crank import OverStroke, PathPlot, Paths, over_stroke, path_plot
from livefit.view.words import sentence
from livefit.wire.messages import Cycles, Mark, Row, Snapshot, Stroke

Kind = Literal["over_time", "over_stroke", "angle_angle", "from_front"]
KINDS: tuple[Kind, ...] = get_args(Kind)
Chart = OverTime | OverStroke | Paths

JOINTS = (("hip_angle", "knee_flexion"), ("ankle_angle", "knee_flexion"))
"""(along x, along y) of the plots joint against joint."""
FRONT = ("knee_to_foot_lateral", "knee_height")


class ChartsModel:
    """Strokes, cycles and what of them is to be seen.

    Parameters
    ----------
    definitions
        Names and words of measures, events and adjustments.
    pairs
        (measure, event) pairs whose strokes are kept from the start; the first is selected, and
        without any there is nothing but joint against joint and the knee from the front.

    Notes
    -----
    `chart` gives the same object as long as nothing in it has changed.

    Examples
    --------
    >>> from livefit.definitions import load_definitions
    >>> charts = ChartsModel(load_definitions(), [("knee_flexion", "bdc")])
    >>> charts.chart.empty
    'No strokes yet'
    >>> charts.next_kind()
    'over_stroke'
    """

    def __init__(self, definitions: Definitions, pairs: Iterable[Pair]) -> None:
        self._definitions = definitions
        self.history = History()
        self.cycles = CycleKeeper()
        self.held = False
        """While the picture is held the chart stays, and what comes is kept behind it."""
        self._kind: Kind = "over_time"
        self._span = SPANS_S.index(180.0)
        self._stream: tuple[str, str | None, int] | None = None
        self._window: dict[str, float] = {}
        self._anew: float | None = None
        self._marks: list[Mark] = []
        self._rows: list[Row] = []
        self._axes: dict[object, Any] = {}
        self._seen: object = None
        self._shown: tuple[object, object, Chart] | None = None
        self.selected: Pair | None = None
        self.watch(pairs)

    @property
    def kind(self) -> Kind:
        """Which chart is shown."""
        return self._kind

    @kind.setter
    def kind(self, kind: Kind) -> None:
        if kind not in KINDS:
            raise ValueError(f"expected a kind of chart, one of {', '.join(KINDS)}, found {kind!r}")
        self._kind = kind

    def next_kind(self) -> Kind:
        """Show the next kind of chart."""
        self._kind = KINDS[(KINDS.index(self._kind) + 1) % len(KINDS)]
        return self._kind

    def zoom(self, steps: int) -> None:
        """Reach farther back (above 0) or less far, as long as there is a step."""
        self._span = min(max(self._span + steps, 0), len(SPANS_S) - 1)

    def watch(self, pairs: Iterable[Pair]) -> None:
        """Keep the strokes of these pairs and no others; `history.unasked` names the new ones."""
        pairs = list(pairs)
        self.history.watch(pairs)
        if self.selected not in pairs:
            self.selected = pairs[0] if pairs else None

    def select(self, measure: str, event: str) -> None:
        """Chart this pair; one that is not watched has cycles but no strokes."""
        self._definitions.measure(measure)
        self._definitions.event(event)
        self.selected = (measure, event)

    def apply_snapshot(self, snapshot: Snapshot) -> None:
        """Take marks, window, bands and means; another stream or node begins anew."""
        stream = (snapshot.node, snapshot.stream, snapshot.health.restarts)
        if stream != self._stream:
            if self._stream is not None:
                self.history.clear()
                self.cycles.clear()
                self._axes.clear()
            self._stream = stream
        in_force = [mark.number for mark in snapshot.marks]
        for mark in reversed(self._marks):
            if mark.number not in in_force:
                before = (number for number in in_force if number < mark.number)
                self.history.unmark(mark.number, max(before, default=0))
        known = {mark.number for mark in self._marks}
        for mark in snapshot.marks:
            if mark.number not in known and mark.t is not None:
                self.history.remark(mark.number, mark.t)
        self._window, self._marks, self._rows = snapshot.window, snapshot.marks, snapshot.rows
        self._anew = snapshot.since

    def apply_stroke(self, stroke: Stroke) -> None:
        """Take one stroke."""
        self.history.take(stroke)

    def apply_cycles(self, cycles: Cycles) -> None:
        """Take the cycles of all sides."""
        self.cycles.take(cycles)

    @property
    def chart(self) -> Chart:
        """The chart to be seen now."""
        asked = (self._kind, self.selected, self._span)
        if self.held and self._shown is not None and self._shown[0] == asked:
            return self._shown[2]
        seen = self._seen_now()
        if self._shown is None or self._shown[:2] != (asked, seen):
            self._shown = (asked, seen, self._built())
        return self._shown[2]

    def _seen_now(self) -> object:
        """What the present chart rests on, cheap to compare."""
        if self._kind == "over_time" and self.selected is not None:
            data = self.history.version(*self.selected)
            return (data, self._window, self._anew, self._marks, self._band())
        return (self.cycles.version, self._window, self._selected_rows())

    def _built(self) -> Chart:
        if self._kind == "angle_angle":
            return self._angle_angle()
        if self._kind == "from_front":
            return self._from_front()
        if self.selected is None:
            return Paths("", False, (), "", words.NOTHING_CHOSEN)
        measure = self._definitions.measure(self.selected[0])
        event = self._definitions.event(self.selected[1])
        if self._kind == "over_time":
            return self._over_time(measure, event)
        return self._over_stroke(measure, event)

    def _over_time(self, measure: Measure, event: Event) -> OverTime:
        key = ("over_time", self.selected, self._span)
        rows = {
            side: self.history.track(measure.name, event.name, side) for side in _sides(measure)
        }
        chart = over_time(
            measure,
            _title(measure, event),
            rows,
            span_s=SPANS_S[self._span],
            window=self._window,
            window_text=words.mean_words(self._window),
            anew=self._anew,
            marks=self._mark_lines(rows),
            band=self._band(),
            previous=self._axes.get(key),
            empty=words.NO_STROKES,
        )
        self._axes[key] = chart.axis
        return chart

    def _over_stroke(self, measure: Measure, event: Event) -> OverStroke:
        key = ("over_stroke", measure.name)
        chart = over_stroke(
            measure,
            event,
            _title(measure, event),
            self._cycles(measure),
            rows=self._selected_rows(),
            window_text=words.mean_words(self._window),
            band=self._band(),
            previous=self._axes.get(key),
            empty=self._why_empty(measure.name),
        )
        self._axes[key] = chart.axis
        return chart

    def _angle_angle(self) -> Paths:
        plots = []
        for x, y in JOINTS:
            found = self._plot(x, y, ("L", "R"))
            plots += [] if found is None else [found]
        names = dict.fromkeys(name for pair in JOINTS for name in pair)
        return self._paths(words.ANGLE_ANGLE, plots, names, front=False)

    def _from_front(self) -> Paths:
        both = self._plot(*FRONT, ("R", "L"), x_holds=(0.0,))
        paths = () if both is None else both.paths
        plots = [replace(both, paths=(path,)) for path in paths if both is not None]
        return self._paths(words.FROM_FRONT, plots, FRONT, front=True)

    def _paths(
        self, title: str, plots: list[PathPlot], names: Iterable[str], *, front: bool
    ) -> Paths:
        empty = None if plots else self._why_empty(*names)
        return Paths(title, front, tuple(plots), words.mean_words(self._window), empty)

    def _plot(
        self, x: str, y: str, sides: tuple[Side, ...], *, x_holds: tuple[float, ...] = ()
    ) -> PathPlot | None:
        known = {measure.name: measure for measure in self._definitions.measures}
        if x not in known or y not in known:
            return None
        pairs: dict[Side, tuple[Cycle, Cycle]] = {}
        for side in sides:
            along, up = self.cycles.cycle(x, side), self.cycles.cycle(y, side)
            if along is not None and up is not None:
                pairs[side] = (along, up)
        previous: tuple[Axis, Axis] | None = self._axes.get((x, y))
        titles = (words.short_title(known[x].title), words.short_title(known[y].title))
        plot = path_plot(known[x], known[y], titles, pairs, previous, x_holds=x_holds)
        if plot is not None:
            self._axes[x, y] = (plot.x_axis, plot.y_axis)
        return plot

    def _cycles(self, measure: Measure) -> dict[Side, Cycle]:
        found = {side: self.cycles.cycle(measure.name, side) for side in _sides(measure)}
        return {side: cycle for side, cycle in found.items() if cycle is not None}

    def _why_empty(self, *names: str) -> str:
        if not len(self.cycles):
            return words.NO_CYCLES
        known = {measure.name: measure.title for measure in self._definitions.measures}
        return words.NOT_MEASURED.format(names=", ".join(known.get(n, n) for n in names))

    def _selected_rows(self) -> dict[Side, Row]:
        return {r.side: r for r in self._rows if (r.measure, r.event) == self.selected}

    def _band(self) -> tuple[float, float] | None:
        found = (row.band for row in self._selected_rows().values() if row.band)
        return next(((band[0], band[1]) for band in found), None)

    def _mark_lines(self, rows: Mapping[Side, Any]) -> list[MarkLine]:
        lines = []
        for mark in self._marks:
            after = [f["t"][f["mark"] >= mark.number] for f in rows.values()]
            t = mark.t if mark.t is not None else min((t[0] for t in after if len(t)), default=None)
            if t is not None:
                text = words.mark_words(mark, self._definitions.adjustments)
                lines.append(MarkLine(mark.number, float(t), text))
        return lines


def _sides(measure: Measure) -> tuple[Side, ...]:
    return ("B",) if measure.sides == "once" else ("L", "R")


def _title(measure: Measure, event: Event) -> str:
    title = words.TITLE.format(measure=sentence(measure.short), event=event.short)
    return title + words.unit_words(measure.unit)
