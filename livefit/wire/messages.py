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


Part = Annotated[float, Field(ge=0, le=1)]


class DeviceState(Message):
    """Topic ``device``: what the device says of itself now and then, beside the frames."""

    stream: str
    battery: Part | None = None
    """Share left."""
    link: Part | None = None
    """Quality of the radio link; 1 is best."""
    temperature_c: float | None = None
    lost: Annotated[int, Field(ge=0)] | None = None
    """Frames that the device itself knows to be lost."""
    note: str = ""
    """For people."""


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
    before: float | None = None
    """The mean as it was at the latest mark."""
    needed: int | None = None
    """Strokes still to come before the mean holds; 0: it holds; nil: cannot be said yet."""
    too_short: bool = False
    """The window holds fewer strokes than the mean wants at this spread."""
    left_out: bool = False
    """It rests on a marker that is not where its label says: no value until that is right."""


class Crank(Message):
    """What one side's foot says of the crank; uncertainties are standard errors."""

    side: Literal["L", "R"]
    length_mm: float | None
    length_se_mm: float | None
    spindle_mm: list[float] | None
    """Spindle in the foot: along heel->toe from the fifth metatarsal head, and up."""
    spindle_se_mm: list[float] | None


class Clock(Message):
    """The device's clock beside the node's CLOCK_MONOTONIC, from stamps and arrivals."""

    offset_s: float
    """Arrival less stamp at the newest frame, the least delay included."""
    offset_se_s: float
    drift_ppm: float | None
    """By how much the device's clock runs fast; nil before 10 s."""
    drift_se_ppm: float | None
    latency_ms: float
    """Median delay above the least."""
    latency_p99_ms: float
    jitter_ms: float | None
    """Standard deviation of the stamps about the frame numbers."""
    jumps: int
    """Of the device's clock."""


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
    duplicates: int = 0
    """Frames left out because they had come before."""
    disordered: int = 0
    """Frames that came out of turn but in time to be put in their place."""
    late: int = 0
    """Frames left out because later ones had been used."""
    future: int = 0
    """Frames left out because their number or stamp lay beyond reason."""
    restarts: int = 0
    """How often the device began to count anew under the same stream."""
    first: Annotated[int, Field(ge=0)] | None = None
    """Number of the first frame used, since the stream began or the device counted anew."""
    clock: Clock | None = None


class Mark(Message):
    """An adjustment of the bicycle, marked by the fitter; the averages began anew with it."""

    number: int
    """Rises by one; never used twice in a run of the node."""
    t: float | None
    """Device time, s, of the newest frame at the time."""
    part: str
    """Name of an adjustment in the definitions, ``saddle_height`` for one."""
    amount: float
    """In the adjustment's unit; its sign says which way."""
    note: str = ""


class Recorded(Message):
    """How the recording under way is, as its recorder last said."""

    seconds: float
    size: int
    """Bytes in the file."""
    frames: int
    lost: int
    """Frame numbers that never came to the recorder."""
    left_s: float | None = None
    """How long the disk has room for; nil: not known yet."""


class PartMoved(Message):
    """How far a part of the bicycle was moved, by the markers on it; ``half``: of the interval."""

    part: str
    """Name of an adjustment."""
    unit: str
    mark: float | None
    """Since the latest mark, before the first one since the beginning; 95 % within +-half."""
    mark_half: float | None
    baseline: float | None
    baseline_half: float | None


State = Literal["waiting", "searching", "riding", "still", "silent"]


class Snapshot(Message):
    """Topic ``results``: the whole truth of the moment; no earlier message is needed."""

    version: int = PROTOCOL
    node: str
    """New for every start of the node."""
    number: int
    stream: str | None
    source: str | None
    state: State
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
    marks: list[Mark] = []
    """Oldest first; those undone are not among them."""
    chosen: dict[str, list[list[str]]] = {}
    """By screen, ``fitter`` or ``rider``: the (measure, event) pairs chosen for it."""
    edited_bands: int = 0
    """How many bands differ from those of the discipline."""
    workload_w: float | None = None
    recording: str | None = None
    """Name of the recording under way."""
    recorded: Recorded | None = None
    """How the recording under way is."""
    since: float | None = None
    """Device time, s, of the newest frame when the averages began anew, by a mark or by hand."""
    device: DeviceState | None = None
    """The newest that the device said of itself."""
    warnings: list[str] = []
    """In plain words what may soon keep numbers from coming."""
    moved: list[PartMoved] = []
    """Parts that markers on the bicycle show."""


class Stroke(Message):
    """Topic ``strokes``: the final values of one stroke at one event of one side."""

    node: str
    side: Literal["L", "R", "B"]
    event: str
    measures: list[str]
    stroke: int
    """Counted from top dead centre of the side's own crank."""
    t: float
    """Device time, s."""
    marks: int
    """Number of the latest mark before it; 0 before the first."""
    values: list[float | None]
    """One for each measure."""


class SideCycles(Message):
    """Every measure of one side round the crank: 37 rows, every 10 deg from 0 to 360."""

    side: Literal["L", "R", "B"]
    measures: list[str]
    stroke: int
    """The latest."""
    n: int
    """Strokes in the mean."""
    last: bytes
    """37 x measures little-endian float32; NaN = no value."""
    mean: bytes
    sd: bytes
    baseline: bytes = b""
    """The mean as it was when the baseline was set; empty where there is none."""


class Cycles(Message):
    """Topic ``cycles``: after each stroke, all sides."""

    node: str
    sides: list[SideCycles]


class MeanPose(Message):
    """Topic ``baseline``: the mean pose when the baseline was set, round the crank."""

    node: str
    labels: list[str]
    """Canonical names."""
    xyz: bytes
    """36 x labels x 3 little-endian float32, mm in the bike's axes: right crank at 0, 10, ...
    350 deg; NaN = missing; empty: there is no baseline."""


class StandingBicycle(Message):
    """Topic ``bicycle``: the measured bicycle, where it stands under the rider."""

    node: str
    points: dict[str, list[float]]
    """By the name of the touched point: mm in the bike's axes; empty: there is none."""


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
