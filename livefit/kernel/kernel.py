"""The kernel: blocks of frames in, measures at exact crank angles out.

It holds no socket, clock, file or screen, and returns the same numbers for any cutting of the
frames into blocks: whatever it decides, it decides at a frame, never at the end of a block.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterator, Sequence
from math import floor, isfinite

import numpy as np
from numpy.typing import NDArray

from livefit.definitions.models import Event, Measure
from livefit.frames import FloatArray, MarkerBlock, StreamInfo
from livefit.kernel.buffer import FrameBuffer
from livefit.kernel.channels import NewestChannels
from livefit.kernel.crank import BikeFrame, KnownAxis
from livefit.kernel.cycles import CycleKeeper, GridPoses, StrokeCycle
from livefit.kernel.events import EventMaker, EventValues
from livefit.kernel.follower import CrankFollower, foot_columns, foot_places
from livefit.kernel.moment import Moment
from livefit.kernel.nodes import HALF_TURN, NODE_STEP, Refused, windows_about
from livefit.kernel.phase import TURN
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG, Plan
from livefit.kernel.quick import QuickMaker
from livefit.kernel.regression import Window
from livefit.kernel.tracker import SAMPLES_PER_SECOND, BikeTracker
from livefit.kernel.virtual import VirtualPoints

CRANK_CHANNEL = "crank_angle"
_KEEP_S = 10.0
_LARGEST_PIECE = 8192
_FASTER = 1.25
"""The crank may turn so much faster in the next frames than in the last ones."""


class Kernel:
    """Turns a stream of marker frames into measures at exact crank angles.

    Parameters
    ----------
    stream
        What holds for every frame.
    labels
        Canonical name of each of the stream's markers, None for one that is not used.
    measures, events
        Definitions; a measure whose markers are missing from the stream is left out.
    seat_tube_deg
        Seat-tube angle of the bicycle, deg.
    axis
        The crank axis as measured on the bicycle: where the feet are less sure of it, the pedal
        spindle turns about it.
    with_cycles
        Whether to keep whole cycles and poses for :meth:`take_cycles` and :meth:`take_poses`.

    Attributes
    ----------
    bike
        Where the bicycle stands and the cranks, or None while they are being searched for.
    problem
        In plain words what keeps numbers from coming, or None.
    refused
        Strokes set aside, by reason.
    strokes
        Whole strokes found, by side.
    """

    def __init__(
        self,
        stream: StreamInfo,
        labels: Sequence[str | None],
        measures: Sequence[Measure],
        events: Sequence[Event],
        *,
        seat_tube_deg: float = DEFAULT_SEAT_TUBE_DEG,
        axis: KnownAxis | None = None,
        with_cycles: bool = False,
    ) -> None:
        self._stream = stream
        self._used = np.flatnonzero([label is not None for label in labels])
        self.labels = tuple(label for label in labels if label is not None)
        self.plan = Plan(self.labels, measures, events, seat_tube_deg)
        self._feet = foot_columns(self.labels)
        self._foot_columns = [k for foot in self._feet.values() for k in foot]
        self._foot_markers = self._used[self._foot_columns]
        self._places = foot_places(self._feet)
        self._tracker = BikeTracker(self._places, stream.up)
        self._keep = int(_KEEP_S * stream.rate_hz) + 1
        self._buffer = FrameBuffer(self._keep, _LARGEST_PIECE, self._used)
        self._stride = max(1, round(stream.rate_hz / SAMPLES_PER_SECOND))
        names = [channel.name for channel in stream.channels]
        self._sensor = names.index(CRANK_CHANNEL) if CRANK_CHANNEL in names else None
        self._channels = NewestChannels(stream.channels)
        self._follower = CrankFollower(
            self._buffer, self._feet, has_sensor=self._sensor is not None
        )
        self._sample_numbers: deque[int] = deque(maxlen=int(_KEEP_S) * SAMPLES_PER_SECOND)
        self._next_node = 0
        self._reached = -np.inf
        self._refused_turn: int | None = None
        self._keeper = CycleKeeper(self.plan.sides) if with_cycles else None
        virtual = VirtualPoints(axis)
        self._events = EventMaker(self.plan, self._buffer, virtual, self._keeper)
        self._quick = QuickMaker(self.plan, self.labels, self._buffer, virtual)
        self.refused: Counter[str] = Counter()
        self.strokes: Counter[str] = Counter()

    @property
    def bike(self) -> BikeFrame | None:
        """Where the bicycle stands, None while it is searched for."""
        return self._tracker.bike

    @property
    def problem(self) -> str | None:
        """In plain words what keeps numbers from coming."""
        if not self._feet:
            return "no foot markers: heel (CA) and fifth metatarsal head (VM) of one side needed"
        back = self._follower.turns_back() if self.bike is not None else 0.0
        if back >= 1.0:
            return (
                f"the cranks were turned backwards {back:.0f} times: numbers come again with the "
                "second turn forwards"
            )
        return self._tracker.problem

    def push(self, block: MarkerBlock) -> list[EventValues]:
        """Take frames and return the values that became final with them.

        Parameters
        ----------
        block
            Frames that follow those already given, of any number.

        Returns
        -------
        list of EventValues
            The same whatever the size of the blocks, but for their grouping.
        """
        values: list[EventValues] = []
        for piece, sampled in self._pieces(block):
            feet = piece.positions.take(self._foot_markers, axis=1)
            bike, rest = self.bike, None
            if bike is None:
                arms = None
            else:
                arms = bike.arms(bike.by_axis(feet), self._places)
                moved = self._tracker.moved_at(bike, arms[:, :, sampled]) if len(sampled) else None
                if moved is not None:
                    stop, sampled = int(sampled[moved]) + 1, sampled[:moved]
                    rest = _part(piece, stop, len(piece))
                    piece, arms = _part(piece, 0, stop), arms[:, :, :stop]
            values += self._consume(piece, arms, sampled, feet[sampled])
            if rest is not None:
                self._lose()
                values += self.push(rest)
        return values

    def _pieces(self, block: MarkerBlock) -> Iterator[tuple[MarkerBlock, NDArray[np.intp]]]:
        """Cut where the bicycle's place may change, which is after certain samples.

        Each piece comes with the rows of its samples: the first frame that there is of each stride
        of the frame number.
        """
        at = 0
        while at < len(block):
            stop = min(at + _LARGEST_PIECE, len(block))
            numbers = block.numbers[at:stop]
            before = self._buffer.numbers[-1] if self._buffer.rows else numbers[0] - 1
            strides = numbers // self._stride
            changes = np.empty(len(strides), dtype=bool)
            changes[0] = strides[0] != before // self._stride
            np.not_equal(strides[1:], strides[:-1], out=changes[1:])
            sampled = np.flatnonzero(changes)
            decision = self._tracker.until_decision()
            if len(sampled) >= decision:
                stop = at + int(sampled[decision - 1]) + 1
            yield _part(block, at, stop), sampled[:decision]
            at = stop

    def _consume(
        self,
        part: MarkerBlock,
        arms: FloatArray | None,
        sampled: NDArray[np.intp],
        samples: FloatArray,
    ) -> list[EventValues]:
        """Take frames during which the bicycle stays where it is.

        arms (3, s, n) mm, None while it is searched for; sampled: rows of the samples.
        """
        count = len(part)
        periodic = self._stream.sampling == "periodic"
        x = part.numbers / self._stream.rate_hz if periodic else part.t
        self._buffer.append(part, x, self._said_by_sensor(part.channels))
        self._channels.take(part)
        before = self.bike
        if before is not None and arms is not None:
            self._follower.follow(before, arms, self._buffer.rows - count)
        else:
            self._sample_numbers.extend(part.numbers[sampled].tolist())
        values = self._finish()
        if len(samples) and self._tracker.take(samples) and self.bike is not None:
            if before is None:
                self._begin(self.bike)
            else:
                self._readjust(self.bike)
            values += self._finish()
        return values

    def _said_by_sensor(self, channels: FloatArray) -> FloatArray | None:
        """The crank sensor's angle (n,) rad; None: there is no such sensor."""
        if self._sensor is None:
            return None
        angle: FloatArray = np.radians(channels[:, self._sensor])
        return angle

    def _begin(self, bike: BikeFrame) -> None:
        """The bicycle was found: the frames of the search get their crank angle."""
        first_number = self._sample_numbers[-self._tracker.until_found]
        first = int(np.searchsorted(self._buffer.numbers, first_number))
        start = self._follower.begin(bike, first, self._reached)
        self._next_node = int(np.ceil((start + HALF_TURN) / NODE_STEP))
        self._quick.forget()

    def _readjust(self, bike: BikeFrame) -> None:
        """The crank was refined: the frames of the last seconds get their better crank angle.

        Older ones are left behind: how many of them are in hand depends on the blocks.
        """
        if self._follower.readjust(bike, max(self._buffer.rows - self._keep, 0)):
            self._quick.forget()

    def _lose(self) -> None:
        self.refused["the bicycle moved"] += 1
        self._reached = max(self._reached, float(self._buffer.peak.max(initial=-np.inf)))
        self._tracker.lose()
        self._sample_numbers.clear()
        self._quick.forget()

    def _finish(self) -> list[EventValues]:
        """Evaluate every node whose half turn is over."""
        if self.bike is None or not self._buffer.rows:
            return []
        reached = float(self._buffer.peak[-1])
        if not isfinite(reached):
            return []
        last = floor((reached - HALF_TURN) / NODE_STEP) + 1
        if last <= self._next_node:
            return []
        targets = NODE_STEP * np.arange(self._next_node, last, dtype=np.float64)
        windows = windows_about(self._buffer, targets, HALF_TURN, live=False)
        if not windows:
            return []
        nodes = range(self._next_node, self._next_node + len(windows))
        for node, window in zip(nodes, windows, strict=True):
            if isinstance(window, Refused):
                self._refuse(node, window)
        self._next_node = nodes[-1] + 1
        sound = [w if isinstance(w, Window) else None for w in windows]
        values, found = self._events.final(self.bike, nodes, sound)
        self.strokes.update(found)
        return values

    def _refuse(self, node: int, window: Refused) -> None:
        turn = int(np.floor(node * NODE_STEP / TURN))
        if turn != self._refused_turn:
            self._refused_turn = turn
            self.refused[window.reason] += 1

    def quick(self) -> list[EventValues]:
        """Quick numbers of the events whose final ones are not ready yet, oldest first.

        They need frames for 43 degrees of crank after the event and are replaced by the final
        ones half a turn later.
        """
        if self.bike is None:
            return []
        return self._quick.values(self.bike, self._next_node)

    def quiet_frames(self) -> int:
        """How many frames may still come before a value can become ready, at the present speed.

        A reader may gather that many before it pushes them; the values are the same.
        """
        pace = self._follower.pace() if self.bike is not None else None
        if pace is None:
            return 0
        reached = float(self._buffer.peak[-1])
        final = self._next_node * NODE_STEP + HALF_TURN
        ahead = min(final, self._quick.next(reached)) - reached
        return int(ahead / (_FASTER * pace)) if pace > 0 else 0

    def speed_rpm(self) -> float | None:
        """Cadence over the last second, None while the crank is not known."""
        return self._follower.speed_rpm() if self.bike is not None else None

    def take_cycles(self) -> list[StrokeCycle]:
        """Whole strokes completed since the last call, oldest first; the last 256 at most.

        Raises
        ------
        RuntimeError
            If the kernel was not made to keep them.
        """
        return self._kept().take_cycles()

    def take_poses(self) -> list[GridPoses]:
        """Poses of the half turns since the last call, oldest first; the last 256 at most.

        Raises
        ------
        RuntimeError
            If the kernel was not made to keep them.
        """
        return self._kept().take_poses()

    def _kept(self) -> CycleKeeper:
        if self._keeper is None:
            raise RuntimeError(
                "this kernel keeps neither cycles nor poses: make it with with_cycles=True"
            )
        return self._keeper

    def channel(self, name: str) -> float | None:
        """Newest value of an extra channel, None if there is none within the last 3 s."""
        newest = self.newest()
        return self._channels.value(name, newest[1]) if newest else None

    def newest(self) -> tuple[int, float] | None:
        """Number and time stamp (s) of the newest frame, None before the first."""
        buffer = self._buffer
        return (int(buffer.numbers[-1]), float(buffer.t[-1])) if buffer.rows else None

    def moment(self) -> Moment | None:
        """The newest frame in bike axes, or None before the first."""
        buffer = self._buffer
        if not buffer.rows:
            return None
        markers, crank = buffer.columns[-1].reshape(-1, 3), float(buffer.phase[-1])
        at_bike = np.full_like(markers, np.nan) if self.bike is None else self.bike.to_bike(markers)
        return Moment(int(buffer.numbers[-1]), float(buffer.t[-1]), at_bike, crank)

    def preview(self, block: MarkerBlock) -> Moment:
        """The last frame of a block that is still to be pushed, its crank within +-pi."""
        frame, t, bike = int(block.numbers[-1]), float(block.t[-1]), self.bike
        if bike is None:
            return Moment(frame, t, np.full((len(self._used), 3), np.nan), np.nan)
        markers = bike.by_axis(block.positions[-1].take(self._used, axis=0))
        arms = bike.arms(markers[:, None, self._foot_columns], self._places)
        sensor = self._said_by_sensor(block.channels[-1:])
        crank = float(self._follower.angle(bike, arms, sensor)[0])
        return Moment(frame, t, np.ascontiguousarray(markers.T), crank)

    def measures_at(self, moment: Moment) -> dict[str, FloatArray]:
        """By side: the measures (k,) of that side's table, deg or mm; none without the bicycle."""
        if self.bike is None:
            return {}
        return self._events.now(self.bike, moment.positions, moment.crank)


def _part(block: MarkerBlock, start: int, stop: int) -> MarkerBlock:
    if start == 0 and stop == len(block):
        return block
    rows = slice(start, stop)
    return MarkerBlock(
        block.numbers[rows], block.t[rows], block.positions[rows], block.channels[rows]
    )
