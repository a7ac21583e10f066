"""Every measure round the crank, as the node last told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livefit.definitions.models import Side
from livefit.frames import FloatArray
from livefit.wire.messages import Cycles, SideCycles

ROWS = 37
CRANK_DEG: FloatArray = np.linspace(0.0, 360.0, ROWS)
"""(37,) crank angles of a cycle, deg: 0 to 360 on the side's own crank."""


@dataclass(frozen=True, eq=False)
class Cycle:
    """One measure of one side at every angle of `CRANK_DEG`, (37,) each; NaN = no value."""

    stroke: int
    n: int
    """Strokes in the mean."""
    last: FloatArray
    mean: FloatArray
    sd: FloatArray
    baseline: FloatArray | None


class CycleKeeper:
    """The newest cycles of all sides."""

    def __init__(self) -> None:
        self._cycles: dict[tuple[str, str], Cycle] = {}
        self.version = 0
        """Rises with every message."""

    def take(self, cycles: Cycles) -> None:
        """Show these in place of all before them.

        Raises
        ------
        ValueError
            A buffer does not hold 37 float32 for each measure; nothing has changed then.
        """
        self._cycles = {key: c for side in cycles.sides for key, c in _decoded(side).items()}
        self.version += 1

    def clear(self) -> None:
        """Forget all."""
        self._cycles = {}
        self.version += 1

    def cycle(self, measure: str, side: Side) -> Cycle | None:
        """The measure's cycle on this side, or None before the first."""
        return self._cycles.get((measure, side))

    def __len__(self) -> int:
        return len(self._cycles)


def _decoded(cycles: SideCycles) -> dict[tuple[str, str], Cycle]:
    last, mean, sd = (_table(cycles, name) for name in ("last", "mean", "sd"))
    baseline = _table(cycles, "baseline") if cycles.baseline else None
    return {
        (measure, cycles.side): Cycle(
            cycles.stroke, cycles.n, last[k], mean[k], sd[k],
            None if baseline is None else baseline[k],
        )
        for k, measure in enumerate(cycles.measures)
    }  # fmt: skip


def _table(cycles: SideCycles, name: str) -> FloatArray:
    """(measures, 37)."""
    buffer: bytes = getattr(cycles, name)
    count = len(cycles.measures)
    if len(buffer) != 4 * ROWS * count:
        raise ValueError(
            f"cycles of side {cycles.side}: expected {ROWS} x {count} float32, "
            f"{4 * ROWS * count} bytes, in {name!r}, found {len(buffer)} bytes"
        )
    return np.frombuffer(buffer, "<f4").reshape(ROWS, count).T.astype(np.float64)
