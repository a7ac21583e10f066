"""Where a node began with a recorded stream: only from there on its numbers come back.

The recorder may hear frames before the node does, or the node may be started later. The crank is
found from the first frames, so that one frame more gives other numbers in their last digits, and
at the beginning in their first.
"""

from __future__ import annotations

from typing import Final

from livefit.recording.reading import Run
from livefit.wire.codec import WireError, decode
from livefit.wire.messages import Snapshot

SAMPLE_NS: Final = 500_000_000
"""Snapshots are looked at so far apart; each tells the whole truth of its moment."""


class Beginnings:
    """What nodes told of the first frames that they used, and when, in the order of time."""

    def __init__(self) -> None:
        self._told: dict[tuple[str, str, int], tuple[float, int]] = {}
        self._looked_ns: int | None = None

    def hear(self, run: Run) -> None:
        """Take recorded snapshots; those that do not follow the protocol tell nothing."""
        for raw, arrived_ns in zip(run.raws, run.arrived_ns.tolist(), strict=True):
            if self._looked_ns is not None and abs(arrived_ns - self._looked_ns) < SAMPLE_NS:
                continue
            self._looked_ns = arrived_ns
            try:
                snapshot = decode(Snapshot, raw.tobytes())
            except WireError:
                continue
            first = snapshot.health.first
            if snapshot.stream is not None and first is not None:
                count = snapshot.node, snapshot.stream, snapshot.health.restarts
                self._told.setdefault(count, (arrived_ns / 1e9, first))

    def of(self, stream: str, begins_s: list[float]) -> list[list[int]]:
        """Where nodes began with a stream, each time that it counted anew.

        Parameters
        ----------
        stream
            Its name.
        begins_s
            When each count's first frame came, rising, seconds since 1970.

        Returns
        -------
        list
            By count: numbers of first frames, each once, that of the first node first.
        """
        firsts: list[list[int]] = [[] for _ in begins_s]
        for (_, told_of, _), (arrived_s, first) in self._told.items():
            if told_of != stream:
                continue
            under_way = max(sum(begin <= arrived_s for begin in begins_s) - 1, 0)
            if first not in firsts[under_way]:
                firsts[under_way].append(first)
        return firsts
