"""What a capture of one side leaves for a trial that has two."""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass

from livefit.frames import FloatArray
from livefit.kernel.crank import CrankGeometry


@dataclass(frozen=True)
class OtherCapture:
    """What an earlier capture of the trial saw of the rider.

    Attributes
    ----------
    labels
        (m) canonical names of the markers of its side.
    pose
        (36, m, 3) mm in bike axes, as :meth:`Trial.mean_pose` has it.
    cranks
        By side, as the feet had them.
    """

    labels: tuple[str, ...]
    pose: FloatArray
    cranks: Mapping[str, CrankGeometry]

    def of_sides(self, sides: Set[str]) -> OtherCapture:
        """What it saw of these sides."""
        own = tuple(f"{side}_" for side in sides)
        columns = [k for k, label in enumerate(self.labels) if label.startswith(own)]
        return OtherCapture(
            tuple(self.labels[k] for k in columns),
            self.pose[:, columns],
            {side: crank for side, crank in self.cranks.items() if side in sides},
        )
