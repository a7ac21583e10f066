"""Points without a marker: the pedal spindles and the axle, which the crank angle places."""

from __future__ import annotations

import numpy as np

from livefit.frames import FloatArray
from livefit.kernel.crank import BikeFrame, KnownAxis
from livefit.kernel.measuring import AXLE_ROW, VIRTUAL_POINTS


class VirtualPoints:
    """Puts the points without a marker behind the markers.

    Parameters
    ----------
    axis
        The crank axis as measured on the bicycle, if it was.
    """

    def __init__(self, axis: KnownAxis | None) -> None:
        self._axis = axis

    def behind(self, bike: BikeFrame, points: FloatArray, phase: FloatArray) -> FloatArray:
        """Markers (..., m, 3) in capture axes -> (..., m + virtual, 3) in bike axes, mm.

        phase (...): crank angle, rad.
        """
        markers = points.shape[-2]
        full = np.empty((*points.shape[:-2], markers + len(VIRTUAL_POINTS), 3))
        full[..., :markers, :] = bike.to_bike(points)
        self.put(bike, full[..., markers:, :], phase)
        return full

    def put(self, bike: BikeFrame, points: FloatArray, phase: FloatArray) -> None:
        """Fill points (..., 3, 3), the virtual ones in bike axes, at crank phases (...) rad.

        With one side alone nobody knows how far the axle's middle is from that foot.
        """
        for k, (side, lead) in enumerate((("L", np.pi), ("R", 0.0))):
            if side not in bike.cranks:
                points[..., k, :] = np.nan
            else:
                crank = bike.cranks[side]
                centre = crank.centre if self._axis is None else self._axis.centre(bike, crank)
                angle = phase + lead
                points[..., k, 0] = centre[0] + crank.length * np.sin(angle)
                points[..., k, 1] = centre[1] + crank.length * np.cos(angle)
                points[..., k, 2] = crank.outward
        points[..., AXLE_ROW, :] = 0.0
        if not bike.has_mid_plane:
            points[..., AXLE_ROW, 2] = np.nan
