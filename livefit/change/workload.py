"""The workload of each stroke, where a channel tells it."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from livefit.frames import FloatArray, StreamInfo
from livefit.kernel.events import EventValues

LOAD = ("workload", "mean")
"""The channel's name and the event of its mean over each stroke."""
LOAD_UNITS = {"workload": "W"}
_KEPT_S = 20.0
"""A stroke is known to be over long before."""


def stroke_means(
    t: FloatArray, values: FloatArray, begin: FloatArray, end: FloatArray
) -> FloatArray:
    """Mean (s,) of a signal over each stroke, from its begin to its end (s,) s.

    Parameters
    ----------
    t, values
        (n,) s, rising, and the signal; NaN = no value.

    >>> stroke_means(np.arange(6.0), np.array([1.0, 3, np.nan, 5, 7, 9]), np.array([0.0, 3]),
    ...     np.array([3.0, 9])).tolist()
    [2.0, 7.0]
    """
    known = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    count = np.concatenate([[0], np.cumsum(known)])
    first, last = np.searchsorted(t, begin), np.searchsorted(t, end)
    n = (count[last] - count[first]).astype(float)
    means: FloatArray = (total[last] - total[first]) / np.where(n > 0, n, np.nan)
    return means


class StrokeLoads:
    """Keeps a channel's values until the strokes they belong to are over.

    Parameters
    ----------
    info
        The stream, with its channels.
    """

    def __init__(self, info: StreamInfo) -> None:
        names = [channel.name for channel in info.channels]
        self._column = names.index(LOAD[0]) if LOAD[0] in names else None
        self._t = np.empty(0)
        self._values = np.empty(0)

    def take(self, t: FloatArray, channels: FloatArray) -> None:
        """Take the stamps (n,) s and channels (n, c) of frames that follow."""
        if self._column is None or not len(t):
            return
        kept = int(np.searchsorted(self._t, t[0] - _KEPT_S))
        self._t = np.concatenate([self._t[kept:], t])
        self._values = np.concatenate([self._values[kept:], channels[:, self._column]])

    def of(self, values: Iterable[EventValues]) -> list[EventValues]:
        """Mean workload over each stroke just completed: of the right side, or of the only one."""
        if self._column is None:
            return []
        whole = [v for v in values if "cadence" in v.measures and v.event == LOAD[1]]
        side = "R" if any(v.side == "R" for v in whole) else "L"
        return [self._over(v) for v in whole if v.side == side]

    def _over(self, v: EventValues) -> EventValues:
        turn_s = 60.0 / v.values[:, v.measures.index("cadence")]
        means = stroke_means(self._t, self._values, v.t - turn_s, v.t)
        table = means[:, None]
        nowhere = np.full(table.shape, np.nan)
        return EventValues("B", LOAD[1], LOAD[:1], v.strokes, v.t, nowhere, table)
