"""The trials of a ride, and what the fitter does between them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial

import numpy as np

from livefit.change.loads import strokes_before
from livefit.definitions import Definitions
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from livefit.kernel.phase import TURN
from livefit.kernel.results import ResultRow
from livefit.kernel.rolling import Rolling
from livefit.node.beside import Beside
from livefit.node.comparing import Comparing
from livefit.node.ended import Adjusted, Ended
from livefit.node.fit import Fit, Pair
from livefit.node.history import StrokeHistory
from livefit.node.intake import Intake
from livefit.node.placements import PlacementWatch
from livefit.node.settings import Settings
from livefit.node.snapshots import RowMaker, cycles_message, mean_pose_message, window_message
from livefit.node.trial import CycleMean, Trial
from livefit.wire.change_messages import Changes
from livefit.wire.messages import Cycles, Mark, MeanPose, PartMoved, Row, Stroke


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
        self._baseline_pose: MeanPose | None = None
        self._markers = PlacementWatch(settings.markers_stayed)
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
        if changed:
            self._markers.begin_again(kernel.labels)
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
        self.history.add(values, node=self._node, mark_of=partial(self._ended.mark_of, self._trial))
        cycles, poses = self._kernel.take_cycles(), self._kernel.take_poses()
        self._markers.take(poses)
        self.comparing.placement = self._markers.number
        self._trial.add_curves(cycles, poses)
        self._cycles_due |= bool(cycles)
        self._ended.add(self._trial.settle([*values, *self.beside.loads(values)]))
        leading = "R" if "R" in self._kernel.plan.seen else "L"
        if any(cycle.side == leading for cycle in cycles):
            self.comparing.ask(self._trial.strokes, self.fit)

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
        moved = self._markers.problem() if self._kernel else None
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

    def changes(self) -> Changes | None:
        """What has changed, once after each stroke; each call does one row's work for it."""
        self.settle()
        if self._kernel is None:
            return None
        return self.comparing.work(self._trial.strokes, self.fit)

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
            self._begin_trial(self._kernel, self.fit.mark_in_force, changed=True)
            self._ended.part()
        self._last = None

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
            self.comparing.keep_baseline(self._trial.strokes)
            self.beside.keep_baseline()
            self._compare_with(mean_pose_message(self._node, self._kernel, self._trial))
        return count

    def drop_baseline(self) -> None:
        """Forget the means kept to compare with."""
        self.fit.baseline = {}
        self._baseline_cycles = {}
        self.comparing.baseline = None
        self.beside.drop_baseline()
        self._compare_with(MeanPose(node=self._node, labels=[], xyz=b""))

    def _compare_with(self, pose: MeanPose) -> None:
        self._baseline_pose = pose
        self._cycles_due = self._kernel is not None
        self.look_again()

    def look_again(self) -> None:
        """What rows are compared with, or which trial they are of, has changed."""
        self._rows.forget()
        if self._kernel:
            self.comparing.ask(self._trial.strokes, self.fit)

    def mark(self, part: str, amount: float | None, note: str) -> Mark:
        """Note an adjustment; the averages begin anew with it.

        Where nobody has ridden since the latest mark, both are compared with what was before both.

        Parameters
        ----------
        amount
            None: as the markers on the bicycle show it.

        Raises
        ------
        ValueError
            If there is no such adjustment, or its amount cannot be measured.
        """
        if amount is None:
            amount = self.beside.measured(self._definitions.adjustment(part).name, self._stop())
        self.settle()
        newest = self._kernel.newest() if self._kernel else None
        ended = self._ridden()
        mark = self.fit.mark(
            part, amount, note,
            t=newest[1] if newest else None,
            rows=None if ended is None else ended[0].results.rows(),
        )  # fmt: skip
        if ended is not None:
            self.comparing.keep(ended[0].strokes, ended[1])
        elif not self.comparing.past:
            self.comparing.keep(None, self.comparing.placement)
        if self._kernel:
            self._ended.append(self._trial)
            self._begin_trial(self._kernel, self._trial.mark, changed=True)
        self.beside.mark()
        self.look_again()
        return mark

    def _ridden(self) -> tuple[Trial, int] | None:
        """What was last ridden since the latest mark, and with which placement; None: nothing."""
        if self._kernel and self._trial.ridden:
            return self._trial, self.comparing.placement
        last = self._last
        return last if last is not None and last[0].mark == self.fit.mark_in_force else None

    def _stop(self) -> list[str]:
        """Parts marked since anybody has ridden."""
        stops = self.fit.stops
        return [mark.part for mark in stops[-1]] if stops and self._ridden() is None else []

    def moved(self) -> list[PartMoved]:
        """How far parts of the bicycle were moved."""
        return self.beside.moved(self._stop())

    def edit_mark(
        self, number: int, *, part: str | None, amount: float | None, note: str | None
    ) -> Mark:
        """Change what a mark says; the strokes stay where they are.

        Raises
        ------
        ValueError
            If there is no such mark or adjustment.
        """
        mark = self.fit.edit_mark(number, part=part, amount=amount, note=note)
        self.look_again()
        return mark

    def take_offer(self, number: int, part: str, amount: float | None, note: str) -> Mark:
        """Make a mark of a change that nobody marked, where it was found.

        Parameters
        ----------
        amount
            None: as the markers on the bicycle show it.

        Raises
        ------
        ValueError
            If there is no such offer or adjustment, or its amount cannot be measured.
        """
        if self._kernel is None:
            raise ValueError("there is no stream, and no offer")
        offer = self.comparing.offers.find(number)
        if amount is None:
            amount = self.beside.measured(self._definitions.adjustment(part).name, self._stop())
        plans = [plan.side for plan in self._kernel.plan.sides]
        after = strokes_before(self._trial.strokes, offer.t, plans)
        bands = self.fit.bands(self.settings.discipline)
        early, late = self._trial.split(after, bands)
        mark = self.fit.mark(part, amount, note, t=offer.t, rows=early.results.rows())
        late.mark, late.since = mark.number, mark.t
        self.history.mark_since(mark.number, after)
        self._ended.append(early)
        self.comparing.keep(early.strokes, self.comparing.placement)
        self._trial = late
        self.comparing.begin_again()
        self.beside.mark()
        self.look_again()
        return mark

    def drop_offer(self, number: int) -> None:
        """Forget a change that nobody marked.

        Raises
        ------
        ValueError
            If there is no such offer.
        """
        self.comparing.offers.drop(number)
        self.look_again()

    @property
    def present(self) -> Trial | None:
        """The present trial; None: there is no stream."""
        return self._trial if self._kernel else None

    def adjustments(self) -> list[Adjusted]:
        """What marks have done, the trials before and after them in this stream."""
        if not self._kernel:
            return []
        placements = [*(each.placement for each in self.comparing.past), self.comparing.placement]
        return self._ended.adjustments(self.fit.stops, placements, self._trial)

    def unmark(self) -> Mark:
        """Take the latest mark back; the averages go on as if it had never been.

        Raises
        ------
        ValueError
            If there is none.
        """
        mark = self.fit.unmark()
        self.history.unmark(mark.number, self.fit.mark_in_force)
        del self.comparing.past[len(self.fit.stops) :]
        self.beside.unmark()
        if self._kernel:
            self.settle()
            earlier = self._ended.pop()
            if earlier is None:
                self._trial.mark = self._trial.mark_before = self.fit.mark_in_force
            else:
                bands = self.fit.bands(self.settings.discipline)
                self._trial = self._trial.after(earlier, bands, self.settings.window)
            self.comparing.begin_again()
        self.look_again()
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
