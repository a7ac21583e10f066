"""The baseline's mean pose at any crank position."""

from __future__ import annotations

import numpy as np

from livefit.dashboard.figure import Place
from livefit.wire.messages import MeanPose
from livefit.wire.numbers import table

POSES = 36
STEP_DEG = 360.0 / POSES


class BaselinePose:
    """Mean pose round the crank, linear between its neighbours.

    Parameters
    ----------
    message
        36 poses, every 10 deg of the right crank.

    Raises
    ------
    ValueError
        The positions do not match the labels.
    """

    def __init__(self, message: MeanPose) -> None:
        self.node = message.node
        self._labels = message.labels
        self._xyz = table(message.xyz, (POSES, len(message.labels), 3)) if message.xyz else None

    def at(self, crank_deg: float | None) -> dict[str, Place] | None:
        """Markers with the right crank at ``crank_deg``; those missing on either side left out."""
        if crank_deg is None or self._xyz is None:
            return None
        step, share = divmod(crank_deg % 360.0 / STEP_DEG, 1.0)
        one, two = self._xyz[int(step) % POSES], self._xyz[(int(step) + 1) % POSES]
        # Where the share is nothing a missing neighbour takes nothing away.
        mean = one if share == 0.0 else (1 - share) * one + share * two
        return {
            label: (x, y, z)
            for label, (x, y, z) in zip(self._labels, mean.tolist(), strict=True)
            if np.isfinite(x + y + z)
        }
