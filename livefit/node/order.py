"""Frames put in order: each is passed on, or left out and counted under one name.

A frame whose number follows is passed on at once, and so is one after a gap, as long as no frame
has come out of turn: a sound stream is never made to wait. Once one has, a gap is waited for as
long as the latest frames needed to come, a tenth of a second at most, until for a minute none has.

A frame is left out as a *duplicate* if it was used before, and as *late* if a later one was. What
lies too far in the future, by its number or its stamp, is set aside: the frames that follow say
whether it was wrong. So is what lies in the past, for a device may have started again under the
same name: if frames go on there for 0.3 s while none comes in the old count, the stream begins
anew with them.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from livefit.frames import MarkerBlock, StreamInfo

AHEAD_S = 1.0
"""A step of number or stamp that time does not explain by so much is beyond reason."""
CONFIRM_S = 0.3
CONFIRM_FRAMES = 5
"""Frames of so long a time, and so many, confirm what was set aside."""
CONFIRM_MESSAGES = 3
"""Messages that confirm a leap of the numbers: the first and two that follow it."""
MOST_ASIDE_S = 10.0
"""Frames of so long a time on the device's clock confirm, however quickly they come."""
FORGET_ASIDE_S = 2.0
LEAST_WAIT_S = 0.005
MOST_WAIT_S = 0.1
WAIT_FACTOR = 1.5
CALM_S = 60.0
"""After so long without disorder nothing is waited for."""
_GAPS = 256

_Place = Literal["next", "past", "stamp ahead", "number ahead"]


@dataclass(frozen=True)
class Run:
    """Frames that are to be used now.

    Attributes
    ----------
    block
        They follow those before.
    arrived
        When they came, s.
    anew
        The device began to count anew with them: nothing before belongs to them.
    """

    block: MarkerBlock
    arrived: float
    anew: bool = False

    @property
    def first(self) -> int:
        """Number of the first frame."""
        return int(self.block.numbers[0])

    @property
    def last(self) -> int:
        """Number of the last frame."""
        return int(self.block.numbers[-1])


