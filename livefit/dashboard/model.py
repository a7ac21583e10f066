"""Everything that the fitter's window shows, without a window."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal, get_args

from livefit.dashboard.figure import (
    FigureView,
    Place,
    Sides,
    bicycle_places,
    build_figure,
    marker_places,
)
from livefit.dashboard.figure_angles import Plane
from livefit.dashboard.mean_pose import BaselinePose
from livefit.definitions import default_rows
from livefit.definitions.models import Definitions, Event, Measure, Side
from livefit.view import words
from livefit.view.age import OLD_AFTER_S, AgeMeter, age_words
from livefit.view.charts import ChartsModel
from livefit.view.table import Chosen, TableModel
from livefit.wire.change_messages import Changes
from livefit.wire.messages import (
    Cycles,
    MeanPose,
    Message,
    Pose,
    Snapshot,
    StandingBicycle,
    Stroke,
)

FIGURE_OLD_AFTER_S = OLD_AFTER_S / 2
RECENT = 15
"""Strokes that are shown one by one."""
ASK_AGAIN_S = 5.0
"""The node is asked for past strokes no more often than this."""

Views = Literal["both", "side", "front"]
PLANES: dict[Views, tuple[Plane, ...]] = {
    "both": ("side", "front"), "side": ("side",), "front": ("front",),
}  # fmt: skip


class DashboardModel(TableModel):
    """The table's model, the moving figure and the charts.

    Examples
    --------
    >>> from livefit.definitions import load_definitions
    >>> model = DashboardModel(load_definitions(), endpoint="tcp://127.0.0.1:5555")
    >>> model.message.title
    'No data yet'
    """

    def __init__(
        self, definitions: Definitions, chosen: Chosen | None = None, *, endpoint: str = ""
    ) -> None:
        chosen = default_rows(definitions) if chosen is None else chosen
        self.charts = ChartsModel(definitions, chosen)
        self._recent_kept: dict[tuple[str, str], tuple[object, dict[Side, list[float]]]] = {}
        super().__init__(definitions, chosen, endpoint=endpoint)
        self.views: Views = "both"
        self.sides: Sides = "both"
        self._pose_meter = AgeMeter()
        self._pose: Pose | None = None
        self._last_seen: dict[str, Place] = {}
        self._baseline: BaselinePose | None = None
        self._bicycle: StandingBicycle | None = None
        self._built: dict[Plane, FigureView] = {}
        self._stroke_at: dict[tuple[str, str], int] = {}
        self._unasked: set[tuple[str, str]] = set()
        self._asked_at: float | None = None
        self.select(0)

    def apply(self, message: Message, now: float) -> None:
        """Take whatever the node publishes, received at ``now``, s.

        Raises
        ------
        ValueError
            What is in the message does not fit together.
        """
        if isinstance(message, Snapshot):
            self.apply_snapshot(message, now)
        elif isinstance(message, Pose):
            self.apply_pose(message, now)
        elif isinstance(message, Stroke):
            self.apply_stroke(message)
        elif isinstance(message, Cycles):
            self.apply_cycles(message)
        elif isinstance(message, Changes):
            self.apply_changes(message)
        elif isinstance(message, MeanPose):
            self.apply_baseline(message)
        elif isinstance(message, StandingBicycle):
            self.apply_bicycle(message)

    def apply_snapshot(self, snapshot: Snapshot, now: float) -> None:
        """Show ``snapshot``; the charts keep what comes while the picture is held."""
        self.charts.apply_snapshot(snapshot)
        super().apply_snapshot(snapshot, now)
        self._follow_selection()

    def apply_pose(self, pose: Pose, now: float) -> None:
        """Move the figure to ``pose``, received at ``now`` (s); not while the picture is held."""
        self._now = now
        if self.held:
            return
        if self._pose is None or pose.node != self._pose.node:
            self._forget_figure()
        places = marker_places(pose)
        self._last_seen.update(places)
        self._pose_meter.note(pose.node, sent=pose.sent, now=now)
        self._pose = pose
        self._build_figures()

    def apply_baseline(self, message: MeanPose) -> None:
        """Take the mean pose of the baseline, or that there is none any more."""
        self._baseline = BaselinePose(message)

    def apply_bicycle(self, message: StandingBicycle) -> None:
        """Take the measured bicycle, or that there is none any more."""
        self._bicycle = message
        self._built.clear()
        self._build_figures()

    def apply_stroke(self, stroke: Stroke) -> None:
        """Take one stroke; one left out before it makes the past to be asked for."""
        key = (stroke.side, stroke.event)
        before = self._stroke_at.get(key)
        self._stroke_at[key] = stroke.stroke
        if before is not None and stroke.stroke > before + 1:
            self._unasked.update(pair for pair in self.chosen if pair[1] == stroke.event)
        self.charts.apply_stroke(stroke)

    def apply_cycles(self, cycles: Cycles) -> None:
        """Take the cycles of all sides."""
        self.charts.apply_cycles(cycles)

    def apply_history(self, reply: Mapping[str, Any]) -> None:
        """Take the past strokes that were asked for."""
        self.charts.history.fill(reply)

    def past_wanted(self, now: float) -> list[list[str]]:
        """Pairs whose past strokes are to be asked for now; each is named once."""
        self._unasked.update(self.charts.history.unasked())
        if self._snapshot is None or (
            self._asked_at is not None and now - self._asked_at < ASK_AGAIN_S
        ):
            return []
        wanted = [list(pair) for pair in self.chosen if pair in self._unasked]
        self._unasked.clear()
        if wanted:
            self._asked_at = now
        return wanted

    def past_refused(self, rows: Sequence[Sequence[str]]) -> None:
        """Ask for these again, later."""
        self._unasked.update((measure, event) for measure, event in rows)

    def select(self, row: int | None) -> None:
        """Select a row; figure and charts follow."""
        super().select(row)
        self._follow_selection()

    def toggle_hold(self) -> None:
        """Hold the picture as it is, or let it go on."""
        super().toggle_hold()
        self.charts.held = self.held

    def next_views(self) -> None:
        """Show the figure from the side and the front, from the side, from the front."""
        self.views = _after(self.views, get_args(Views))
        self._build_figures()

    def next_sides(self) -> None:
        """Draw both sides of the rider, the left, the right."""
        self.sides = _after(self.sides, ("both", "left", "right"))
        self._build_figures()

    @property
    def figures(self) -> tuple[FigureView, ...]:
        """The figure in every plane that is shown."""
        return tuple(self._built[plane] for plane in PLANES[self.views] if plane in self._built)

    @property
    def figure(self) -> FigureView | None:
        """The first of the figures."""
        return self.figures[0] if self.figures else None

    @property
    def figure_stale(self) -> bool:
        """Whether the figure no longer shows how the rider sits now."""
        age = None if self._now is None else self._pose_meter.age_s(self._now)
        return self.held or age is None or age > FIGURE_OLD_AFTER_S

    @property
    def figure_text(self) -> str:
        """Which side is in front."""
        if self.figure is None:
            return ""
        text = words.FIGURE_SIDE if self.sides == "both" else words.FIGURE_ONLY
        return text.format(side=words.SIDE_WORD[self.figure.near_side])

    @property
    def figure_age(self) -> str:
        """How old the figure is, where it is too old."""
        if self.figure is None or not self.figure_stale or self.held or self._now is None:
            return ""
        return words.FIGURE_OLD.format(age=age_words(self._pose_meter.age_s(self._now)))

    def _build_figures(self) -> None:
        pose = self._pose
        if pose is None:
            return
        measures = {measure.name: measure for measure, _ in self._pairs}
        kept = self._baseline
        same = kept is not None and kept.node == pose.node
        baseline = kept.at(pose.crank_deg) if kept is not None and same else None
        bicycle = bicycle_places(self._bicycle, pose.node)
        for plane in PLANES[self.views]:
            self._built[plane] = build_figure(
                pose,
                measures,
                self._built.get(plane),
                plane=plane,
                sides=self.sides,
                last_seen=self._last_seen,
                baseline=baseline,
                bicycle=bicycle,
            )

    def _recent(self, measure: Measure, event: Event) -> Mapping[Side, Sequence[float]]:
        """The last strokes since the latest mark."""
        pair = (measure.name, event.name)
        marks = self._snapshot.marks if self._snapshot is not None else []
        mark = marks[-1].number if marks else 0
        state = (self.charts.history.version(*pair), mark)
        kept = self._recent_kept.get(pair)
        if kept is None or kept[0] != state:
            found: dict[Side, list[float]] = {}
            for side in ("L", "R", "B"):
                track = self.charts.history.track(*pair, side)[-RECENT:]
                values = track["value"][track["mark"] >= mark]
                found[side] = values[values == values].tolist()
            kept = self._recent_kept[pair] = (state, found)
        return kept[1]

    def _follow_selection(self) -> None:
        pairs = self.chosen
        self.charts.watch(pairs)
        if self.selected is not None:
            self.charts.select(*pairs[self.selected])

    def _forget_figure(self) -> None:
        self._pose = None
        self._built.clear()
        self._last_seen.clear()

    def _start_anew(self) -> None:
        super()._start_anew()
        self._forget_figure()
        self._stroke_at.clear()


def _after(one: Any, choices: Sequence[Any]) -> Any:
    return choices[(choices.index(one) + 1) % len(choices)]
