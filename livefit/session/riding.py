"""The strokes of one interval between two changes, and the numbers they amount to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from livefit.change.settling import HOLDS_WITHIN, MOST_STROKES, SHARE, strokes_aside
from livefit.definitions import Definitions
from livefit.frames import FloatArray
from livefit.kernel.crank import CrankGeometry
from livefit.kernel.cycles import GridPoses, StrokeCycle
from livefit.kernel.events import EventValues
from livefit.kernel.plan import SidePlan
from livefit.kernel.results import Bands, ResultRow, RollingResults
from livefit.kernel.rolling import Rolling, summarise
from livefit.node.curves import GRID
from livefit.session.models import Crank, Cycle, Number, Pose
from livefit.wire.numbers import SIDE, number

CYCLE_DIGITS: Final = 4
POSE_DIGITS: Final = 3
"""Of cycles (deg, mm) and poses (mm): far below what is measured, and a third of the bytes."""

Key = tuple[str, str, tuple[str, ...]]
"""Side, event, measures."""


@dataclass
class Riding:
    """What was ridden in an interval; several streams may have part in it.

    Attributes
    ----------
    sides
        Plans by side and measures.
    values, cycles
        As the kernel gave them, in the order of time.
    turns
        By marker: its (36, 3) places in each turn, mm.
    seconds, began_s
        Time from each stream's first stroke to its last; seconds since 1970 of the first.
    workloads
        Mean of each stream's channel, W, and seconds that it lasted.
    cranks
        What the feet say, by side.
    """

    sides: list[SidePlan] = field(default_factory=list)
    values: list[EventValues] = field(default_factory=list)
    cycles: list[StrokeCycle] = field(default_factory=list)
    turns: dict[str, list[FloatArray]] = field(default_factory=lambda: defaultdict(list))
    seconds: float = 0.0
    began_s: float | None = None
    workloads: list[tuple[float, float]] = field(default_factory=list)
    cranks: dict[str, CrankGeometry] = field(default_factory=dict)

    def add_poses(self, labels: Iterable[str], poses: Iterable[GridPoses]) -> None:
        """Take the markers round the crank; whole turns begin at the right crank's top."""
        turns: dict[int, FloatArray] = {}
        names = list(labels)
        for pose in poses:
            for row, points in enumerate(pose.positions):
                turn, place = divmod(pose.first + row, GRID)
                if turn not in turns:
                    turns[turn] = np.full((GRID, len(names), 3), np.nan, dtype=np.float32)
                turns[turn][place] = points
        for turn in sorted(turns):
            for column, name in enumerate(names):
                self.turns[name].append(turns[turn][:, column])

    @property
    def ridden(self) -> bool:
        """Whether there is a stroke in it."""
        return any(np.isfinite(v.values).any() for v in self.values)

    def numbers(self, definitions: Definitions, bands: Bands) -> Numbers:
        """Roll up what has settled.

        Each row (a measure at an event on a side) sets aside, by itself, the strokes at its
        beginning that still approach a level (:func:`livefit.change.settling.strokes_aside`, over
        its first 200 strokes), at most half of them. A cycle leaves out as many strokes as the
        row of its measure that leaves out the most, the mean pose as many as the middle row.
        """
        units = {measure.name: measure.unit for measure in definitions.measures}
        results = RollingResults(self.sides, definitions.measures, Rolling(), bands)
        asides: dict[tuple[str, str, str], int] = {}
        for key, whole in self._joined().items():
            left_out = [_aside(column, units[name]) for column, name in zip(
                whole.values.T, key[2], strict=True)]  # fmt: skip
            rows = np.arange(len(whole.values))[:, None]
            out = rows < np.array(left_out)[None]
            results.add(
                [replace(whole, values=np.where(out, np.nan, whole.values),
                         crank_deg=np.where(out, np.nan, whole.crank_deg))]
            )  # fmt: skip
            asides |= {(name, key[0], key[1]): n for name, n in zip(key[2], left_out, strict=True)}
        return Numbers([row for row in results.rows() if row.n], asides)

    def _joined(self) -> dict[Key, EventValues]:
        groups: dict[Key, list[EventValues]] = defaultdict(list)
        for v in self.values:
            groups[v.side, v.event, v.measures].append(v)
        return {
            key: EventValues(
                side=key[0],
                event=key[1],
                measures=key[2],
                strokes=np.concatenate([v.strokes for v in own]),
                t=np.concatenate([v.t for v in own]),
                crank_deg=np.concatenate([v.crank_deg for v in own]),
                values=np.concatenate([v.values for v in own]),
            )
            for key, own in groups.items()
        }

    def mean_cycles(self, asides: Mapping[tuple[str, str, str], int]) -> list[Cycle]:
        """Mean and spread of each measure round the crank."""
        by_side: dict[tuple[str, tuple[str, ...]], list[FloatArray]] = defaultdict(list)
        for cycle in self.cycles:
            by_side[cycle.side, cycle.measures].append(cycle.values)
        made = []
        for (side, names), kept in by_side.items():
            stack = np.stack(kept)
            for column, name in enumerate(names):
                own = [n for (m, s, _), n in asides.items() if (m, s) == (name, side)]
                found = summarise(stack[max(own, default=0) :, :, column])
                if found.n.any():
                    made.append(
                        Cycle(
                            measure=name, side=SIDE[side], n=int(found.n.max()),
                            mean=_rounded(found.mean), sd=_rounded(found.sd),
                        )
                    )  # fmt: skip
        return made

    def mean_pose(self, aside: int) -> Pose | None:
        """Mean places of the markers round the crank; None: no turn was whole enough."""
        labels, places = [], []
        for label in sorted(self.turns):
            turns = self.turns[label]
            stack = np.stack(turns[min(aside, len(turns) // 2) :]).astype(np.float64)
            mean = summarise(stack.reshape(len(stack), -1)).mean.reshape(GRID, 3)
            if np.isfinite(mean).any():
                labels.append(label)
                places.append(mean)
        if not labels:
            return None
        return Pose(
            labels=labels,
            positions=[[_place(points[k]) for points in places] for k in range(GRID)],
        )

    def crank_list(self) -> list[Crank]:
        """What the feet say of the cranks."""
        return [
            Crank(
                side="L" if side == "L" else "R",
                length_mm=crank.length,
                length_se_mm=crank.length_se,
                spindle_mm=(crank.spindle[0], crank.spindle[1]),
            )
            for side, crank in sorted(self.cranks.items())
        ]

    def workload_w(self) -> float | None:
        """Mean workload while the rider pedalled, where a channel tells it."""
        seconds = sum(lasted for _, lasted in self.workloads)
        if not seconds:
            return None
        return sum(watts * lasted for watts, lasted in self.workloads) / seconds


@dataclass(frozen=True)
class Numbers:
    """Rows over the strokes that count, and how many were set aside for each."""

    rows: list[ResultRow]
    asides: dict[tuple[str, str, str], int]

    def messages(self) -> list[Number]:
        """Rows as a session keeps them."""
        return [
            Number.model_validate(
                {
                    "measure": row.measure,
                    "side": row.side,
                    "event": row.event,
                    "crank_deg": number(row.crank_deg),
                    "unit": row.unit,
                    "n": row.n,
                    "mean": number(row.mean),
                    "sd": number(row.sd),
                    "se": number(row.se),
                    "ci95": None if np.isnan(row.low) else (row.low, row.high),
                    "band": row.band,
                    "verdict": row.verdict,
                }
            )
            for row in self.rows
        ]

    @property
    def cadence_rpm(self) -> float | None:
        """Mean over the sides."""
        found = [row.mean for row in self.rows if row.measure == "cadence"]
        return float(np.mean(found)) if found else None

    @property
    def middle_aside(self) -> int:
        """As many strokes as the middle row leaves out."""
        return int(np.ceil(np.median(list(self.asides.values())))) if self.asides else 0


def _aside(values: FloatArray, unit: str) -> int:
    found = strokes_aside(values[:MOST_STROKES], SHARE * HOLDS_WITHIN[unit])
    return min(found, len(values) // 2)


def _rounded(values: FloatArray) -> list[float | None]:
    return [number(value) for value in np.round(values, CYCLE_DIGITS).tolist()]


def _place(point: FloatArray) -> tuple[float, float, float] | None:
    if not np.isfinite(point).all():
        return None
    x, y, z = np.round(point, POSE_DIGITS).tolist()
    return x, y, z
