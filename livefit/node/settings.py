"""What a processing run is set to, and how it is changed from outside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from livefit.change.settling import HOLDS_WITHIN
from livefit.kernel.crank import KnownAxis
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG, check_seat_tube
from livefit.kernel.rolling import Rolling

DEFAULT_STROKES = 15


@dataclass(frozen=True)
class Settings:
    """What holds for a run until it is changed.

    Attributes
    ----------
    window
        Which strokes count.
    discipline
        Whose target bands judge.
    seat_tube_deg
        Seat-tube angle of the bicycle.
    holds_within
        By unit: how narrow a mean's interval must be for it to hold.
    axis
        The crank axis as measured on the bicycle, if it was.
    markers_stayed
        Whether a new stream finds the markers as they were on the rider, or put on anew; None:
        the lengths between them tell.
    marker_set
        Name of the marker set; None = the one that fits the stream's labels best.
    """

    window: Rolling = field(default_factory=lambda: Rolling(strokes=DEFAULT_STROKES))
    discipline: str = "road_endurance"
    seat_tube_deg: float = DEFAULT_SEAT_TUBE_DEG
    marker_set: str | None = None
    axis: KnownAxis | None = None
    holds_within: Mapping[str, float] = field(default_factory=lambda: HOLDS_WITHIN)
    markers_stayed: bool | None = None

    def __post_init__(self) -> None:
        check_seat_tube(self.seat_tube_deg)

    def with_window(self, window: Rolling) -> Settings:
        """The same with another window."""
        return replace(self, window=window)

    def with_bicycle(self, seat_tube_deg: float, axis: KnownAxis | None) -> Settings:
        """The same on another bicycle."""
        return replace(self, seat_tube_deg=seat_tube_deg, axis=axis)

    def with_discipline(self, discipline: str) -> Settings:
        """The same with another discipline."""
        return replace(self, discipline=discipline)
