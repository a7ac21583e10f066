"""How far saddle and bar have been moved, where markers on the bicycle show it.

Places are those in the bicycle's axes, averaged over half a second of frames each. The seat tube's
angle parts a saddle's way into height along the tube and setback along the rails.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from scipy.special import stdtrit

from livefit.frames import FloatArray
from livefit.kernel.crank import BikeFrame
from livefit.node.fit import UNKNOWN
from livefit.wire.messages import PartMoved

SADDLE, SADDLE_FRONT, SADDLE_REAR, BAR = (
    "BIKE_SADDLE", "BIKE_SADDLE_FRONT", "BIKE_SADDLE_REAR", "BIKE_BAR",
)  # fmt: skip
LABELS = (SADDLE, SADDLE_FRONT, SADDLE_REAR, BAR)

_PIECE_S = 0.5
_PIECES = 8
_FEWEST = 3
_FIRST_PIECES = 20
"""After so many the bicycle's axes have been refined, and the first places are taken."""
_MOVED_MM = 1.5
"""So far off the last ones, a piece begins a new place: the part is being moved."""
_AXES_MM = 0.2
"""The bicycle's axes are refined while it is ridden: no place is surer than this."""


@dataclass(frozen=True)
class Place:
    """Mean place (3,) mm of a marker in the bicycle's axes, its standard error, and its freedom."""

    mean: FloatArray
    se: float
    freedom: float


Places = Mapping[str, Place]


class PartWatch:
    """Follows the bicycle's own markers.

    Parameters
    ----------
    labels
        Canonical name of each of the stream's markers, None for one that is not used.
    rate_hz
        Frames per second.
    seat_tube_deg
        Of the bicycle.
    earlier
        The watch before this one: what parts are compared with stays.
    """

    def __init__(
        self,
        labels: Sequence[str | None],
        rate_hz: float,
        seat_tube_deg: float,
        earlier: PartWatch | None = None,
    ) -> None:
        self._columns = {label: k for k, label in enumerate(labels) if label in LABELS}
        self._frames = max(1, round(_PIECE_S * rate_hz))
        self._tube = np.radians(seat_tube_deg)
        self._waiting: list[tuple[BikeFrame, FloatArray]] = []
        self._count = self._taken = 0
        self._pieces: dict[str, deque[FloatArray]] = {}
        self._baseline: Places | None = None if earlier is None else earlier._baseline
        self._at_marks: list[Places | None] = [] if earlier is None else list(earlier._at_marks)
        self._at_first: Places | None = None if earlier is None else earlier._at_first
        self._moved: list[PartMoved] | None = None
        self._stop: Sequence[str] = ()

    def take(self, bike: BikeFrame | None, positions: FloatArray) -> None:
        """Take frames (n, m, 3) mm in capture axes; without the bicycle nothing is known."""
        if not self._columns or bike is None:
            return
        self._waiting.append((bike, positions[:, list(self._columns.values())]))
        self._count += len(positions)
        if self._count >= self._frames:
            self._count = 0
            placed = _placed(self._waiting)
            self._waiting = []
            for k, label in enumerate(self._columns):
                self._piece(label, placed[:, k])
            self._taken += 1
            self._moved = None
            if self._at_first is None and self._taken >= _FIRST_PIECES:
                self._at_first = self.places() or None

    def _piece(self, label: str, points: FloatArray) -> None:
        seen = np.isfinite(points[:, 0])
        if not seen.any():
            return
        mean = points[seen].mean(axis=0)
        kept = self._pieces.setdefault(label, deque(maxlen=_PIECES))
        if kept and float(np.linalg.norm(mean - np.mean(kept, axis=0))) > _MOVED_MM:
            kept.clear()
        kept.append(mean)

    def places(self) -> Places:
        """Where each marker is now, as far as it has kept still."""
        found = {}
        for label, pieces in self._pieces.items():
            n = len(pieces)
            if n >= _FEWEST:
                table = np.stack(pieces)
                spread = float(np.sqrt(table.var(axis=0, ddof=1).max() / n))
                found[label] = Place(table.mean(axis=0), max(spread, _AXES_MM), n - 1.0)
        return found

    def mark(self) -> None:
        """From now on compare with the places of now."""
        self._at_marks.append(self.places() or None)
        self._moved = None

    def unmark(self) -> None:
        """Compare with what was compared with before the latest mark."""
        if self._at_marks:
            self._at_marks.pop()
        self._moved = None

    def keep_baseline(self) -> None:
        """Keep the places of now as the baseline's."""
        self._baseline = self.places() or None
        self._moved = None

    def drop_baseline(self) -> None:
        """Forget the baseline's places."""
        self._baseline = None
        self._moved = None

    def moved(self, stop: Sequence[str] = ()) -> list[PartMoved]:
        """What each part has been moved by since the latest mark and the baseline.

        Parameters
        ----------
        stop
            Parts of the latest marks, between and after which nobody has ridden. What these marks
            do not name is compared with its place before them: it may have been moved as well.
        """
        if self._moved is None or stop != self._stop:
            self._moved, self._stop = self._told(stop), stop
        return self._moved

    def _told(self, stop: Sequence[str]) -> list[PartMoved]:
        now = self.places()
        if not now:
            return []
        told = []
        at_baseline = _ways(self._baseline or {}, now, self._tube)
        since: Places | None = None
        for part, unit in PARTS:
            places = self._at_mark(part, stop) or {}
            if since is not places:
                since, at_mark = places, _ways(places, now, self._tube)
            mark, baseline = at_mark.get(part), at_baseline.get(part)
            if mark is not None or baseline is not None:
                told.append(
                    PartMoved(
                        part=part,
                        unit=unit,
                        mark=None if mark is None else round(mark[0], 2),
                        mark_half=None if mark is None else round(mark[1], 2),
                        baseline=None if baseline is None else round(baseline[0], 2),
                        baseline_half=None if baseline is None else round(baseline[1], 2),
                    )
                )
        return told

    def _at_mark(self, part: str, stop: Sequence[str]) -> Places | None:
        """Where everything was at the latest mark that counts for a part."""
        at = self._at_marks
        for marked, places in zip(reversed(stop), reversed(at), strict=False):
            if places and part in _MOVED_WITH.get(marked, (marked,)):
                return places
        before = at[: max(0, len(at) - len(stop))]
        return next((places for places in reversed(before) if places), self._at_first)

    def measured(self, part: str, stop: Sequence[str] = ()) -> float:
        """How far a part has been moved since the latest mark, to a tenth.

        Raises
        ------
        ValueError
            If no marker shows it, or it has not been moved.
        """
        found = next((m for m in self.moved(stop) if m.part == part), None)
        if found is None or found.mark is None or found.mark_half is None:
            shown = ", ".join(name for name, _ in PARTS)
            raise ValueError(
                f"no marker on the bicycle shows how far {part!r} was moved, or it has not kept "
                f"still for 2 s; markers {', '.join(LABELS)} show {shown}. Give the amount instead"
            )
        if abs(found.mark) <= found.mark_half:
            raise ValueError(
                f"{part} was measured as moved by {found.mark:+.1f} ± {found.mark_half:.1f} "
                f"{found.unit} since the latest mark: that may be nothing. Give the amount instead"
            )
        return round(found.mark, 1)


