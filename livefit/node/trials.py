"""The trials of a ride, and what the fitter does between them."""

from __future__ import annotations

from livefit.change.loads import strokes_before
from livefit.definitions import Definitions
from livefit.node.ended import Adjusted
from livefit.node.fit import Pair
from livefit.node.riding import Riding
from livefit.node.settings import Settings
from livefit.node.snapshots import mean_pose_message
from livefit.node.trial import Trial
from livefit.wire.messages import Mark, MeanPose, PartMoved


class Trials(Riding):
    """The present trial, those before it, and what they are compared with.

    Parameters and attributes are those of :class:`Riding`.
    """

    def __init__(self, definitions: Definitions, settings: Settings, node: str) -> None:
        super().__init__(definitions, settings, node)
        self._baseline_pose: MeanPose | None = None

    def baseline_pose(self) -> MeanPose | None:
        """The baseline's mean pose, once after each change of it."""
        pose, self._baseline_pose = self._baseline_pose, None
        return pose

    def restart(self) -> None:
        """Forget the strokes in the window."""
        if self._kernel:
            self.settle()
            self._markers.accept()
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
        self._leave_out()
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
                self._leave_out()
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
