"""The messages of protocol 1: what travels between the processes, typed and versioned.

Every message is a msgpack map. New fields are optional, unknown fields are ignored, no field
changes its type. A value that does not exist is nil, never NaN and never zero.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from livefit.frames import Up

PROTOCOL = 1


class Message(BaseModel):
    """Base of all messages."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True)


class ChannelDescription(Message):
    """An extra signal that travels with the frames, one float64 a frame."""

    name: str
    unit: str


class Description(Message):
    """Topic ``description``: what holds for every frame of a stream; sent to each new listener."""

    version: int = PROTOCOL
    stream: str
    """New for every start of the publisher."""
    source: str
    labels: list[str]
    unit: Literal["mm", "m"]
    up: Up
    rate_hz: Annotated[float, Field(gt=0, le=10_000)]
    side: Literal["both", "left", "right"]
    sampling: Literal["periodic", "stamped"] = "periodic"
    precision: Literal["f4", "f8"] = "f4"
    channels: list[ChannelDescription] = []
    marker_set: str | None = None
    control: str | None = None
    """Endpoint of the source's own control socket."""


class Frames(Message):
    """Topic ``frames``: one or more frames with consecutive numbers."""

    stream: str
    first: Annotated[int, Field(ge=0)]
    count: Annotated[int, Field(ge=1)]
    t: bytes
    """count little-endian float64, s: device time stamps."""
    xyz: bytes
    """count x labels x 3 little-endian floats, described precision and unit; NaN = missing."""
    channels: bytes = b""
    """count x channels little-endian float64; NaN = no value."""
    sent: float | None = None
    """CLOCK_MONOTONIC of the sender, s; comparable on the same machine only."""


class Row(Message):
    """One measure at one event on one side, over the strokes in the window."""

    measure: str
    side: Literal["L", "R", "B"]
    event: str
    crank_deg: float | None
    """Where in the stroke, on the side's own crank; for extremes the mean place found."""
    unit: str
    n: int
    last: float | None
    mean: float | None
    sd: float | None
    se: float | None
    ci95: list[float] | None
    band: list[float] | None
    verdict: Literal["below", "within", "above", "unsure", "unknown"]
    baseline: float | None = None


class Crank(Message):
    """What one side's foot says of the crank; uncertainties are standard errors."""

    side: Literal["L", "R"]
    length_mm: float | None
    length_se_mm: float | None
    spindle_mm: list[float] | None
    """Spindle in the foot: along heel->toe from the fifth metatarsal head, and up."""
    spindle_se_mm: list[float] | None


class Health(Message):
    """The state of the stream as the node sees it."""

    frames: int
    lost: int
    gaps: int
    rate_hz: float | None
    missing: dict[str, float]
    """Share of frames without the marker, by canonical name, over the last seconds."""
    delay_ms: float | None
    """Newest frame's sending to this message's publishing, on one machine."""
    refused_messages: int = 0


class Snapshot(Message):
    """Topic ``results``: the whole truth of the moment; no earlier message is needed."""

    version: int = PROTOCOL
    node: str
    """New for every start of the node."""
    number: int
    stream: str | None
    source: str | None
    state: Literal["waiting", "searching", "riding", "still", "silent"]
    """No stream yet; crank not found yet; pedalling; not pedalling; stream fell silent."""
    problem: str | None
    """In plain words what keeps numbers from coming, if anything."""
    frame: int | None
    t: float | None
    sent: float
    """CLOCK_MONOTONIC of the node, s."""
    discipline: str
    window: dict[str, float]
    """Either {"strokes": n} or {"seconds": s}."""
    cadence_rpm: float | None
    strokes: dict[str, int]
    """By side: strokes in the window."""
    refused: dict[str, int]
    """Strokes set aside, by reason."""
    rows: list[Row]
    cranks: list[Crank]
    health: Health


class Live(Message):
    """One measure of the newest frame: quick and rough, for the eye only."""

    measure: str
    side: Literal["L", "R", "B"]
    value: float | None


class Pose(Message):
    """Topic ``pose``: the newest frame in the bike's axes (X forward, Y up, Z right, mm)."""

    node: str
    frame: int
    t: float
    sent: float
    labels: list[str]
    """Canonical names."""
    xyz: bytes
    """labels x 3 little-endian float32; NaN = missing."""
    crank_deg: float | None
    """Right crank."""
    crank_mm: dict[str, float]
    """Crank length by side."""
    live: list[Live]


class Request(Message):
    """A control request; ``args`` depends on ``op``."""

    version: int = PROTOCOL
    op: str
    args: dict[str, Any] = {}


class Reply(Message):
    """The answer to a request: ``error`` says what was expected, what came and what to do."""

    ok: bool
    error: str | None = None
    result: dict[str, Any] = {}
