"""A block of frames through a kernel, and which strokes lie between two of its rows."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from livefit.frames import MarkerBlock
from livefit.kernel.cycles import GridPoses
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from livefit.kernel.phase import TURN
from livefit.kernel.strokes import GRID_PER_TURN

_STEP_S = 20.0
"""A kernel keeps the cycles and poses of twice as many turns as can be ridden in that time."""


@dataclass(frozen=True)
class Span:
    """Strokes by side: those after a number, up to another; where none is given, all."""

    after: Mapping[str, float]
    until: Mapping[str, float]

    def holds(self, side: str, stroke: int) -> bool:
        """Whether a stroke is among them."""
        return self.after.get(side, -np.inf) < stroke <= self.until.get(side, np.inf)

    def part(self, v: EventValues) -> EventValues:
        """The part of the values that is of these strokes."""
        low, high = self.after.get(v.side, -np.inf), self.until.get(v.side, np.inf)
        rows = np.flatnonzero((v.strokes > low) & (v.strokes <= high))
        if len(rows) == len(v.strokes):
            return v
        return replace(
            v, strokes=v.strokes[rows], t=v.t[rows], crank_deg=v.crank_deg[rows],
            values=v.values[rows],
        )  # fmt: skip

    def poses(self, poses: Iterable[GridPoses]) -> Iterator[GridPoses]:
        """The markers round the right crank in these strokes."""
        for pose in poses:
            turns = (pose.first + np.arange(len(pose.positions))) // GRID_PER_TURN
            rows = [k for k, turn in enumerate(turns.tolist()) if self.holds("R", turn)]
            if rows:
                yield GridPoses(pose.first + rows[0], pose.positions[rows[0] : rows[-1] + 1])


def passed(
    kernel: Kernel,
    block: MarkerBlock,
    take: Callable[[MarkerBlock, list[EventValues]], None],
    *,
    rate_hz: float,
    cuts: Sequence[int] = (),
    restarts: Collection[int] = (),
    at_restart: Callable[[], object] = lambda: None,
) -> list[dict[str, float]]:
    """Push a block through a kernel.

    Parameters
    ----------
    take
        Given the frames of each step and the values that became final with them.
    rate_hz
        Frames a second, roughly.
    cuts
        Rows, rising, before which the block is cut.
    restarts
        Those of them at which the averages were restarted.
    at_restart
        Called there.

    Returns
    -------
    list
        For each cut, by side: the stroke under way, which belongs to what was before as in the
        node; -inf where there was none yet.
    """
    under_way: list[dict[str, float]] = []
    latest = dict.fromkeys((plan.side for plan in kernel.plan.sides), -np.inf)
    begin, step = 0, max(1, int(_STEP_S * rate_hz))
    for stop in [*cuts, len(block)]:
        for start in range(begin, stop, step):
            rows = slice(start, min(start + step, stop))
            frames = MarkerBlock(
                block.numbers[rows], block.t[rows], block.positions[rows], block.channels[rows]
            )
            values = kernel.push(frames)
            take(frames, values)
            for v in values:
                if len(v.strokes):
                    latest[v.side] = max(latest[v.side], float(v.strokes[-1]))
        begin = stop
        if len(under_way) < len(cuts):
            under_way.append(latest | _at_the_crank(kernel))
            if stop in restarts:
                at_restart()
    return under_way


def _at_the_crank(kernel: Kernel) -> dict[str, float]:
    moment = kernel.moment()
    if moment is None or not np.isfinite(moment.crank):
        return {}
    return {
        plan.side: float(np.floor((moment.crank + plan.lead) / TURN)) for plan in kernel.plan.sides
    }
