"""The trials of a ride, and what the fitter does between them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from livefit.definitions import Definitions
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from livefit.kernel.phase import TURN
from livefit.kernel.results import ResultRow
from livefit.kernel.rolling import Rolling
from livefit.node.fit import Fit, Pair
from livefit.node.history import StrokeHistory
from livefit.node.segments import SegmentWatch
from livefit.node.settings import Settings
from livefit.node.snapshots import RowMaker, cycles_message, mean_pose_message, window_message
from livefit.node.trial import CycleMean, Trial
from livefit.wire.messages import Cycles, Mark, MeanPose, Row, Stroke


class Trials:
    """The numbers of the present trial, those before it, and what they are compared with.

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
    """

    def __init__(self, definitions: Definitions, settings: Settings, node: str) -> None:
        self._definitions = definitions
        self._node = node
        self._rows = RowMaker(settings.holds_within)
        self._kernel: Kernel | None = None
        self._earlier: list[Trial | None] = []
        self._unsettled: list[EventValues] = []
        self._cycles_due = False
        self._baseline_cycles: dict[str, CycleMean] = {}
        self._baseline_pose: MeanPose | None = None
        self.settings = settings
        self.fit = Fit(definitions)
        self.history = StrokeHistory()

    def begin(self, kernel: Kernel | None) -> None:
        """Begin with the kernel of a new stream; None: there is none that can be used."""
        self.settle()
        self._kernel = kernel
        if kernel is not None:
            self._begin_trial(kernel, self.fit.mark_in_force)
            self._earlier = [None for _ in self.fit.marks]
            self.history = StrokeHistory()

    def _begin_trial(self, kernel: Kernel, mark_before: int) -> None:
        """Begin an empty trial; the strokes under way belong to what was before."""
        self.settle()
        moment, newest = kernel.moment(), kernel.newest()
        after = {}
        if moment is not None and np.isfinite(moment.crank):
            after = {
                side.side: int(np.floor((moment.crank + side.lead) / TURN))
                for side in kernel.plan.sides
            }
        self._segments = SegmentWatch(kernel.labels)
        self._trial = Trial(
            kernel.plan.sides,
            self._definitions.measures,
            self.settings.window,
            self.fit.bands(self.settings.discipline),
            after,
            mark=self.fit.mark_in_force,
            mark_before=mark_before,
            since=newest[1] if newest else None,
        )

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
        self.history.add(values, node=self._node, mark_of=self._trial.mark_of)
        cycles, poses = self._kernel.take_cycles(), self._kernel.take_poses()
        for pose in poses:
            self._segments.take(pose.first, pose.positions)
        self._trial.add_curves(cycles, poses)
        self._cycles_due |= bool(cycles)

    def _result_rows(self) -> list[ResultRow]:
        return self._trial.results.rows() if self._kernel else []

    def rows(self) -> list[Row]:
        """The rolling results of the present trial."""
        return self._rows.messages(self._result_rows(), self.fit)

    @property
    def since(self) -> float | None:
        """Device time (s) of the newest frame when the averages began anew; None: they did not."""
        return self._trial.since if self._kernel else None

    def strokes_in_window(self, side: str) -> int:
        """Strokes of a side in the window."""
        return self._trial.results.strokes(side) if self._kernel else 0

    def warnings(self) -> list[str]:
        """What the fitter should know of the markers, in words."""
        moved = self._segments.problem() if self._kernel else None
        if moved is None:
            return []
        return [f"{moved}: look at it, and restart the averages once it is right"]

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

    def baseline_pose(self) -> MeanPose | None:
        """The baseline's mean pose, once after each change of it."""
        pose, self._baseline_pose = self._baseline_pose, None
        return pose

    def set_window(self, window: Rolling) -> dict[str, float]:
        """Change what is averaged over, and return it as messages have it."""
        self.settings = self.settings.with_window(window)
        if self._kernel:
            self._trial.resize(window)
        return window_message(window)

    def restart(self) -> None:
        """Forget the strokes in the window."""
        if self._kernel:
            self._begin_trial(self._kernel, self.fit.mark_in_force)
            self._earlier = [None for _ in self.fit.marks]

    def keep_baseline(self) -> int:
        """Keep the present means to compare with, and return how many.

        Raises
        ------
        ValueError
            If there are none yet.
        """
        count = self.fit.keep_baseline(self._result_rows())
        if self._kernel:
            self.settle()
            self._baseline_cycles = self._trial.cycles()
            self._compare_with(mean_pose_message(self._node, self._kernel, self._trial))
        return count

    def drop_baseline(self) -> None:
        """Forget the means kept to compare with."""
        self.fit.baseline = {}
        self._baseline_cycles = {}
        self._compare_with(MeanPose(node=self._node, labels=[], xyz=b""))

    def _compare_with(self, pose: MeanPose) -> None:
        self._baseline_pose = pose
        self._cycles_due = self._kernel is not None
        self._rows.forget()

    def mark(self, part: str, amount: float, note: str) -> Mark:
        """Note an adjustment; the averages begin anew with it.

        Raises
        ------
        ValueError
            If there is no such adjustment.
        """
        newest = self._kernel.newest() if self._kernel else None
        t = newest[1] if newest else None
        mark = self.fit.mark(part, amount, note, t=t, rows=self._result_rows())
        if self._kernel:
            self._earlier.append(self._trial)
            self._begin_trial(self._kernel, self._trial.mark)
        self._rows.forget()
        return mark

    def unmark(self) -> Mark:
        """Take the latest mark back; the averages go on as if it had never been.

        Raises
        ------
        ValueError
            If there is none.
        """
        mark = self.fit.unmark()
        self.history.unmark(mark.number, self.fit.mark_in_force)
        if self._kernel:
            earlier = self._earlier.pop()
            if earlier is None:
                self._trial.mark = self._trial.mark_before = self.fit.mark_in_force
            else:
                bands = self.fit.bands(self.settings.discipline)
                self._trial = self._trial.after(earlier, bands, self.settings.window)
        self._rows.forget()
        return mark

    def set_discipline(self, name: str) -> None:
        """Judge by another discipline's bands.

        Raises
        ------
        ValueError
            If there is none of that name.
        """
        self._definitions.discipline(name)
        self.settings = self.settings.with_discipline(name)
        self._judge_anew()

    def edit_band(self, pair: Pair, low: float, high: float) -> None:
        """Judge one row by a band of the fitter's own.

        Raises
        ------
        ValueError
            If there is no such row, or the edges do not rise.
        """
        self.fit.edit_band(pair, low, high)
        self._judge_anew()

    def reset_bands(self) -> None:
        """Judge by the discipline's bands again."""
        self.fit.edited.clear()
        self._judge_anew()

    def _judge_anew(self) -> None:
        if self._kernel:
            self._trial.results.judge_by(self.fit.bands(self.settings.discipline))
