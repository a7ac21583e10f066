"""The parts that published messages are made of."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from itertools import repeat

from livefit.change.needed import Needed, needed
from livefit.frames import FloatArray
from livefit.kernel.crank import CrankGeometry
from livefit.kernel.kernel import Kernel
from livefit.kernel.plan import SidePlan
from livefit.kernel.results import ResultRow
from livefit.kernel.rolling import Rolling
from livefit.node.curves import CycleMean
from livefit.node.fit import Fit
from livefit.node.intake import Intake
from livefit.node.trial import Trial
from livefit.wire.messages import Clock, Crank, Cycles, Health, Live, MeanPose, Row, SideCycles
from livefit.wire.numbers import SIDE, buffer, number

ONE_MORE = Needed(1)


class RowMaker:
    """Makes rows into messages; those of unchanged results are the same objects as before.

    Parameters
    ----------
    holds_within
        By unit: how narrow a mean's 95 % interval must be for it to hold.
    """

    def __init__(self, holds_within: Mapping[str, float]) -> None:
        self._holds_within = holds_within
        self._made: list[tuple[ResultRow, Row]] = []

    def forget(self) -> None:
        """What the rows are compared with has changed."""
        self._made = []

    def messages(self, rows: Sequence[ResultRow], fit: Fit, trial: Trial) -> list[Row]:
        """Rows as they are published."""
        most = trial.holds
        before = self._made if len(self._made) == len(rows) else repeat((None, None))
        self._made = [
            (row, self._row(row, fit, trial, most) if made is None or row is not same else made)
            for row, (same, made) in zip(rows, before, strict=False)
        ]
        return [made for _, made in self._made]

    def _row(self, row: ResultRow, fit: Fit, trial: Trial, most: int) -> Row:
        key = (row.measure, row.side, row.event)
        within = self._holds_within[row.unit]
        wanted = needed(row.n, row.sd, within, inflation=trial.inflation(key), most=most)
        if wanted.more == 0 and row.high - row.low > 2 * within:
            # The strokes in the window are more alike than the trial's.
            wanted = ONE_MORE
        return Row(
            measure=row.measure,
            side=SIDE[row.side],
            event=row.event,
            crank_deg=number(row.crank_deg),
            unit=row.unit,
            n=row.n,
            last=number(row.last),
            mean=number(row.mean),
            sd=number(row.sd),
            se=number(row.se),
            ci95=None if math.isnan(row.low) else [row.low, row.high],
            band=list(row.band) if row.band else None,
            verdict=row.verdict,
            baseline=fit.baseline.get(key),
            before=fit.before.get(key),
            needed=wanted.more,
            too_short=wanted.too_short,
            left_out=trial.left_out(key),
        )


def crank_messages(cranks: Mapping[str, CrankGeometry]) -> list[Crank]:
    """What the feet say of the cranks."""
    return [
        Crank(
            side="L" if side == "L" else "R",
            length_mm=crank.length,
            length_se_mm=crank.length_se,
            spindle_mm=list(crank.spindle),
            spindle_se_mm=list(crank.spindle_se),
        )
        for side, crank in sorted(cranks.items())
    ]


def health_message(
    intake: Intake | None, *, now: float, delay_ms: float | None, refused_messages: int
) -> Health:
    """The state of the stream now (s); None: there is none yet."""
    if intake is None:
        return Health(
            frames=0, lost=0, gaps=0, rate_hz=None, missing={}, delay_ms=delay_ms,
            refused_messages=refused_messages,
        )  # fmt: skip
    health, order, clock = intake.health, intake.order, intake.clock.report(now)
    return Health(
        frames=health.frames,
        lost=health.lost,
        gaps=health.gaps,
        rate_hz=health.rate_hz,
        missing=health.missing(),
        delay_ms=delay_ms,
        refused_messages=refused_messages,
        duplicates=order.duplicates,
        disordered=order.disordered,
        late=order.late,
        future=order.future,
        restarts=order.restarts,
        first=health.first,
        clock=None if clock is None else Clock(**vars(clock)),
    )


def live_messages(
    sides: Sequence[SidePlan],
    values: Mapping[str, FloatArray],
    in_doubt: Callable[[str, str], bool],
) -> list[Live]:
    """The measures of one frame, without those that are in doubt."""
    return [
        Live(
            measure=measure.name,
            side=SIDE[side.side],
            value=None if in_doubt(measure.name, side.side) else number(value),
        )
        for side in sides
        if side.side in values
        for measure, value in zip(side.measures, values[side.side].tolist(), strict=True)
    ]


def cycles_message(
    node: str, cycles: Mapping[str, CycleMean], baseline: Mapping[str, CycleMean]
) -> Cycles:
    """Mean cycles beside those of the baseline."""
    return Cycles(
        node=node,
        sides=[
            SideCycles(
                side=SIDE[side],
                measures=list(own.measures),
                stroke=own.stroke,
                n=own.n,
                last=buffer(own.last),
                mean=buffer(own.mean),
                sd=buffer(own.sd),
                baseline=_baseline_cycle(own, baseline.get(side)),
            )
            for side, own in sorted(cycles.items())
        ],
    )


def _baseline_cycle(own: CycleMean, baseline: CycleMean | None) -> bytes:
    """Empty where there is none, or where it is of other measures."""
    if baseline is None or baseline.measures != own.measures:
        return b""
    return buffer(baseline.mean)


def mean_pose_message(node: str, kernel: Kernel, trial: Trial) -> MeanPose:
    """The mean pose round the crank; empty before there is one."""
    pose = trial.mean_pose()
    xyz = b"" if pose is None else buffer(pose)
    return MeanPose(node=node, labels=list(kernel.labels), xyz=xyz)


def window_message(window: Rolling) -> dict[str, float]:
    """What is averaged over."""
    if window.strokes is not None:
        return {"strokes": float(window.strokes)}
    return {"seconds": window.seconds} if window.seconds is not None else {}