class FrameOrder:
    """Puts one stream's frames in order.

    Parameters
    ----------
    info
        What holds for every frame.

    Attributes
    ----------
    duplicates
        Frames left out because they were used before.
    disordered
        Frames that came after later ones, but in time to be put in their place.
    late
        Frames left out because later ones had been used.
    future
        Frames left out because their number or stamp lay beyond reason.
    restarts
        How often the device began to count anew.
    """

    def __init__(self, info: StreamInfo) -> None:
        self._rate_hz = info.rate_hz
        self._stamped = info.sampling == "stamped"
        self.duplicates = 0
        self.disordered = 0
        self.late = 0
        self.future = 0
        self.restarts = 0
        self._used: tuple[int, float, float] | None = None
        self._gaps: deque[tuple[int, int, float]] = deque(maxlen=_GAPS)
        self._held: list[Run] = []
        self._aside: list[Run] = []
        self._aside_place: _Place = "past"
        self._wait_s = 0.0
        self._disorder_at = 0.0

    def take(self, block: MarkerBlock, now: float) -> list[Run]:
        """Take a message's frames and return what is to be used now, in order.

        now: CLOCK_MONOTONIC, s.
        """
        out: list[Run] = []
        for part in self._alike(block):
            self._sort(part, now, out)
        if self._held or self._aside:
            out += self.due(now)
        return out

    def due(self, now: float) -> list[Run]:
        """What has waited long enough by now (s)."""
        out: list[Run] = []
        self._release(now, out)
        if self._aside and now - self._aside[-1].arrived > FORGET_ASIDE_S:
            self._drop_aside()
        return out

    def _alike(self, block: MarkerBlock) -> list[MarkerBlock]:
        """Cut a message where its stamps leap."""
        t, count = block.t, len(block)
        if count == 1 or t.max() - t.min() < (count - 1) / self._rate_hz + AHEAD_S:
            return [block]
        return _cut(block, np.abs(np.diff(t) - np.diff(block.numbers) / self._rate_hz) > AHEAD_S)

    def _place(self, block: MarkerBlock, now: float, used: tuple[int, float, float]) -> _Place:
        """Where frames lie, seen from the newest that was used: number, stamp (s), arrival (s)."""
        number, t, arrived = used
        step = (int(block.numbers[0]) - number) / self._rate_hz
        passed = max(now - arrived, 0.0)
        forward = float(block.t[0]) - t
        if step <= 0 or (self._stamped and forward < -AHEAD_S):
            return "past"
        if step > passed + AHEAD_S:
            return "number ahead"
        return "stamp ahead" if forward > max(step, passed) + AHEAD_S else "next"

    def _sort(self, block: MarkerBlock, now: float, out: list[Run]) -> None:
        if self._used is None:
            self._gaps.append((0, int(block.numbers[0]) - 1, now))
            self._pass_on(Run(block, now), out)
            return
        place = self._place(block, now, self._used)
        if place == "past" and not self._stamped and block.numbers[-1] > self._used[0]:
            new = int(np.searchsorted(block.numbers, self._used[0], side="right"))
            self._drop_past(Run(_rows(block, slice(0, new)), now))
            block, place = _rows(block, slice(new, None)), "next"
        if place == "next":
            self._drop_aside()
            self._in_turn(block, now, out)
        else:
            self._set_aside(block, place, now, out)

    def _in_turn(self, block: MarkerBlock, now: float, out: list[Run]) -> None:
        """Frames after those used: pass them on, or wait for those between."""
        if now - self._disorder_at > CALM_S:
            self._wait_s = 0.0
        follows = self._used is not None and block.numbers[0] == self._used[0] + 1
        if not self._held and (follows or not self._wait_s):
            self._pass_on(Run(block, now), out)
            return
        held = {number for run in self._held for number in run.block.numbers.tolist()}
        new = np.array([number not in held for number in block.numbers.tolist()])
        self.duplicates += int(np.count_nonzero(~new))
        runs = [Run(part, now) for part in _consecutive(_rows(block, new))]
        overtaken = [run for run in runs if self._held and run.first < self._held[-1].first]
        if overtaken:
            self.disordered += sum(len(run.block) for run in overtaken)
            self._learn(now - min(each.arrived for each in self._held), now)
        self._held = sorted([*self._held, *runs], key=lambda each: each.first)
        self._release(now, out)

    def _release(self, now: float, out: list[Run]) -> None:
        while self._held and self._used is not None:
            waited = now - min(run.arrived for run in self._held)
            if self._held[0].first > self._used[0] + 1 and waited < self._wait_s:
                return
            self._pass_on(self._held.pop(0), out)

    def _pass_on(self, run: Run, out: list[Run]) -> None:
        if self._used is not None and run.first > self._used[0] + 1:
            self._gaps.append((self._used[0] + 1, run.first - 1, run.arrived))
        self._used = (run.last, float(run.block.t[-1]), run.arrived)
        out.append(run)

    def _set_aside(self, block: MarkerBlock, place: _Place, now: float, out: list[Run]) -> None:
        """Keep what does not belong here until those that follow say where it does."""
        run = Run(block, now)
        if self._aside and self._place(block, now, _end(self._aside[-1])) != "next":
            self._drop_aside()
        if not self._aside:
            self._aside_place = place
        self._aside.append(run)
        frames = sum(len(each.block) for each in self._aside)
        if self._aside_place == "number ahead":
            sure = len(self._aside) >= CONFIRM_MESSAGES
        else:
            long = now - self._aside[0].arrived >= CONFIRM_S and frames >= CONFIRM_FRAMES
            sure = long or frames >= MOST_ASIDE_S * self._rate_hz
        if sure:
            self._confirm(out)

    def _confirm(self, out: list[Run]) -> None:
        """What was set aside was right."""
        for run in self._held:
            self._pass_on(run, out)
        self._held = []
        runs, self._aside = self._aside, []
        anew = self._aside_place == "past"
        if self._aside_place == "number ahead" and self._used is not None:
            # A recording's gap has the stamps leap too; a device that counts anew has not.
            step = (runs[0].first - self._used[0]) / self._rate_hz
            anew = abs(float(runs[0].block.t[0]) - self._used[1] - step) > AHEAD_S
        if anew:
            self.restarts += 1
            self._used = None
            self._gaps.clear()
            self._gaps.append((0, runs[0].first - 1, runs[0].arrived))
        for k, run in enumerate(runs):
            self._pass_on(replace(run, anew=anew and k == 0), out)

    def _drop_aside(self) -> None:
        """What was set aside was wrong."""
        runs, self._aside = self._aside, []
        for run in runs:
            if self._aside_place == "past":
                self._drop_past(run)
            else:
                self.future += len(run.block)

    def _drop_past(self, run: Run) -> None:
        """Leave out frames that were used before, or that come too late."""
        late = 0
        for number in run.block.numbers.tolist():
            since = self._fill_gap(number)
            if since is not None:
                self._learn(run.arrived - since, run.arrived)
            late += since is not None or (self._used is not None and number > self._used[0])
        self.late += late
        self.duplicates += len(run.block) - late

    def _fill_gap(self, number: int) -> float | None:
        """When (s) the gap that the number fills was passed over; None: the number was used."""
        for k, (first, last, since) in enumerate(self._gaps):
            if first <= number <= last:
                del self._gaps[k]
                for part in ((first, number - 1), (number + 1, last)):
                    if part[0] <= part[1]:
                        self._gaps.append((*part, since))
                return since
        return None

    def _learn(self, behind_s: float, now: float) -> None:
        """Disorder was seen: frames came so much behind (s) later ones."""
        if behind_s <= MOST_WAIT_S:
            wait = min(max(WAIT_FACTOR * behind_s, LEAST_WAIT_S), MOST_WAIT_S)
            self._wait_s = max(self._wait_s, wait)
            self._disorder_at = now


def _end(run: Run) -> tuple[int, float, float]:
    return run.last, float(run.block.t[-1]), run.arrived


def _consecutive(block: MarkerBlock) -> list[MarkerBlock]:
    return _cut(block, np.diff(block.numbers) != 1) if len(block) else []


def _cut(block: MarkerBlock, after: NDArray[np.bool_]) -> list[MarkerBlock]:
    """Cut n frames after each of those that the (n - 1,) mask says."""
    edges = [0, *(np.flatnonzero(after) + 1).tolist(), len(block)]
    return [_rows(block, slice(a, b)) for a, b in pairwise(edges)]


def _rows(block: MarkerBlock, rows: slice | NDArray[np.bool_]) -> MarkerBlock:
    return MarkerBlock(
        block.numbers[rows], block.t[rows], block.positions[rows], block.channels[rows]
    )