def _placed(frames: Sequence[tuple[BikeFrame, FloatArray]]) -> FloatArray:
    """Points in the bicycle's axes as it stood; turned together while it stood there."""
    runs = [list(run) for _, run in groupby(frames, lambda each: id(each[0]))]
    return np.concatenate(
        [run[0][0].to_bike(np.concatenate([points for _, points in run])) for run in runs]
    )


PARTS = (
    ("saddle_height", "mm"), ("saddle_setback", "mm"), ("saddle_tilt", "deg"),
    ("bar_height", "mm"), ("bar_reach", "mm"),
)  # fmt: skip
"""Adjustments that markers on the bicycle show."""
_MOVED_WITH = {
    "stem_length": ("bar_height", "bar_reach"),
    "spacers": ("bar_height", "bar_reach"),
    UNKNOWN: tuple(part for part, _ in PARTS),
}
"""Of these that which another adjustment moves, too."""


def _ways(before: Places, now: Places, tube: float) -> dict[str, tuple[float, float]]:
    """By adjustment: the amount, and half its 95 % interval."""
    found: dict[str, tuple[float, float]] = {}
    by = {label: _by(before[label], now[label]) for label in now if label in before}
    saddle = [by[label] for label in (SADDLE, SADDLE_FRONT, SADDLE_REAR) if label in by]
    if saddle:
        forward, up = np.mean([way[:2] for way, _ in saddle], axis=0)
        half = float(np.sqrt(np.mean([half**2 for _, half in saddle]) / len(saddle)))
        found["saddle_height"] = float(up / np.sin(tube)), half / float(np.sin(tube))
        back = float(-forward - up / np.tan(tube))
        found["saddle_setback"] = back, half * float(np.hypot(1.0, 1.0 / np.tan(tube)))
    if SADDLE_FRONT in by and SADDLE_REAR in by:
        pitch = [_pitch(places) for places in (before, now)]
        apart = float(np.linalg.norm((now[SADDLE_FRONT].mean - now[SADDLE_REAR].mean)[:2]))
        half = float(np.hypot(by[SADDLE_FRONT][1], by[SADDLE_REAR][1])) / apart
        found["saddle_tilt"] = float(np.degrees(pitch[1] - pitch[0])), float(np.degrees(half))
    if BAR in by:
        (forward, up, _), half = by[BAR]
        found["bar_height"], found["bar_reach"] = (float(up), half), (float(forward), half)
    return found


def _by(before: Place, now: Place) -> tuple[FloatArray, float]:
    """A marker's way (3,) mm, and half its 95 % interval along any axis."""
    variances = before.se**2, now.se**2
    freedom = sum(variances) ** 2 / (
        variances[0] ** 2 / before.freedom + variances[1] ** 2 / now.freedom
    )
    return now.mean - before.mean, float(stdtrit(freedom, 0.975)) * float(np.sqrt(sum(variances)))


def _pitch(places: Places) -> float:
    forward, up = (places[SADDLE_FRONT].mean - places[SADDLE_REAR].mean)[:2].tolist()
    return float(np.arctan2(up, forward))
