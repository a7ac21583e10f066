"""The riding of the present trial: its numbers as they come."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial

import numpy as np

from livefit.definitions import Definitions
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from livefit.kernel.phase import TURN
from livefit.kernel.results import ResultRow
from livefit.kernel.rolling import Rolling
from livefit.node.beside import Beside
from livefit.node.comparing import Comparing
from livefit.node.curves import CycleMean
from livefit.node.ended import Ended
from livefit.node.fit import Fit
from livefit.node.history import StrokeHistory
from livefit.node.intake import Intake
from livefit.node.placements import PlacementWatch
from livefit.node.settings import Settings
from livefit.node.snapshots import RowMaker, cycles_message, window_message
from livefit.node.trial import Trial
from livefit.wire.change_messages import Changes
from livefit.wire.messages import Cycles, Row, Stroke


class Riding:
    """The numbers of the present trial.

    Parameters
    ----------
    definitions
        Measures, bands and adjustments.
    settings
        What the run starts with.
    node
        The node's name in messages.

    Attributes
    ----------
    settings
        As they are now.
    fit
        What the fitter has marked, kept and chosen.
    history
        Every stroke's values.
    comparing
        What the present trial is compared with.
    beside
        What travels beside the rider's markers.
    """

    def __init__(self, definitions: Definitions, settings: Settings, node: str) -> None:
        self._definitions = definitions
        self._node = node
        self._rows = RowMaker(settings.holds_within)
        self._kernel: Kernel | None = None
        self._ended = Ended()
        self._last: tuple[Trial, int] | None = None
        self._unsettled: list[EventValues] = []
        self._cycles_due = False
        self._baseline_cycles: dict[str, CycleMean] = {}
        self._markers = PlacementWatch(settings.markers_stayed, definitions.measures)
        self.settings = settings
        self.fit = Fit(definitions)
        self.history = StrokeHistory()
        self.comparing = Comparing(definitions, node, settings)
        self.beside = Beside()

    def begin(self, kernel: Kernel | None, intake: Intake | None = None) -> None:
        """Begin with the kernel of a new stream; None: there is none that can be used.

        Where the earlier stream saw one side and this one sees the other, both are captures of one
        trial: the earlier side's strokes stay.
        """
        self.settle()
        earlier, before = (self._trial, self._kernel) if self._kernel else (None, None)
        self._kernel = kernel
        if earlier is not None and earlier.ridden:
            self._last = earlier, self.comparing.placement
        if kernel is None or intake is None:
            return
        seen = kernel.plan.seen
        other = earlier if earlier is not None and earlier.misses(seen) else None
        self._markers.begin_stream(kernel.labels, other_side=other is not None)
        self._begin_trial(kernel, self.fit.mark_in_force, other=other)
        if other is not None and before is not None:
            self._trial.other_capture = other.captured(before, other.sides - seen)
        self._ended.begin_stream(len(self.fit.marks))
        self.history = self.history.only(self._trial.sides - seen)
        self.beside.begin(intake, self.settings.seat_tube_deg)

    def _begin_trial(
        self, kernel: Kernel, mark_before: int, *, changed: bool = False, other: Trial | None = None
    ) -> None:
        """Begin an empty trial; the strokes under way belong to what was before."""
        self.settle()
        self.comparing.placement = self._markers.number
        self.comparing.begin_again()
        moment, newest = kernel.moment(), kernel.newest()
        after = {}
        if moment is not None and np.isfinite(moment.crank):
            after = {
                side.side: int(np.floor((moment.crank + side.lead) / TURN))
                for side in kernel.plan.sides
            }
        self._trial = Trial(
            kernel.plan.sides,
            self._definitions.measures,
            self.settings.window,
            self.fit.bands(self.settings.discipline),
            after,
            mark=self.fit.mark_in_force,
            mark_before=mark_before,
            since=newest[1] if newest else None,
            holds_within=self.settings.holds_within,
            changed=changed,
            other=other,
        )
        self._leave_out()

    def add(self, kernel: Kernel, values: Sequence[EventValues]) -> bool:
        """Take what the kernel made of new frames; True if any row changed.

        What nobody waits for is left for :meth:`settle`.
        """
        self._trial.add(values)
        self._unsettled += values
        return self._trial.set_quick(kernel.quick()) or bool(values)

    def settle(self) -> None:
        """Go on with the values taken: history, cycles, poses, and whether markers moved."""
        values, self._unsettled = self._unsettled, []
        if self._kernel is None or not values:
            return
        cycles, poses = self._kernel.take_cycles(), self._kernel.take_poses()
        if self._markers.take(poses):
            self._leave_out()
        self.comparing.placement = self._markers.number
        doubts = self._markers.doubts
        values = list(doubts.without(values))
        self.history.add(values, node=self._node, mark_of=partial(self._ended.mark_of, self._trial))
        self._trial.add_curves(doubts.without_cycles(cycles), doubts.without_markers(poses))
        self._cycles_due |= bool(cycles)
        self._ended.add(self._trial.settle([*values, *self.beside.loads(values)]))
        leading = "R" if "R" in self._kernel.plan.seen else "L"
        if any(cycle.side == leading for cycle in cycles):
            self.comparing.ask(self._trial.strokes, self.fit)

    def _leave_out(self) -> None:
        """Leave out of the trial what rests on a marker that has moved."""
        doubts = self._markers.doubts
        if doubts:
            self._trial.leave_out(doubts)
        self.comparing.leave_out(doubts)

    def in_doubt(self, measure: str, side: str) -> bool:
        """Whether a measure rests on a marker that has moved."""
        return self._markers.doubts.now(measure, side)

    def _result_rows(self) -> list[ResultRow]:
        return self._trial.results.rows() if self._kernel else []

    def rows(self) -> list[Row]:
        """The rolling results of the present trial."""
        return self._rows.messages(self._result_rows(), self.fit, self._trial)

    @property
    def since(self) -> float | None:
        """Device time (s) of the newest frame when the averages began anew; None: they did not."""
        return self._trial.since if self._kernel else None

    def strokes_in_window(self, sides: Iterable[str]) -> dict[str, int]:
        """Strokes in the window, by side: these sides, and that of the trial's other capture."""
        if self._kernel is None:
            return {}
        shown = {*sides, *(self._trial.sides - self._kernel.plan.seen)}
        return {side: self._trial.results.strokes(side) for side in sorted(shown)}

    def warnings(self) -> list[str]:
        """What the fitter should know of the markers, in words."""
        moved = self._markers.doubts.warning() if self._kernel else None
        return [] if moved is None else [moved]

    def strokes(self) -> list[Stroke]:
        """Final values since the last call, oldest first."""
        self.settle()
        return self.history.take_new()

    def cycles(self) -> Cycles | None:
        """Mean cycles, once after each stroke."""
        self.settle()
        if not self._cycles_due:
            return None
        self._cycles_due = False
        return cycles_message(self._node, self._trial.cycles(), self._baseline_cycles)

    def changes(self) -> Changes | None:
        """What has changed, once after each stroke; each call does one row's work for it."""
        self.settle()
        if self._kernel is None:
            return None
        return self.comparing.work(self._trial.strokes, self.fit)

    @property
    def present(self) -> Trial | None:
        """The present trial; None: there is no stream."""
        return self._trial if self._kernel else None

    def set_window(self, window: Rolling) -> dict[str, float]:
        """Change what is averaged over, and return it as messages have it."""
        self.settings = self.settings.with_window(window)
        if self._kernel:
            self._trial.resize(window)
        return window_message(window)
