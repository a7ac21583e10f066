"""What the node told while a recording was made: marks, bands, discipline, when averages began."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from livefit.kernel.results import Bands
from livefit.recording.reading import entries, survey
from livefit.sources.recorded import is_recorded
from livefit.wire.codec import WireError, decode
from livefit.wire.messages import Mark, Snapshot

SAMPLE_S: Final = 0.5
"""Snapshots are looked at so far apart; each is the whole truth of its moment."""


@dataclass(frozen=True)
class Interval:
    """The time between two marks that were not taken back.

    Attributes
    ----------
    mark
        The mark that it begins with; None: nothing was changed before it.
    at_s
        When it was first told of, seconds since 1970.
    stream
        That ran then.
    last
        The last snapshot of it.
    """

    mark: Mark | None
    at_s: float
    stream: str | None
    last: Snapshot

    def bands(self) -> Bands:
        """The bands in force at its end, those edited by the fitter among them."""
        return {
            (row.measure, row.event): (row.band[0], row.band[1])
            for row in self.last.rows
            if row.band is not None
        }


def intervals_of(path: Path) -> list[Interval]:
    """Return the intervals that a recording holds, oldest first; none where no node was heard.

    A node that was started again knows no marks: what it tells before its first one goes on
    with the interval before.
    """
    told: dict[str, dict[tuple[int, ...], _Told]] = {}
    for arrived_s, snapshot in _sampled(path):
        marks = tuple(mark.number for mark in snapshot.marks)
        of_node = told.setdefault(snapshot.node, {})
        first = of_node[marks] if marks in of_node else _Told(arrived_s, snapshot.stream, snapshot)
        of_node[marks] = replace(first, last=snapshot)
    found: list[Interval] = []
    for of_node in told.values():
        own = _of_one_node(list(of_node.values()))
        if found and own[0].mark is None:
            # The bicycle is as it was; what is told now judges it.
            found[-1] = replace(found[-1], last=own.pop(0).last)
        found += own
    return found


def told_in(path: Path) -> list[Interval]:
    """The same of any recorded file: none where it keeps no results."""
    return intervals_of(path) if is_recorded(path) else []


@dataclass(frozen=True)
class _Told:
    """What was told while the same marks were set."""

    first_s: float
    stream: str | None
    last: Snapshot


def _of_one_node(told: list[_Told]) -> list[Interval]:
    newest = max((each.last for each in told), key=lambda snapshot: snapshot.number)
    kept = {mark.number: mark for mark in newest.marks}
    by_mark: dict[int, list[_Told]] = {}
    for each in told:
        number = max((m.number for m in each.last.marks if m.number in kept), default=0)
        by_mark.setdefault(number, []).append(each)
    for number in kept.keys() - by_mark.keys():
        # The next one came at once.
        by_mark[number] = [each for each in told if number in {m.number for m in each.last.marks}]
    found = []
    for number, own in sorted(by_mark.items()):
        first = min(own, key=lambda each: each.first_s)
        last = max((each.last for each in own), key=lambda snapshot: snapshot.number)
        found.append(Interval(kept.get(number), first.first_s, first.stream, last))
    return found


def _sampled(path: Path) -> list[tuple[float, Snapshot]]:
    """Snapshots half a second apart, and the last of each node."""
    kept: list[tuple[float, bytes]] = []
    newest: tuple[float, bytes] | None = None
    for entry in entries(survey(path), topics=("results",)):
        newest = entry.arrived_ns / 1e9, entry.raw
        if not kept or newest[0] - kept[-1][0] >= SAMPLE_S:
            kept.append(newest)
    if newest is not None and newest is not kept[-1]:
        kept.append(newest)
    read = []
    for arrived_s, raw in kept:
        try:
            read.append((arrived_s, decode(Snapshot, raw)))
        except WireError:
            continue
    return read
