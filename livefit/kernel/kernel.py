"""The kernel: blocks of frames in, measures at exact crank angles out.

It holds no socket, clock, file or screen, and returns the same numbers for any cutting of the
frames into blocks: whatever it decides, it decides at a frame, never at the end of a block.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livefit.definitions.models import Event, Measure
from livefit.frames import FloatArray, MarkerBlock, StreamInfo
from livefit.kernel.buffer import FrameBuffer
from livefit.kernel.crank import BikeFrame
from livefit.kernel.events import EventMaker, EventValues
from livefit.kernel.nodes import HALF_TURN, NODE_STEP, Refused, windows_about
from livefit.kernel.phase import TURN, Unwrapper, feet_phase, mean_angle, wrapped
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG, Plan
from livefit.kernel.regression import Window
from livefit.kernel.tracker import SAMPLES_PER_SECOND, BikeTracker

CRANK_CHANNEL = "crank_angle"
_KEEP_S = 10.0
_LARGEST_PIECE = 8192
_SENSOR_ZERO_S = 2.0
_SPEED_S = 1.0
_PACE_ROWS = 20
_FASTER = 1.25
"""The crank may turn so much faster in the next frames than in the last ones."""


@dataclass(frozen=True)
class Moment:
    """The newest frame, quick and rough, for the eye.

    Attributes
    ----------
    frame, t
        Its number and time stamp (s).
    positions
        (markers, 3) mm in bike axes; NaN = missing, or the bicycle is not found.
    crank
        rad, right crank; NaN = not known.
    values
        By side: the measures of that side's table, deg or mm.
    """

    frame: int
    t: float
    positions: FloatArray
    crank: float
    values: dict[str, FloatArray]


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
    ) -> None:
        self._stream = stream
        self._used = np.flatnonzero([label is not None for label in labels])
        self.labels = tuple(label for label in labels if label is not None)
        self.plan = Plan(self.labels, measures, events, seat_tube_deg)
        self._feet = _foot_columns(self.labels)
        feet = [k for foot in self._feet.values() for k in foot]
        self._foot_markers = self._used[feet]
        self._foot_coordinates = [3 * k + axis for k in feet for axis in range(3)]
        self._foot_places = _places(self._feet)
        self._tracker = BikeTracker(self._foot_places, stream.up)
        self._keep = int(_KEEP_S * stream.rate_hz) + 1
        self._buffer = FrameBuffer(self._keep, _LARGEST_PIECE, self._used)
        self._stride = max(1, round(stream.rate_hz / SAMPLES_PER_SECOND))
        names = [channel.name for channel in stream.channels]
        self._sensor = names.index(CRANK_CHANNEL) if CRANK_CHANNEL in names else None
        self._sensor_zero = 0.0
        self._unwrapper = Unwrapper()
        self._sample_numbers: deque[int] = deque(maxlen=int(_KEEP_S) * SAMPLES_PER_SECOND)
        self._next_node = 0
        self._reached = -np.inf
        self._refused_turn: int | None = None
        self._events = EventMaker(self.plan, self._buffer)
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
            samples = piece.positions[sampled[:, None], self._foot_markers]
            moved = self._tracker.moved_at(samples) if len(sampled) else None
            if moved is not None:
                stop = int(sampled[moved]) + 1
                values += self._consume(_part(piece, 0, stop), sampled[:moved], samples[:moved])
                self._lose()
                values += self.push(_part(piece, stop, len(piece)))
            else:
                values += self._consume(piece, sampled, samples)
        return values

    def _pieces(self, block: MarkerBlock) -> Iterator[tuple[MarkerBlock, NDArray[np.intp]]]:
        """Cut where the bicycle's place may change, which is after certain samples.

        Each piece comes with the rows of its samples.
        """
        at = 0
        while at < len(block):
            stop = min(at + _LARGEST_PIECE, len(block))
            sampled = np.flatnonzero(block.numbers[at:stop] % self._stride == 0)
            decision = self._tracker.until_decision()
            if len(sampled) >= decision:
                stop = at + int(sampled[decision - 1]) + 1
            yield _part(block, at, stop), sampled[:decision]
            at = stop

    def _consume(
        self, part: MarkerBlock, sampled: NDArray[np.intp], samples: FloatArray
    ) -> list[EventValues]:
        """Take frames, during which the bicycle stays where it is, with their samples' rows."""
        count = len(part)
        periodic = self._stream.sampling == "periodic"
        x = part.numbers / self._stream.rate_hz if periodic else part.t
        sensor = np.full(count, np.nan)
        if self._sensor is not None:
            sensor = np.radians(part.channels[:, self._sensor])
        self._buffer.append(part, x, sensor)
        if self.bike is not None:
            self._follow(self._buffer.rows - count)
        self._sample_numbers.extend(part.numbers[sampled].tolist())
        values = self._finish()
        before = self.bike
        if len(samples) and self._tracker.take(samples):
            if before is None:
                self._begin()
            else:
                self._readjust()
            values += self._finish()
        return values

    def _angle(self, rows: slice) -> FloatArray:
        """Right crank's angle (n,) within +-pi: the sensor where there is one, else the feet."""
        if self.bike is None:
            raise RuntimeError("the bicycle is not found yet")
        sensor = self._buffer.sensor[rows]
        by_feet = feet_phase(self.bike, self._foot_views(self.bike, rows))
        if self._sensor is None:
            return by_feet
        return np.where(np.isfinite(sensor), wrapped(sensor + self._sensor_zero), by_feet)

    def _foot_views(self, bike: BikeFrame, rows: slice) -> dict[str, FloatArray]:
        """Side views (2, n, k) of the feet, by side."""
        columns = self._buffer.columns[rows]
        feet = columns[:, self._foot_coordinates].reshape(len(columns), -1, 3)
        views = bike.side_view(feet)
        return {side: views[:, :, own] for side, own in self._foot_places.items()}

    def _follow(self, first: int) -> None:
        """Extend phase and peak to the newest rows, from row `first` on."""
        rows = slice(first, self._buffer.rows)
        phase = self._unwrapper.extend(self._angle(rows))
        before = self._buffer.peak[first - 1] if first else -np.inf
        self._buffer.phase[rows] = phase
        self._buffer.peak[rows] = np.fmax.accumulate(np.concatenate([[before], phase]))[1:]

    def _begin(self) -> None:
        """The bicycle was found: give the frames of the search their crank angle."""
        looked_back = self._tracker.until_found
        first_number = self._sample_numbers[-looked_back]
        first = int(np.searchsorted(self._buffer.numbers, first_number))
        rows = slice(first, self._buffer.rows)
        self._set_sensor_zero()
        angle = self._angle(rows)
        known = angle[np.isfinite(angle)]
        near = self._reached + TURN if np.isfinite(self._reached) else float(known[0])
        self._unwrapper.restart(float(known[0]), near)
        self._buffer.phase[:first] = np.nan
        self._buffer.peak[first:] = -np.inf
        phase = self._unwrapper.extend(angle)
        self._buffer.phase[rows] = phase
        self._buffer.peak[rows] = np.fmax.accumulate(np.concatenate([[-np.inf], phase]))[1:]
        start = float(phase[np.isfinite(phase)][0])
        self._next_node = int(np.ceil((start + HALF_TURN) / NODE_STEP))
        self._buffer.peak[:first] = -np.inf
        self._events.forget_quick()

    def _readjust(self) -> None:
        """The crank was refined: give the frames of the last seconds their better crank angle.

        Older ones are left behind: how many of them are in hand depends on the blocks.
        """
        oldest = max(self._buffer.rows - self._keep, 0)
        known = oldest + np.flatnonzero(np.isfinite(self._buffer.phase[oldest:]))
        if not len(known):
            return
        first = int(known[0])
        rows = slice(first, self._buffer.rows)
        old_phase, old_peak = float(self._buffer.phase[first]), float(self._buffer.peak[first])
        self._set_sensor_zero()
        angle = self._angle(rows)
        self._unwrapper.restart(float(angle[np.isfinite(angle)][0]), old_phase)
        phase = self._unwrapper.extend(angle)
        carry = old_peak if old_peak > old_phase else -np.inf
        self._buffer.phase[rows] = phase
        self._buffer.peak[rows] = np.fmax.accumulate(np.concatenate([[carry], phase]))[1:]
        self._buffer.peak[:first] = -np.inf
        self._events.forget_quick()

    def _set_sensor_zero(self) -> None:
        """Turn the sensor's zero to the feet's, over the last two seconds."""
        if self._sensor is None or self.bike is None:
            return
        x = self._buffer.x
        rows = slice(int(np.searchsorted(x, x[-1] - _SENSOR_ZERO_S)), self._buffer.rows)
        by_feet = feet_phase(self.bike, self._foot_views(self.bike, rows))
        self._sensor_zero = mean_angle(by_feet - self._buffer.sensor[rows])

    def _lose(self) -> None:
        self.refused["the bicycle moved"] += 1
        self._reached = max(self._reached, float(self._buffer.peak.max(initial=-np.inf)))
        self._tracker.lose()
        self._sample_numbers.clear()
        self._events.forget_quick()

    def _finish(self) -> list[EventValues]:
        """Evaluate every node whose half turn is over."""
        if self.bike is None or not len(self._buffer.peak):
            return []
        reached = self._buffer.peak[-1]
        if not np.isfinite(reached):
            return []
        last = int(np.floor((reached - HALF_TURN) / NODE_STEP)) + 1
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
        return self._events.quick(self.bike, self._next_node)

    def quiet_frames(self) -> int:
        """How many frames may still come before a value can become ready, at the present speed.

        A reader may gather that many before it pushes them; the values are the same.
        """
        peak, numbers = self._buffer.peak, self._buffer.numbers
        rows = min(len(peak), _PACE_ROWS)
        if self.bike is None or rows < 2 or not np.isfinite(peak[-rows]):
            return 0
        pace = (peak[-1] - peak[-rows]) / (numbers[-1] - numbers[-rows])
        final = self._next_node * NODE_STEP + HALF_TURN
        ahead = min(final, self._events.next_quick(float(peak[-1]))) - peak[-1]
        return int(ahead / (_FASTER * pace)) if pace > 0 else 0

    def speed_rpm(self) -> float | None:
        """Cadence over the last second, None while the crank is not known."""
        x = self._buffer.x
        if self.bike is None or len(x) < 2:
            return None
        rows = slice(int(np.searchsorted(x, x[-1] - _SPEED_S)), None)
        phase, at = self._buffer.phase[rows], self._buffer.t[rows]
        known = np.flatnonzero(np.isfinite(phase))
        if len(known) < 2 or at[known[-1]] - at[known[0]] < 0.5 * _SPEED_S:
            return None
        first, last = known[0], known[-1]
        return float((phase[last] - phase[first]) / TURN * 60 / (at[last] - at[first]))

    def newest(self) -> tuple[int, float] | None:
        """Number and time stamp (s) of the newest frame, None before the first."""
        buffer = self._buffer
        return (int(buffer.numbers[-1]), float(buffer.t[-1])) if buffer.rows else None

    def moment(self) -> Moment | None:
        """The newest frame in bike axes with its measures, or None before the first."""
        buffer = self._buffer
        if not buffer.rows:
            return None
        positions = buffer.columns[-1].reshape(-1, 3)
        crank = float(buffer.phase[-1])
        values = {}
        if self.bike is None:
            positions = np.full_like(positions, np.nan)
        else:
            positions = self.bike.to_bike(positions)
            values = self._events.now(self.bike, positions, crank)
        return Moment(int(buffer.numbers[-1]), float(buffer.t[-1]), positions, crank, values)


def _part(block: MarkerBlock, start: int, stop: int) -> MarkerBlock:
    if start == 0 and stop == len(block):
        return block
    rows = slice(start, stop)
    return MarkerBlock(
        block.numbers[rows], block.t[rows], block.positions[rows], block.channels[rows]
    )


def _foot_columns(labels: Sequence[str]) -> dict[str, list[int]]:
    """Columns of CA, VM (and PED) of each side that has both foot markers."""
    columns = {}
    for side in ("L", "R"):
        names = [f"{side}_CA", f"{side}_VM"]
        if all(name in labels for name in names):
            pedal = [f"{side}_PED"] if f"{side}_PED" in labels else []
            columns[side] = [labels.index(name) for name in [*names, *pedal]]
    return columns


def _places(feet: dict[str, list[int]]) -> dict[str, slice]:
    """Where each side's foot markers stand when all foot markers are listed side after side."""
    places, first = {}, 0
    for side, markers in feet.items():
        places[side] = slice(first, first + len(markers))
        first += len(markers)
    return places
