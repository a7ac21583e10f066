"""The trials in a recording: their strokes in all its streams, and the rider in each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from livefit.analysis import Analysis
from livefit.analysis.comparison import Trial
from livefit.analysis.posed import Posed, PosedStream
from livefit.change.trials import TrialStrokes
from livefit.session.cutting import Part, Places, cuts_of, places_of, trials_among
from livefit.session.told import Interval
from livefit.wire.messages import Mark


@dataclass(frozen=True)
class Ridden:
    """What was ridden in a recording.

    Attributes
    ----------
    trials
        One at least; it may be without a stroke.
    streams
        Each stream analysed, all of its strokes.
    """

    trials: list[Trial]
    streams: list[Analysis]

    @property
    def longest(self) -> Analysis:
        """The stream with the most frames."""
        return max(self.streams, key=lambda each: each.frames)


@dataclass
class _Interval:
    """What was ridden between two changes so far."""

    strokes: TrialStrokes = field(default_factory=lambda: TrialStrokes({}))
    streams: set[int] = field(default_factory=set)


def ridden_in(
    parts: Sequence[Part],
    intervals: Sequence[Interval],
    analysed: Callable[[Part, Places], Analysis],
) -> Ridden:
    """Analyse the streams of a recording, and cut their strokes where the averages began anew.

    Parameters
    ----------
    parts
        Streams, oldest first.
    intervals
        Between the marks, as the node told of them; none where none was heard.
    analysed
        Analyses a stream, cut at these places.
    """
    cuts = cuts_of(intervals)
    rides = [_Interval() for _ in intervals] or [_Interval()]
    streams = []
    for number, part in enumerate(parts):
        places = places_of(part, cuts)
        found = analysed(part, places)
        streams.append(found)
        for interval in places.restarted:
            rides[interval] = _Interval()
        for stretch in places.stretches(found.under_way):
            own = found.strokes.between(stretch.span.after, stretch.span.until)
            ride = rides[stretch.interval]
            if own.ridden:
                ride.strokes = ride.strokes.followed_by(own) if ride.streams else own
                ride.streams.add(number)
    there = trials_among(intervals, [bool(ride.streams) for ride in rides])
    trials: list[Trial] = []
    for k, begun in there:
        marks = [each.mark for each in begun if each.mark is not None]
        ride = rides[k]
        trials.append(Trial(len(trials), ride.strokes, marks, frozenset(ride.streams)))
    return Ridden(trials or [Trial(0, rides[-1].strokes)], streams)


@dataclass(frozen=True)
class PosedTrial:
    """A trial as a rider to predict from.

    Attributes
    ----------
    marks
        What was changed before it, oldest first.
    streams
        The rider in each stream in which whole strokes of it were ridden, from 0.
    """

    marks: list[Mark] = field(default_factory=list)
    streams: dict[int, Posed] = field(default_factory=dict)

    @property
    def posed(self) -> Posed | None:
        """The rider in the latest stream; None: there is no whole stroke in the trial."""
        return self.streams[max(self.streams)] if self.streams else None


def posed_in(
    parts: Sequence[Part],
    intervals: Sequence[Interval],
    passed: Callable[[Part, Places], PosedStream],
) -> list[PosedTrial]:
    """The rider of each trial, numbered as :func:`ridden_in` does; none without a stroke.

    Raises
    ------
    RiderError
        If the markers of a leg are missing.
    """
    cuts = cuts_of(intervals)
    rides = [PosedTrial() for _ in intervals] or [PosedTrial()]
    ridden = [False for _ in rides]
    for number, part in enumerate(parts):
        places = places_of(part, cuts)
        stream = passed(part, places)
        for interval in places.restarted:
            rides[interval], ridden[interval] = PosedTrial(), False
        for stretch in places.stretches(stream.under_way):
            ridden[stretch.interval] |= stream.ridden(stretch.span)
            found = stream.within(stretch.span)
            if found is not None:
                rides[stretch.interval].streams[number] = found
    return [
        replace(rides[k], marks=[each.mark for each in begun if each.mark is not None])
        for k, begun in trials_among(intervals, ridden)
    ]
