"""Everything that the fitter's window shows, without a window."""

from __future__ import annotations

from livefit.dashboard.figure import FigureView, build_figure
from livefit.definitions.models import Definitions
from livefit.view import words
from livefit.view.age import OLD_AFTER_S, AgeMeter, age_words
from livefit.view.table import Chosen, TableModel
from livefit.wire.messages import Pose

FIGURE_OLD_AFTER_S = OLD_AFTER_S / 2


class DashboardModel(TableModel):
    """The table's model and the moving figure.

    Examples
    --------
    >>> from livefit.definitions.models import Definitions
    >>> nothing = Definitions(marker_sets=[], events=[], measures=[], disciplines=[])
    >>> model = DashboardModel(nothing, endpoint="tcp://127.0.0.1:5555")
    >>> model.message.title
    'No data yet'
    """

    def __init__(
        self, definitions: Definitions, chosen: Chosen | None = None, *, endpoint: str = ""
    ) -> None:
        super().__init__(definitions, chosen, endpoint=endpoint)
        self._measures = {measure.name: measure for measure in definitions.measures}
        self._pose_meter = AgeMeter()
        self._pose_node: str | None = None
        self.figure: FigureView | None = None

    def apply_pose(self, pose: Pose, now: float) -> None:
        """Move the figure to ``pose``, received at ``now`` (s); not while the picture is held."""
        self._now = now
        if self.held:
            return
        if pose.node != self._pose_node:
            self._pose_node, self.figure = pose.node, None
        self._pose_meter.note(pose.node, sent=pose.sent, now=now)
        self.figure = build_figure(pose, self._measures, self.figure)

    @property
    def figure_stale(self) -> bool:
        """Whether the figure no longer shows how the rider sits now."""
        age = None if self._now is None else self._pose_meter.age_s(self._now)
        return self.held or age is None or age > FIGURE_OLD_AFTER_S

    @property
    def figure_text(self) -> str:
        """Which side is in front, or how old the figure is."""
        if self.figure is None:
            return ""
        if self.figure_stale and not self.held and self._now is not None:
            return words.FIGURE_OLD.format(age=age_words(self._pose_meter.age_s(self._now)))
        return words.FIGURE_SIDE.format(side=words.SIDE_WORD[self.figure.near_side])

    @property
    def crank_text(self) -> str:
        """The near side's crank angle."""
        if self.figure is None or self.figure.crank_deg is None:
            return words.NOTHING
        return f"{round(self.figure.crank_deg) % 360}°"

    @property
    def missing_text(self) -> str:
        """The markers not seen, by name."""
        if self._snapshot is None:
            return ""
        names = ", ".join(self.missing)
        return (
            words.MISSING.format(count=len(self.missing), names=names) if names else words.ALL_SEEN
        )

    def _start_anew(self) -> None:
        super()._start_anew()
        self.figure = None
