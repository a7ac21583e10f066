"""What a processing run is set to, and how it is changed from outside."""

from __future__ import annotations

from dataclasses import dataclass, field

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
    marker_set
        Name of the marker set; None = the one that fits the stream's labels best.
    """

    window: Rolling = field(default_factory=lambda: Rolling(strokes=DEFAULT_STROKES))
    discipline: str = "road_endurance"
    seat_tube_deg: float = DEFAULT_SEAT_TUBE_DEG
    marker_set: str | None = None

    def __post_init__(self) -> None:
        check_seat_tube(self.seat_tube_deg)
