"""What a fault may know, and how its settings are given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from livefit.frames import FloatArray, StreamInfo
from simulators.chance import table
from simulators.rider import RiderSimulation

Share = Annotated[float, Field(ge=0, le=1)]
Seconds = Annotated[float, Field(ge=0)]
Positive = Annotated[float, Field(gt=0)]

_FIRST_STREAM = 100
"""Streams of chance below this are the sensor's."""


@dataclass(frozen=True)
class Scene:
    """What a fault may know: the ride, the stream, and which table of chance is its own."""

    simulation: RiderSimulation
    info: StreamInfo
    place: int = 0

    def column(self, label: str) -> int:
        """Column of a marker.

        Raises
        ------
        ValueError
            If the stream has none of that label.
        """
        if label not in self.info.labels:
            known = ", ".join(self.info.labels)
            raise ValueError(f"the fault needs the marker {label!r}, the stream has {known}")
        return self.info.labels.index(label)

    def chance(self, numbers: NDArray[np.int64], columns: int) -> FloatArray:
        """Uniform numbers (n, columns) on [0, 1) that belong to the frames."""
        first = int(numbers[0])
        rows = table(
            self.simulation.seed,
            _FIRST_STREAM + self.place,
            first,
            int(numbers[-1]) - first + 1,
            columns,
            uniform=True,
        )
        return rows[numbers - first]

    def seconds(self, numbers: NDArray[np.int64]) -> FloatArray:
        """True instants (n,) s of the frames since the ride began."""
        return numbers / self.info.rate_hz


class FaultSettings(BaseModel):
    """Settings of a fault, as a table in a file gives them."""

    model_config = ConfigDict(frozen=True, extra="forbid")
