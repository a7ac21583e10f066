"""Marker blocks to messages and back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from livefit.frames import Channel, MarkerBlock, StreamInfo
from livefit.wire.codec import MAX_BYTES, WireError, first_fault
from livefit.wire.messages import ChannelDescription, Description, Frames

MAX_LABELS: Final = 1_000
MAX_FRAMES: Final = 1_000
"""Frames that :func:`pack_block` puts into one message, at most."""

LAST_NUMBER: Final = 2**63 - 1
LAST_TIME_S: Final = 1e12
"""Time stamps reach so far both ways; nanoseconds since 1970, taken for seconds, do not."""
_F8: Final = np.dtype("<f8")
MM: Final = {"mm": 1.0, "m": 1000.0}


def describe(
    info: StreamInfo,
    *,
    stream: str,
    source: str,
    side: str = "both",
    marker_set: str | None = None,
    control: str | None = None,
    precision: str = "f4",
) -> Description:
    """Say what holds for every frame of a stream; positions will travel in mm.

    Raises
    ------
    WireError
        If a value is none of those that the protocol has for the field.
    """
    fields: dict[str, Any] = {
        "stream": stream,
        "source": source,
        "labels": list(info.labels),
        "unit": "mm",
        "up": info.up,
        "rate_hz": float(info.rate_hz),
        "side": side,
        "sampling": info.sampling,
        "precision": precision,
        "channels": [ChannelDescription(name=c.name, unit=c.unit) for c in info.channels],
        "marker_set": marker_set,
        "control": control,
    }
    try:
        return Description(**fields)
    except ValidationError as error:
        raise first_fault("description", error) from error


def stream_info(description: Description) -> StreamInfo:
    """Return what a description says, in the program's own form.

    Raises
    ------
    WireError
        If there is no label, one twice, or more than ``MAX_LABELS``.
    """
    count = len(description.labels)
    if count > MAX_LABELS:
        raise WireError("description", "labels", f"at most {MAX_LABELS} labels", f"{count}")
    try:
        return StreamInfo(
            labels=tuple(description.labels),
            rate_hz=description.rate_hz,
            up=description.up,
            sampling=description.sampling,
            channels=tuple(Channel(c.name, c.unit) for c in description.channels),
        )
    except ValueError as error:
        raise WireError(
            "description", "labels", "unique labels, at least one", str(error)
        ) from error


def pack_block(
    block: MarkerBlock, description: Description, *, sent: float | None = None
) -> list[Frames]:
    """Turn a block into messages: one for each run of consecutive frame numbers.

    Parameters
    ----------
    block
        n frames, in mm, with the markers and channels of ``description`` in its order.
    description
        What the stream says of itself; gives the unit and the precision of the positions. One
        too large for it becomes infinite, which reads as missing.
    sent
        CLOCK_MONOTONIC, s, at which the messages go out.

    Raises
    ------
    WireError
        If the block's markers or channels are not as many as the description says.
    """
    columns = (block.positions.shape[1], block.channels.shape[1])
    described = (len(description.labels), len(description.channels))
    if columns != described:
        expected = "{} markers and {} channels".format(*described)
        raise WireError("frames", "", expected, "{} and {}".format(*columns))
    floats = f"<{description.precision}"
    t = block.t.astype("<f8", copy=False)
    with np.errstate(over="ignore"):
        xyz = (block.positions / MM[description.unit]).astype(floats)
    channels = block.channels.astype("<f8", copy=False)
    longest = max(1, min(MAX_FRAMES, MAX_BYTES // 2 // (8 + xyz[:1].nbytes + channels[:1].nbytes)))
    breaks = (np.flatnonzero(np.diff(block.numbers) != 1) + 1).tolist()
    messages = []
    for low, high in zip([0, *breaks], [*breaks, len(block)], strict=True):
        for start in range(low, high, longest):
            part = slice(start, min(start + longest, high))
            messages.append(
                Frames(
                    stream=description.stream,
                    first=int(block.numbers[start]),
                    count=part.stop - part.start,
                    t=t[part].tobytes(),
                    xyz=xyz[part].tobytes(),
                    channels=channels[part].tobytes(),
                    sent=sent,
                )
            )
    return messages


def runs(messages: Sequence[Frames]) -> list[list[Frames]]:
    """Part messages where their frames do not follow each other, or are not alike."""
    parted: list[list[Frames]] = []
    for message in messages:
        if parted and _goes_on(parted[-1][-1], message):
            parted[-1].append(message)
        else:
            parted.append([message])
    return parted


def _goes_on(one: Frames, other: Frames) -> bool:
    return (
        other.stream == one.stream
        and other.first == one.first + one.count
        and len(other.t) * one.count == len(one.t) * other.count
        and len(other.xyz) * one.count == len(one.xyz) * other.count
        and len(other.channels) * one.count == len(one.channels) * other.count
    )


def joined(run: Sequence[Frames]) -> Frames:
    """One message of a run: the frames are the same, and reading them costs less."""
    if len(run) == 1:
        return run[0]
    return Frames(
        stream=run[0].stream,
        first=run[0].first,
        count=sum(message.count for message in run),
        t=b"".join(message.t for message in run),
        xyz=b"".join(message.xyz for message in run),
        channels=b"".join(message.channels for message in run),
        sent=run[-1].sent,
    )


class FrameReader:
    """Turns the frames messages of one stream into marker blocks.

    Attributes
    ----------
    info
        What the stream's description says.
    zero_positions
        Marker positions that came as exactly (0, 0, 0) and were taken as missing.

    Examples
    --------
    >>> from livefit.wire.messages import Description, Frames
    >>> described = Description(stream="s", source="by hand", labels=["R_GT", "R_LE"], unit="m",
    ...                         up="+z", rate_hz=100.0, side="right", precision="f8")
    >>> xyz = np.array([[0.1, 0.2, 0.9], [0.0, 0.0, 0.0]])
    >>> reader = FrameReader(described)
    >>> block = reader.read(Frames(stream="s", first=7, count=1, t=np.array([0.5]).tobytes(),
    ...                            xyz=xyz.tobytes()))
    >>> block.positions[0].tolist()
    [[100.0, 200.0, 900.0], [nan, nan, nan]]
    >>> reader.zero_positions
    1
    """

    def __init__(self, description: Description) -> None:
        self.info = stream_info(description)
        self.zero_positions = 0
        self._stream = description.stream
        self._scale = MM[description.unit]
        self._floats = np.dtype(f"<{description.precision}")

    def read(self, frames: Frames) -> MarkerBlock:
        """Check one message against the description and return its frames, in mm.

        A position with a coordinate that is not finite is missing whole.

        Raises
        ------
        WireError
            If the message belongs to another stream, a buffer has the wrong length, or the
            time stamps are not finite or do not rise as the description promises.
        """
        if frames.stream != self._stream:
            remedy = "wait for that stream's description"
            raise WireError("frames", "stream", repr(self._stream), repr(frames.stream), remedy)
        n, m, k = frames.count, len(self.info.labels), len(self.info.channels)
        if frames.first + n - 1 > LAST_NUMBER:
            raise WireError("frames", "first", f"numbers up to {LAST_NUMBER}", str(frames.first))
        with np.errstate(invalid="ignore", over="ignore"):
            t = self._buffer("t", frames.t, _F8, (n,))
            channels = self._buffer("channels", frames.channels, _F8, (n, k))
            positions = self._buffer("xyz", frames.xyz, self._floats, (n, m, 3))
            if self._scale != 1.0:
                positions *= self._scale
            self._check_times(t)
            if not (positions.all() and np.isfinite(positions).all()):
                self._leave_out_missing(positions)
        numbers = np.arange(frames.first, frames.first + n, dtype=np.int64)
        return MarkerBlock(numbers=numbers, t=t, positions=positions, channels=channels)

    def _leave_out_missing(self, positions: NDArray[np.float64]) -> None:
        """Make positions (n, m, 3) that are zero or not finite NaN, in place."""
        zero = ~positions.any(axis=2)
        positions[zero | ~np.isfinite(positions).all(axis=2)] = np.nan
        self.zero_positions += int(np.count_nonzero(zero))

    def _buffer(
        self, field: str, raw: bytes, kind: np.dtype[Any], shape: tuple[int, ...]
    ) -> NDArray[np.float64]:
        wanted = math.prod(shape) * kind.itemsize
        if len(raw) != wanted:
            what = " x ".join(map(str, shape))
            remedy = "count, labels, channels and precision must fit the buffer"
            expected = f"{wanted} bytes ({what} {kind.str})"
            raise WireError("frames", field, expected, f"{len(raw)} bytes", remedy)
        return np.frombuffer(raw, kind).reshape(shape).astype(np.float64)

    def _check_times(self, t: NDArray[np.float64]) -> None:
        if not np.abs(t).max() <= LAST_TIME_S:
            sound = np.abs(t) <= LAST_TIME_S
            found = f"{int((~sound).sum())} that are not, {t[~sound][0]:g} the first of them"
            remedy = "send seconds"
            raise WireError("frames", "t", f"time stamps within {LAST_TIME_S:g} s", found, remedy)
        if self.info.sampling == "stamped" and len(t) > 1 and not (np.diff(t) > 0).all():
            remedy = "describe the stream as 'periodic' if its stamps only come close"
            raise WireError("frames", "t", "rising time stamps", "a step of zero or back", remedy)


def unpack_frames(frames: Frames, description: Description) -> MarkerBlock:
    """Turn one message into a block; for a stream of them keep a :class:`FrameReader`."""
    return FrameReader(description).read(frames)
